/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/foresee.h"
#include "reports/reduce/foresee_private.h"
#include "reports/reduce/reduce.h"
#include "reports/reduce/study.h"
#include "reports/reduce/zeros.h"

#include "calib/number/units.h"

#include <math.h>
#include <stdlib.h>

#define DRAG_FRAC 0.03
#define LENGTH_S 600.0
#define MOVED 0.5 /* of what would be explained */
#define READINGS 300
#define COVERAGE 0.95
#define SOURCES 60

static struct mean steady(double value)
{
	return (struct mean){
		.value = value, .dof = INFINITY, .scatter_dof = INFINITY, .n = READINGS, .n_effective = READINGS
	};
}

static struct window_means blank(double at_s)
{
	struct window_means w = { .run_id = 1,
				  .turn_count = NAN,
				  .low_count = NAN,
				  .product = true,
				  .brake_A = NAN,
				  .rotor_rpm = NAN,
				  .drive_A = NAN };

	w.point.setpoint_A = w.point.setpoint_Nm = w.point.setpoint_rpm = NAN;
	w.point.begin.ns = ns_from_s(at_s - 0.5);
	w.point.end.ns = ns_from_s(at_s + 0.5);
	for (int i = 0; i < TEMP_COUNT; i++)
		w.temp_degC[i] = NAN;
	w.speed_rpm = w.volt = w.amp = w.power = steady(NAN);
	return w;
}

static struct mean noisy(double value, double u, double dof)
{
	struct mean ret = steady(value);

	ret.u = ret.scatter = u > 0 ? u : 0;
	ret.dof = ret.scatter_dof = dof >= 1 ? dof : INFINITY;
	return ret;
}

/* A zero that was turned is (r F + B)/(1 + r) with F from two readings: so much scatter of each gives the zero's. */
static double of_one_reading(const struct foresee_input *in)
{
	double r = in->rig->drag_ratio.value;

	return in->turned ? in->zero_noise_Nm * (1 + r) / sqrt(r * r / 2 + 1) : in->zero_noise_Nm;
}

/* How far its two forward readings, a same time before and after the backward one, lie apart for so much of the drag
 * that fades: the limits are a half of r/(1 + r) of it (calib/cell/turned_zero.h). */
static double apart_Nm(const struct foresee_input *in)
{
	double r = in->rig->drag_ratio.value, limit_Nm = sqrt(3) * in->zero_u_faded_Nm;

	return limit_Nm > 0 ? 2 * limit_Nm * (1 + r) / r : 0;
}

#define ZERO_ROWS 7 /* forward, backward, forward before and after; between them what parts the two zeros */

static void zero_rows(const struct foresee_input *in, struct window_means rows[ZERO_ROWS])
{
	double slope = cellcal_slope_Nm(in->cal, 0),
	       drag_Nm = in->drag_Nm >= 0 ? in->drag_Nm : DRAG_FRAC * in->rig->brake_rated_Nm,
	       length_s = in->length_s > 0 ? in->length_s : LENGTH_S;

	for (int i = 0; i < ZERO_ROWS; i++) {
		int of_three = i % 4, way = of_three == 1 ? -1 : 1;
		double drags_Nm = drag_Nm + (of_three - 1) * apart_Nm(in) / 2;
		rows[i] = blank(10.0 * (of_three - 2) + (i < 4 ? 0 : length_s + 20));
		if (of_three == 3)
			continue;
		rows[i].point.flags = POINT_TARE;
		rows[i].point.direction = in->turned ? way : 0;
		rows[i].count = noisy(in->turned ? in->rig->cell_sign * way * drags_Nm / slope : 0,
				      fabs(of_one_reading(in) / slope), in->zero_dof);
	}
}

/* The zero will have moved by something that nobody knows yet. */
static void let_zero_move(struct reduction *r)
{
	double slope = cellcal_slope_Nm(&r->cal, 0);

	for (size_t i = 0; i + 1 < r->n_zeros; i++) {
		struct zero *z = &r->zeros[i];
		z->moved_Nm = MOVED * z->u_moved_Nm;
		r->zeros[i + 1].count = z->count + z->moved_Nm / slope;
	}
}

/* What the cell has carried since the zero, counts over the zero along the way of turning. */
struct carried {
	int way;
	double most, low; /* low: the least since the most */
};

static void carry(struct carried *c, double count)
{
	if (!(count < c->most))
		c->most = c->low = count;
	c->low = fmin(c->low, count);
}

/* The reading that gives this torque: by Newton's way along the calibration's slope. */
static enum rc reduce_step(const struct reduction *r, const struct foresee_step *s, int step, struct carried *carried,
			   struct curve_point *ret, struct err *err)
{
	struct window_means w = blank(s->at_s);
	double count = s->torque_Nm / cellcal_slope_Nm(&r->cal, 0), amp = s->volt_V > 0 ? s->input_W / s->volt_V : NAN;
	enum rc rc = RC_OK;
	int way = s->speed_rpm < 0 ? -1 : 1;

	if (way != carried->way)
		*carried = (struct carried){ way, NAN, NAN };
	struct carried now = *carried;
	w.point.step = step;
	w.point.direction = s->direction;
	w.point.setpoint_rpm = s->speed_rpm;
	w.speed_rpm = steady(s->speed_rpm);
	w.volt = steady(s->volt_V);
	w.amp = steady(amp);
	w.power = noisy(s->input_W, s->noise_W, INFINITY);
	w.amp2 = amp * amp;
	if (r->rig.plane == PLANE_SUPPLY && r->rig.cable_ohm.value > 0) {
		w.volt.value += amp * r->rig.cable_ohm.value;
		w.power.value += w.amp2 * r->rig.cable_ohm.value;
	}
	for (int i = 0; i < 4 && rc == RC_OK; i++) {
		w.count = noisy(way * r->rig.cell_sign * count,
				fabs(s->noise_Nm / cellcal_slope_Nm(&r->cal, s->torque_Nm)), INFINITY);
		w.count.fluctuation =
			s->fluctuation_Nm > 0 ? fabs(s->fluctuation_Nm / cellcal_slope_Nm(&r->cal, s->torque_Nm)) : 0;
		now = *carried;
		carry(&now, count);
		w.turn_count = now.most;
		w.low_count = now.low;
		rc = reduce_point(r, &w, ret, err);
		if (rc == RC_OK && isfinite(ret->torque_Nm.value))
			count += (s->torque_Nm - way * ret->torque_Nm.value) / cellcal_slope_Nm(&r->cal, s->torque_Nm);
	}
	*carried = now;
	return rc;
}

static void tell(const struct foresee_input *in, const struct unc_ctx *ctx, const struct curve_point *p,
		 double torque_Nm, struct foreseen *ret)
{
	struct budget_row row[SOURCES];
	size_t n = budget_of(ctx, p->torque_Nm, row, SOURCES);

	ret->u_torque_Nm = unc_u(p->torque_Nm);
	ret->U_common_Nm = ret->U_torque_Nm = unc_expanded(ctx, p->torque_Nm, COVERAGE, NULL);
	if (p->efficiency_valid) {
		ret->u_efficiency = unc_u(p->efficiency);
		ret->U_efficiency = unc_expanded(ctx, p->efficiency, COVERAGE, NULL);
	}
	if (n > 0 && ret->u_torque_Nm > 0)
		foresee_advise(in->rig, row, n, torque_Nm, ret);
}

static enum rc foresee_all(const struct foresee_input *in, struct reduction *r, const struct foresee_step *steps,
			   size_t n, struct foreseen *ret, struct err *err)
{
	struct window_means rows[ZERO_ROWS];
	struct zero room[ZERO_ROWS];
	struct study_sources study = { 0 };
	struct carried carried = { 0 };

	reduction_register(r);
	if (in->study)
		study = study_register(in->study, r->ctx);
	zero_rows(in, rows);
	reduction_add_zeros(r, rows, ZERO_ROWS, room);
	let_zero_move(r);
	for (size_t i = 0; i < n; i++) {
		struct curve_point p;
		if (reduce_step(r, &steps[i], (int)i, &carried, &p, err) != RC_OK || !isfinite(p.torque_Nm.value))
			continue;
		if (in->study)
			study_apply(&study, r->ctx, &p);
		tell(in, r->ctx, &p, steps[i].torque_Nm, &ret[i]);
	}
	return unc_failed(r->ctx) ? err_set(err, RC_NOMEM, 0, "out of memory for the forecast") : RC_OK;
}

enum rc foresee(const struct foresee_input *in, const struct foresee_step *steps, size_t n, struct foreseen *ret,
		struct err *err)
{
	struct reduction *r = calloc(1, sizeof *r);

	for (size_t i = 0; i < n; i++)
		ret[i] = (struct foreseen){
			NAN, NAN, NAN, NAN, .share = NAN, .U_part_Nm = NAN, .U_common_Nm = NAN, .U_halved_Nm = NAN
		};
	if (r)
		r->ctx = unc_ctx_new();
	if (!r || !r->ctx) {
		free(r);
		return err_set(err, RC_NOMEM, 0, "out of memory for the forecast");
	}
	r->rig = *in->rig;
	r->actuator = *in->actuator;
	r->plan = *in->plan;
	r->cal = *in->cal;
	r->cal_degC = NAN;
	enum rc rc = foresee_all(in, r, steps, n, ret, err);
	unc_ctx_free(r->ctx);
	free(r);
	return rc;
}
