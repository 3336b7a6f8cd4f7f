/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/reduce.h"
#include "profile/profile.h"

#include "calib/cell/cell_warmth.h"
#include "calib/number/units.h"
#include "reports/reduce/zeros.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const struct unc unknown = { .value = NAN };

#define MEANINGFUL 5.0 /* a power under this many of its standard uncertainties gives no efficiency */

void reduction_register(struct reduction *r)
{
	const struct rig_profile *rig = &r->rig;
	struct unc_ctx *ctx = r->ctx;

	cellcal_unc_register(&r->cal, ctx, &r->cell);
	r->outside_drag = unc_source(ctx, "drag of the bearing outside the cradle", rig->outside_drag_Nm.dist,
				     rig->outside_drag_Nm.dof);
	r->drag_unlike =
		unc_source(ctx, "drag unlike both ways at zero", r->rig.drag_ratio.dist, r->rig.drag_ratio.dof);
	r->gain_temp =
		unc_source(ctx, "cell gain with temperature", rig->gain_drift_per_K.dist, rig->gain_drift_per_K.dof);
	r->zero_temp = unc_source(ctx, "cell zero with temperature", rig->zero_drift_Nm_per_K.dist,
				  rig->zero_drift_Nm_per_K.dof);
	r->creep = unc_source(ctx, "cell creep", rig->creep_frac.dist, rig->creep_frac.dof);
	r->backward = unc_source(ctx, "cell turned backward", rig->backward.dist, rig->backward.dof);
	r->clock = unc_source(ctx, "node clock", DIST_NORMAL, INFINITY); /* the profile keeps its u alone */
	r->volt_gain = unc_source(ctx, "voltmeter gain", rig->volt_gain.dist, rig->volt_gain.dof);
	r->volt_offset = unc_source(ctx, "voltmeter offset", rig->volt_offset_V.dist, rig->volt_offset_V.dof);
	r->amp_gain = unc_source(ctx, "ammeter gain", rig->amp_gain.dist, rig->amp_gain.dof);
	r->amp_offset = unc_source(ctx, "ammeter offset", rig->amp_offset_A.dist, rig->amp_offset_A.dof);
	r->meter_ripple =
		unc_source(ctx, "ripple inside the meter's averages", rig->meter_ripple.dist, rig->meter_ripple.dof);
	r->cable = unc_source(ctx, "cable resistance", rig->cable_ohm.dist, rig->cable_ohm.dof);
}

/* A source of this one point. */
static const char *point_name(const char *what, const struct window_means *reading, size_t speeds, char buf[64])
{
	int n = snprintf(buf, 64, "%s, step %d%s%s", what, reading->point.step + 1,
			 reading->point.direction < 0 ? " down" : "",
			 reading->point.flags & POINT_REPEAT ? " repeat" : "");

	if (speeds > 1 && n > 0 && n < 64)
		snprintf(buf + n, 64 - (size_t)n, ", %.4g rpm", reading->point.setpoint_rpm);
	return buf;
}

static int way_of(const struct window_means *reading)
{
	return reading->point.setpoint_rpm < 0 ? -1 : 1;
}

/* The cell was calibrated forward. */
static struct unc backward(const struct reduction *r, struct unc torque)
{
	const struct quantity *more = &r->rig.backward;
	struct unc share = unc_from(r->ctx, 1 + more->value, r->backward, more->u);

	return unc_scale(r->ctx, unc_div(r->ctx, torque, share), -1);
}

/* What the calibration says to a count over the zero, on the branch that the sweep's history leads to. */
static enum rc calibrated(const struct reduction *r, const struct window_means *reading, double zero_count,
			  struct unc *ret, struct err *err)
{
	int way = way_of(reading);
	const struct cellcal_history history = {
		.turn = reading->turn_count - way * zero_count,
		.low = reading->low_count - way * zero_count,
		.ripple = sqrt(2) * reading->count.fluctuation,
	};
	char name[64];
	enum rc rc = cellcal_torque_unc(&r->cal, &r->cell, r->ctx,
					way * (r->rig.cell_sign * reading->count.value - zero_count),
					isfinite(history.turn) && isfinite(history.low) ? &history : NULL, ret, err);

	if (rc == RC_OK)
		*ret = cellcal_with_repeatability(&r->cal, &r->cell, r->ctx, *ret,
						  point_name("cell repeatability", reading, r->plan.n_speeds, name));
	if (rc == RC_OK && way < 0)
		*ret = backward(r, *ret);
	return rc;
}

/* What a bearing between flange and cradle takes passes the cell by: it has the sign of the motion. */
static struct unc at_the_flange(const struct reduction *r, struct unc torque, double speed_rpm)
{
	struct quantity drag = r->rig.outside_drag_Nm;
	double way = speed_rpm < 0 ? -1 : speed_rpm > 0 ? 1 : 0;

	return unc_add(r->ctx, torque, unc_from(r->ctx, way * drag.value, r->outside_drag, way * drag.u));
}

/* The cell's own drifts, as far as temperatures are known; a reading is too high by them, so they are taken off. */
static struct unc with_drifts(const struct reduction *r, struct unc torque, const struct window_means *reading,
			      const struct zero_here *z)
{
	const struct rig_profile *rig = &r->rig;
	double ambient = reading->temp_degC[TEMP_AMBIENT], cell = reading->temp_degC[TEMP_CELL], load = torque.value;
	double since_zero_K = cell_warmed_K(z->cell_degC, z->ambient_degC, cell, ambient);
	double since_cal_K = cell_warmed_K(r->cal_cell_degC, r->cal_degC, cell, ambient);
	struct unc_ctx *ctx = r->ctx;

	torque =
		unc_add(ctx, torque, unc_from(ctx, -rig->creep_frac.value * load, r->creep, -rig->creep_frac.u * load));
	if (isfinite(since_zero_K))
		torque = unc_add(ctx, torque,
				 unc_from(ctx, -rig->zero_drift_Nm_per_K.value * since_zero_K, r->zero_temp,
					  -rig->zero_drift_Nm_per_K.u * since_zero_K));
	if (isfinite(since_cal_K))
		torque = unc_add(ctx, torque,
				 unc_from(ctx, -rig->gain_drift_per_K.value * since_cal_K * load, r->gain_temp,
					  -rig->gain_drift_per_K.u * since_cal_K * load));
	return torque;
}

static struct unc own_noise(const struct reduction *r, struct unc x, const char *what,
			    const struct window_means *reading, const struct mean *mean, double scale)
{
	char name[64];

	if (!(mean->u > 0))
		return x;
	return unc_with(r->ctx, x,
			unc_source(r->ctx, point_name(what, reading, r->plan.n_speeds, name), DIST_NORMAL, mean->dof),
			scale * mean->u);
}

/* The cell's own noise in a point: what the differences of neighbours show, and at least what a zero reading at rest
 * shows, where nothing moved, slow wander included. In one that was turned the drag fluctuates, which is no noise of
 * the cell. */
static struct mean cell_noise(const struct window_means *reading, const struct zero_here *z)
{
	struct mean noise = reading->count;
	double resting = z->before->turned ? 0 : z->before->u_count * sqrt(z->before->n / (double)reading->count.n);

	if (resting > noise.u) {
		noise.u = resting;
		noise.dof = z->before->dof;
	}
	return noise;
}

static enum rc point_torque(const struct reduction *r, const struct window_means *reading, struct curve_point *p,
			    struct err *err)
{
	double at_s = 0.5 * (p->begin_s + p->end_s);
	const struct zero *before, *after;

	if (reading->count.n < 2)
		return err_set(err, RC_ARG, 0,
			       "step %d of run %lld: %zu fresh readings of the torque cell in its window, at least 2 "
			       "are needed",
			       p->step + 1, (long long)p->run_id, reading->count.n);
	if (!zeros_around(r, reading->run_id, at_s, &before, &after))
		return err_set(err, RC_ARG, 0,
			       "run %lld holds no zero reading of the torque cell: without one its torque is not known",
			       (long long)p->run_id);
	struct zero_here z = zeros_between(before, after, at_s);
	enum rc rc = calibrated(r, reading, z.count, &p->torque_Nm, err);
	if (rc == RC_RANGE) {
		/* A reading that no torque near the calibration gives: one point without torque, not a lost curve. */
		p->torque_Nm = (struct unc){ .value = NAN };
		point_note(p,
			   "the torque is more than 50 %% beyond the heaviest calibration weight: no torque is given");
		return RC_OK;
	}
	if (rc != RC_OK) {
		err_prefix(err, "step %d of run %lld: ", p->step + 1, (long long)p->run_id);
		return rc;
	}
	double slope = cellcal_slope_Nm(&r->cal, way_of(reading) * p->torque_Nm.value);
	struct mean noise = cell_noise(reading, &z);
	p->torque_Nm = own_noise(r, p->torque_Nm, "torque noise", reading, &noise, slope);
	p->scatter_Nm = fabs(slope) * reading->count.scatter;
	p->fluctuation_Nm = fabs(slope) * reading->count.fluctuation;
	p->torque_Nm = zeros_take_off(r, p->torque_Nm, &z, slope);
	p->torque_Nm = with_drifts(r, p->torque_Nm, reading, &z);
	p->torque_Nm = at_the_flange(r, p->torque_Nm, reading->speed_rpm.value);
	p->n_effective = reading->count.n_effective;
	p->extrapolated = !(p->torque_Nm.value <= r->cal.max_Nm * 1.001) || !(p->torque_Nm.value >= -r->cal.max_Nm);
	return RC_OK;
}

static void point_speed(const struct reduction *r, const struct window_means *reading, struct curve_point *p)
{
	double value = reading->speed_rpm.value;

	p->speed_rpm = own_noise(r, unc_exact(value), "speed noise", reading, &reading->speed_rpm, 1);
	p->speed_rpm = unc_with(r->ctx, p->speed_rpm, r->clock, value * r->rig.node_clock_ppm_u);
}

/* The profile's words: gain is true by shown, offset is what is shown when there is nothing. */
static void point_electrical(const struct reduction *r, const struct window_means *reading, struct curve_point *p)
{
	const struct rig_profile *rig = &r->rig;
	struct unc_ctx *ctx = r->ctx;
	struct unc gain_V = unc_from(ctx, rig->volt_gain.value, r->volt_gain, rig->volt_gain.u);
	struct unc gain_A = unc_from(ctx, rig->amp_gain.value, r->amp_gain, rig->amp_gain.u);
	struct unc zero_V = unc_from(ctx, rig->volt_offset_V.value, r->volt_offset, rig->volt_offset_V.u);
	struct unc zero_A = unc_from(ctx, rig->amp_offset_A.value, r->amp_offset, rig->amp_offset_A.u);
	struct unc volt = own_noise(r, unc_exact(reading->volt.value), "voltage noise", reading, &reading->volt, 1);
	struct unc amp = own_noise(r, unc_exact(reading->amp.value), "current noise", reading, &reading->amp, 1);
	struct unc watt =
		own_noise(r, unc_exact(reading->power.value), "input power noise", reading, &reading->power, 1);

	if (!reading->product)
		watt = unc_mul(ctx, watt,
			       unc_from(ctx, 1 - rig->meter_ripple.value, r->meter_ripple, -rig->meter_ripple.u));
	p->voltage_V = unc_mul(ctx, unc_sub(ctx, volt, zero_V), gain_V);
	p->current_A = unc_mul(ctx, unc_sub(ctx, amp, zero_A), gain_A);
	watt = unc_sub(ctx, watt, unc_scale(ctx, zero_V, reading->amp.value));
	watt = unc_sub(ctx, watt, unc_scale(ctx, zero_A, reading->volt.value));
	watt = unc_add(ctx, watt, unc_mul(ctx, zero_V, zero_A));
	p->input_power_W = unc_mul(ctx, watt, unc_mul(ctx, gain_V, gain_A));
	if (rig->plane == PLANE_SUPPLY && rig->cable_ohm.value > 0) {
		struct unc ohm = unc_from(ctx, rig->cable_ohm.value, r->cable, rig->cable_ohm.u);
		double ripple_A2 = reading->amp2 - reading->amp.value * reading->amp.value;
		struct unc amp2 = unc_add(ctx, unc_mul(ctx, p->current_A, p->current_A), unc_exact(ripple_A2));
		p->voltage_V = unc_sub(ctx, p->voltage_V, unc_mul(ctx, p->current_A, ohm));
		p->input_power_W = unc_sub(ctx, p->input_power_W, unc_mul(ctx, amp2, ohm));
	}
}

/* Where no efficiency can be given, more power out than in is still a mistake. */
static void check_energy(struct unc_ctx *ctx, double coverage, struct curve_point *p)
{
	struct unc gain = unc_sub(ctx, p->shaft_power_W, p->input_power_W);

	if (!(p->shaft_power_W.value > 0) || !(gain.value > unc_expanded(ctx, gain, coverage, NULL)))
		return;
	p->impossible = true;
	point_note(
		p,
		"%.3g W at the shaft from %.3g W input is impossible: check the signs and units of voltage and current",
		p->shaft_power_W.value, p->input_power_W.value);
}

void point_derive(struct unc_ctx *ctx, double coverage, struct curve_point *p)
{
	p->shaft_power_W = p->efficiency = unknown;
	if (!isfinite(p->torque_Nm.value) || !isfinite(p->speed_rpm.value))
		return;
	p->shaft_power_W = unc_scale(ctx, unc_mul(ctx, p->torque_Nm, p->speed_rpm), rad_per_s_from_rpm(1));
	double out = p->shaft_power_W.value, U_out = unc_expanded(ctx, p->shaft_power_W, coverage, NULL);
	if (out + U_out < 0) {
		p->impossible = true;
		point_note(p,
			   "shaft power is below zero, but a brake only absorbs: check the signs of torque and speed");
	}
	if (!isfinite(p->input_power_W.value))
		return;
	double in = p->input_power_W.value;
	bool means = out > MEANINGFUL * unc_u(p->shaft_power_W) && out > 0 &&
		     in > MEANINGFUL * unc_u(p->input_power_W) && in > 0;
	p->efficiency_valid = means && !p->impossible;
	if (!means) {
		check_energy(ctx, coverage, p);
		return;
	}
	p->efficiency = unc_div(ctx, p->shaft_power_W, p->input_power_W);
	double over = p->efficiency.value - 1;
	if (over > unc_expanded(ctx, p->efficiency, coverage, NULL)) {
		p->impossible = true;
		p->efficiency_valid = false;
		point_note(
			p,
			"an efficiency of %.3g is impossible, also within its uncertainty: check sign, side (output or "
			"rotor), ratio and units of torque, speed, voltage and current",
			p->efficiency.value);
	} else if (over > 0)
		point_note(p, "efficiency above 1 within its uncertainty");
}

/* How well another window like it would come out. Torque per count and input power per watt read are those of the
 * point. */
static void point_scatter(const struct reduction *r, const struct window_means *reading, struct curve_point *p)
{
	const struct blocks *b = &reading->blocks;
	double shaft[WINDOW_BLOCKS], efficiency[WINDOW_BLOCKS];
	double slope = r->rig.cell_sign * cellcal_slope_Nm(&r->cal, way_of(reading) * p->torque_Nm.value),
	       taken = p->input_power_W.value / reading->power.value;

	p->scatter_rpm = reading->speed_rpm.scatter;
	p->scatter_A = r->rig.amp_gain.value * reading->amp.scatter;
	p->scatter_V = r->rig.volt_gain.value * reading->volt.scatter;
	if (r->rig.plane == PLANE_SUPPLY && r->rig.cable_ohm.value > 0)
		p->scatter_V += r->rig.cable_ohm.value * p->scatter_A; /* voltage falls as current rises */
	p->scatter_input_W = fabs(taken) * reading->power.scatter;
	for (size_t i = 0; i < b->n; i++) {
		double torque = p->torque_Nm.value + slope * (b->count[i] - reading->count.value);
		shaft[i] = torque * rad_per_s_from_rpm(copysign(b->rpm[i], p->speed_rpm.value));
		efficiency[i] = shaft[i] / (taken * b->watt[i]);
	}
	if (b->n > 0 && isfinite(p->shaft_power_W.value))
		p->scatter_shaft_W = mean_of(shaft, b->n).scatter;
	if (b->n > 0 && b->has_watt && p->efficiency_valid)
		p->scatter_efficiency = mean_of(efficiency, b->n).scatter;
}

static void fill_indicated(const struct window_means *reading, struct curve_point *p)
{
	p->brake_degC = reading->temp_degC[TEMP_BRAKE];
	p->case_degC = reading->temp_degC[TEMP_CASE];
	p->winding_degC = reading->temp_degC[TEMP_WINDING];
	p->ambient_degC = reading->temp_degC[TEMP_AMBIENT];
	p->cell_degC = reading->temp_degC[TEMP_CELL];
	p->brake_A = reading->brake_A;
	p->rotor_rpm = reading->rotor_rpm;
	p->drive_A = reading->drive_A;
}

/* A hand at the shaft does work that no meter sees: less electrical than shaft power is then no input of the actuator,
 * and no contradiction. */
static void hand_at_the_shaft(struct curve_point *p)
{
	double shaft_W = p->torque_Nm.value * rad_per_s_from_rpm(p->speed_rpm.value);

	if (p->input_power_W.value > shaft_W)
		return;
	p->voltage_V = p->current_A = p->input_power_W = unknown;
	point_note(p, "turned by hand: no electrical input, so no efficiency");
}

/* [steady] dwell = until: what was not reached, of U and of what another window would differ by. */
static void note_target(const struct reduction *r, struct curve_point *p)
{
	double of_Nm = fmax(fabs(p->torque_Nm.value), plan_target_floor_Nm(&r->plan, &r->rig)),
	       U = unc_expanded(r->ctx, p->torque_Nm, 0.95, NULL) / of_Nm,
	       another = another_window(p->scatter_Nm) / of_Nm;

	if (!(r->plan.until_frac > 0) || (p->flags & POINT_CUT))
		return;
	if (U > r->plan.until_frac || !(another <= r->plan.until_frac))
		point_note(p, "the target of %.2g %% was not reached: U %.2g %%, another window %.2g %%",
			   100 * r->plan.until_frac, 100 * U, 100 * another);
}

enum rc reduce_point(const struct reduction *r, const struct window_means *reading, struct curve_point *ret,
		     struct err *err)
{
	const struct seq_point *sp = &reading->point;
	const struct limit_rig rig = limit_rig_of(&r->rig, &r->actuator, &r->plan);
	struct curve_point p = {
		.shaft_power_W = unknown,
		.efficiency = unknown,
		.n_effective = NAN,
		.scatter_Nm = NAN,
		.scatter_rpm = NAN,
		.scatter_shaft_W = NAN,
		.scatter_V = NAN,
		.scatter_A = NAN,
		.scatter_input_W = NAN,
		.scatter_efficiency = NAN,
		.step = sp->step,
		.direction = sp->direction,
		.flags = sp->flags,
		.run_id = reading->run_id,
		.settled = !(sp->flags & POINT_NOT_SETTLED),
		.setpoint_Nm = sp->setpoint_Nm,
		.setpoint_A = sp->setpoint_A,
		.setpoint_rpm = sp->setpoint_rpm,
		.begin_s = s_from_ns(sp->begin.ns),
		.end_s = s_from_ns(sp->end.ns),
	};

	fill_indicated(reading, &p);
	enum rc rc = point_torque(r, reading, &p, err);
	if (rc != RC_OK)
		return rc;
	point_speed(r, reading, &p);
	point_electrical(r, reading, &p);
	if (r->plan.drive == PLAN_HAND)
		hand_at_the_shaft(&p);
	point_derive(r->ctx, 0.95, &p);
	point_scatter(r, reading, &p);
	limit_of_point(&rig, &reading->before, &reading->inside, &p);
	if (r->plan.drive == PLAN_HAND && p.limit == LIMIT_NONE)
		p.limit = LIMIT_UNKNOWN; /* how much more the hand could have done is in no sample */
	limit_note_step(&rig, &p);
	if (p.flags & POINT_CUT)
		point_note(&p, "cut short by a stop, mean of its last second, not counted");
	else if (!p.settled)
		point_note(&p, "not settled within the plan's [steady] timeout, taken as it is");
	note_target(r, &p);
	if (p.extrapolated)
		point_note(&p, "torque beyond the heaviest calibration weight (%.4g N·m): extrapolated", r->cal.max_Nm);
	*ret = p;
	return RC_OK;
}
