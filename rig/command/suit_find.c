/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/suit.h"

#include "calib/number/units.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

#define CONFIDENCE 0.95
#define STANDING 0.01 /* of the cycle's largest speed: slower is standstill; common practice, no source */

/* needed at most available; u of their difference. */
static void judge(struct suit_found *f, const char *requirement, const char *unit, double needed, double available,
		  double u, double dof, const char *rests_on, const char *change)
{
	struct suit_verdict *v = &f->verdict[f->n++];

	*v = (struct suit_verdict){ .requirement = requirement,
				    .unit = unit,
				    .change = change,
				    .needed = needed,
				    .available = available,
				    .u = u,
				    .dof = dof,
				    .at_most = true };
	if (isinf(needed) || isinf(available)) /* heat without end; a supply that takes anything back */
		v->probability = isinf(needed) ? 0 : 1;
	else if (!isfinite(u)) /* the limit for a u that grows */
		v->probability = 0.5;
	else
		v->probability = conform_probability(available - needed, u, dof >= 1 ? dof : INFINITY,
						     (struct conform_limits){ 0, INFINITY });
	v->verdict = conform_verdict(v->probability, CONFIDENCE);
	snprintf(v->rests_on, sizeof v->rests_on, "%s", rests_on);
}

/* Nothing that was measured bears on it: change says what would. */
static void not_tested(struct suit_found *f, const char *change)
{
	struct suit_verdict *v = &f->verdict[f->n - 1];

	v->verdict = VERDICT_NOT_TESTED;
	v->probability = NAN;
	v->change = change;
}

static void part(struct suit_found *f, const char *requirement, const char *source, double u)
{
	if (f->n_parts < SUIT_PARTS && u > 0)
		f->part[f->n_parts++] = (struct suit_part){ requirement, source, u };
}

static void assume(struct suit_found *f, const char *format, ...) PRINTF_LIKE(2, 3);
static void assume(struct suit_found *f, const char *format, ...)
{
	va_list args;

	if (f->n_assumed == SUIT_ASSUMED)
		return;
	va_start(args, format);
	vsnprintf(f->assumed[f->n_assumed], sizeof f->assumed[0], format, args);
	va_end(args);
	f->n_assumed++;
}

/* What of the duty lies where the curve has no points of its own. */
static void assume_curve(const struct joint_duty *d, const struct joint_curve *c, struct suit_found *f)
{
	double slowest = c->speed_rpm[0], below = 0, braking = 0;

	for (size_t i = 0; i < d->n; i++) {
		double torque = fabs(d->torque_Nm[i]);
		if (fabs(d->speed_rpm[i]) < slowest)
			below = fmax(below, torque);
		if (d->torque_Nm[i] * d->speed_rpm[i] < 0)
			braking = fmax(braking, torque);
	}
	if (below > 0)
		assume(f, "Below %.4g rpm the curve has no point: its torque there is taken for up to %.4g N\u00b7m.",
		       slowest, below);
	if (braking > 0)
		assume(f,
		       "The load drives the actuator with up to %.4g N\u00b7m: the curve, which is of driving, is "
		       "taken.",
		       braking);
}

static void against_curve(const char *on, const struct joint_duty *d, const struct joint_curve *c, struct suit_found *f)
{
	static const char further[] = "a sweep with heavier loads at that speed, or less torque";
	static const char faster[] = "a sweep at higher speeds, or a slower motion";
	size_t worst = joint_worst_row(d, c), beyond = joint_untested_row(d, c), last = c->n - 1;
	double u = 0, available, sure = 1;

	if (worst < d->n) {
		available = joint_curve_at(c, d->speed_rpm[worst], &u);
		judge(f, "torque at its speed", "N.m", fabs(d->torque_Nm[worst]), available, u, INFINITY, on,
		      "a larger ratio, less payload or a slower motion");
		sure = f->verdict[f->n - 1].verdict == VERDICT_REFUTED ? 0 : 1;
	}
	if (beyond < d->n && sure > 0) { /* what is refuted stays so */
		f->n = 0;
		available = joint_curve_at(c, d->speed_rpm[beyond], &u);
		judge(f, "torque at its speed", "N.m", fabs(d->torque_Nm[beyond]), available, u, INFINITY, on, NULL);
		not_tested(f, further);
	}
	part(f, "torque at its speed", "torque of the curve", u);
	judge(f, "speed", "rpm", f->sums.peak_rpm, c->speed_rpm[last], 0, INFINITY, on,
	      "a smaller ratio, more supply voltage or a slower motion");
	if (f->sums.peak_rpm > c->speed_rpm[last] && joint_curve_open(c, f->sums.peak_rpm))
		not_tested(f, faster);
	assume_curve(d, c, f);
}

static double warmest(const struct joint_heat *h, const struct suit_thermal *t, double ambient)
{
	return joint_peak_winding_degC(h, &t->model, &t->loss, ambient, 1, 0);
}

/* One after the other each figure of the model is moved by its u; their correlations are not in the file, so this is
 * on the safe side for what they have in common. */
static double u_warmest(const struct joint_heat *h, const struct suit_thermal *t, double ambient, double middle,
			struct suit_found *f)
{
	static const char *const sources[2][2] = {
		{ "time constant of the winding", "thermal resistance of the winding" },
		{ "time constant of the case", "thermal resistance of the case" },
	};
	const char *of = t->case_only ? "case temperature" : "winding temperature";
	double variance = 0;

	for (int k = 0; k < (t->model.two ? 2 : 1); k++)
		for (int what = 0; what < 2; what++) {
			struct suit_thermal moved = *t;
			double *x = what ? &moved.model.resistance_K_per_W[k] : &moved.model.tau_s[k];
			double u = what ? t->u_resistance[k] : t->u_tau_s[k];
			*x += u;
			double by = u > 0 ? warmest(h, &moved, ambient) - middle : 0;
			part(f, of, sources[k || t->case_only][what], fabs(by));
			variance += by * by;
		}
	/* A cell that reads too much makes the loss of a torque too small, by the square. */
	if (t->watts && t->u_torque_1 > 0) {
		struct suit_thermal moved = *t;
		moved.loss.per_Nm2_W *= 1 + 2 * t->u_torque_1;
		double by = warmest(h, &moved, ambient) - middle;
		part(f, of, "torque cell, all torques together", fabs(by));
		variance += by * by;
	}
	/* Without watts all of it is in the heat for each square of torque; the continuous torque goes by its root. */
	if (!t->watts && t->continuous_Nm > 0) {
		double by = 2 * t->u_continuous_Nm / t->continuous_Nm * (middle - ambient);
		part(f, of, "heat for each square of torque", fabs(by));
		variance += by * by;
	}
	return sqrt(variance);
}

/* The continuous torque of the file is that for its own limit and ambient. */
static void against_continuous(const struct suit_wanted *w, const char *on, const struct suit_thermal *t,
			       double ambient, double limit, struct suit_found *f)
{
	double most = t->continuous_Nm, u = t->u_continuous_Nm;

	if (!isfinite(most))
		return;
	if (isfinite(w->limit_degC) || isfinite(w->ambient_degC)) {
		most = thermal_continuous_Nm(&t->model, &t->loss, ambient, limit);
		u *= most / t->continuous_Nm;
	}
	part(f, "RMS torque", "continuous torque of the thermal model", u);
	judge(f, "RMS torque", "N.m", f->sums.rms_Nm, most, u, t->continuous_dof, on,
	      "longer pauses, a larger ratio or cooling");
}

static void judge_peak(const struct suit_thermal *t, const char *on, double ambient, double limit, struct suit_found *f)
{
	if (!isfinite(limit) && isfinite(f->peak_winding_degC)) { /* heat without end needs no limit */
		assume(f, "No limit is told: the %.4g \u00b0C of the %s are not judged; give --limit.",
		       f->peak_winding_degC, t->case_only ? "case" : "winding");
		return;
	}
	judge(f, t->case_only ? "case temperature" : "winding temperature", "degC", f->peak_winding_degC, limit,
	      f->u_peak_winding_K, t->continuous_dof, on, "longer pauses, a larger ratio or cooling");
	f->verdict[f->n - 1].nothing = ambient;
}

static enum rc against_heat(const struct suit_wanted *w, const char *on, const struct joint_heat *h,
			    const struct suit_thermal *t, struct suit_found *f, struct err *err)
{
	double ambient = suit_ambient_degC(w, t);
	double limit = isfinite(w->limit_degC) ? w->limit_degC : t->limit_degC;

	if (!isfinite(ambient))
		return err_set(err, RC_ARG, 0, "%s tells no ambient; give it with --ambient", w->thermal);
	if (limit <= ambient)
		return err_set(
			err, RC_ARG, 0,
			"the limit of %g \u00b0C is not above the ambient of %g \u00b0C; check --limit and --ambient",
			limit, ambient);
	against_continuous(w, on, t, ambient, limit, f);
	f->peak_of_case = t->case_only;
	f->peak_winding_degC = warmest(h, t, ambient);
	f->u_peak_winding_K = u_warmest(h, t, ambient, f->peak_winding_degC, f);
	judge_peak(t, on, ambient, limit, f);
	if (t->case_only)
		assume(f, "The thermal model has the case alone: nothing tells how much warmer the winding is.");
	if (f->sums.peak_Nm > 1.02 * t->most_Nm)
		assume(f,
		       "The loss is extrapolated: %.4g N\u00b7m is the largest torque that was held, %.4g N\u00b7m are "
		       "needed.",
		       t->most_Nm, f->sums.peak_Nm);
	return RC_OK;
}

/* Does a torque stand still in the cycle? */
static bool holds_still(const struct joint_duty *d, double peak_rpm)
{
	for (size_t i = 0; i < d->n; i++)
		if (fabs(d->torque_Nm[i]) > 0 && fabs(d->speed_rpm[i]) <= STANDING * peak_rpm)
			return true;
	return false;
}

/* What the power of the cycle is off by, relative, by source. */
struct power_u {
	double loss, torque, efficiency;
};

static void supply_parts(struct suit_found *f, const char *of, const struct power_u *rel, double needed)
{
	part(f, of, "loss, all watts together", rel->loss * needed);
	part(f, of, "torque cell, all torques together", rel->torque * needed);
	part(f, of, "efficiency", rel->efficiency * needed);
}

static void judge_supply(const struct suit_wanted *w, struct suit_found *f, const struct power_u *by, const char *on)
{
	static const char change[] = "a larger supply or a slower motion",
			  tell[] = "a thermal model with its loss in watts, or a supply that was measured";
	double rel = hypot(hypot(by->loss, by->torque), by->efficiency);
	double rel_A = hypot(rel, w->u_voltage_V / w->voltage_V);

	f->u_supply_W = rel * f->supply_W;
	f->u_supply_A = rel_A * f->supply_A;
	if (isfinite(w->supply_power_W)) {
		judge(f, "supply power", "W", f->supply_W, w->supply_power_W, hypot(f->u_supply_W, w->u_supply_power_W),
		      INFINITY, on, change);
		supply_parts(f, "supply power", by, f->supply_W);
		part(f, "supply power", "power that the supply gives", w->u_supply_power_W);
		if (isnan(f->supply_W))
			not_tested(f, tell);
	}
	if (isfinite(w->supply_current_A)) {
		judge(f, "supply current", "A", f->supply_A, w->supply_current_A,
		      hypot(f->u_supply_A, w->u_supply_current_A), INFINITY, on, change);
		supply_parts(f, "supply current", by, f->supply_A);
		part(f, "supply current", "voltage", w->u_voltage_V / w->voltage_V * f->supply_A);
		part(f, "supply current", "current that the supply gives", w->u_supply_current_A);
		if (isnan(f->supply_A))
			not_tested(f, tell);
	}
}

static void against_supply(const struct suit_wanted *w, const char *thermal_on, const struct joint_duty *d,
			   const struct suit_thermal *t, struct suit_found *f)
{
	const struct thermal_loss *loss = t->known && t->watts ? &t->loss : NULL;
	const char *on = loss ? thermal_on : w->efficiency ? "--efficiency" : "nothing";
	double warm = isfinite(f->peak_winding_degC) ? f->peak_winding_degC : t->loss.at_degC;
	struct power_u rel = { 0 };
	bool still = !loss && holds_still(d, f->sums.peak_rpm);

	f->supply_W = f->supply_A = f->regenerated_W = NAN;
	if (!loss && !(w->efficiency_1 > 0)) {
		judge_supply(w, f, &rel, on);
		return;
	}
	rel.efficiency = loss ? 0 : w->u_efficiency_1 / w->efficiency_1;
	f->supply_W = f->regenerated_W = 0;
	for (size_t i = 0; i < d->n; i++) {
		double T = d->torque_Nm[i], n = d->speed_rpm[i];
		double power = joint_electrical_W(T, n, loss, warm, w->efficiency_1);
		/* what the loss takes comes back the less: most of it while the winding is cold */
		double back = -joint_electrical_W(T, n, loss, loss ? suit_ambient_degC(w, t) : 0, w->efficiency_1);
		if (loss && power > f->supply_W) { /* the loss is a part of the power, the copper's a part of that */
			double copper = thermal_loss_W(loss, T, warm) - loss->fixed_W;
			rel.loss = fabs(t->u_loss_1 * (1 - shaft_power_W(T, n) / power));
			rel.torque = fabs(2 * t->u_torque_1 * copper / power);
		}
		f->supply_W = fmax(f->supply_W, power);
		f->regenerated_W = fmax(f->regenerated_W, back);
	}
	if (still)
		assume(f, "An efficiency tells no power at standstill: what a torque takes there is not in the "
			  "supply's figures.");
	if (still && !(f->supply_W > 0))
		f->supply_W = NAN;
	if (isfinite(w->voltage_V))
		f->supply_A = f->supply_W / w->voltage_V;
	judge_supply(w, f, &rel, on);
	if (f->regenerated_W > 0)
		judge(f, "power coming back", "W", f->regenerated_W, w->any_brake ? INFINITY : 0, 0, INFINITY, on,
		      "a brake resistor, a battery, or slower lowering");
}

static void against_tip(const struct suit_wanted *w, struct suit_found *f)
{
	f->tip_mm = NAN;
	if (!w->play || !w->stiffness || !w->reach)
		return;
	double twist = f->sums.peak_Nm / w->stiffness_Nm_per_arcmin, arcmin = w->play_arcmin / 2 + twist;
	double u_arcmin =
		hypot(w->u_play_arcmin / 2, twist * w->u_stiffness_Nm_per_arcmin / w->stiffness_Nm_per_arcmin);
	double mm = 1000 / 3437.746770784939;
	f->tip_mm = mm * w->reach_m * arcmin;
	f->u_tip_mm = mm * hypot(w->reach_m * u_arcmin, w->u_reach_m * arcmin);
	if (!w->tip)
		return;
	judge(f, "tip error", "mm", f->tip_mm, w->tip_mm, f->u_tip_mm, INFINITY, "--play and --stiffness",
	      "a stiffer gear, less play or a shorter arm");
	part(f, "tip error", "play", mm * w->reach_m * w->u_play_arcmin / 2);
	part(f, "tip error", "stiffness",
	     mm * w->reach_m * twist * w->u_stiffness_Nm_per_arcmin / w->stiffness_Nm_per_arcmin);
	part(f, "tip error", "reach", mm * w->u_reach_m * arcmin);
}

static double room_share(const struct suit_verdict *v)
{
	return 1 - (v->needed - v->nothing) / (v->available - v->nothing);
}

/* The least probability decides (what is not tested counts as a half); among equals the smallest share of room. */
static void decide(struct suit_found *f)
{
	for (size_t i = 1; i < f->n; i++) {
		const struct suit_verdict *a = &f->verdict[i], *b = &f->verdict[f->decides];
		double room_a = room_share(a), room_b = room_share(b);
		double p_a = isnan(a->probability) ? 0.5 : a->probability,
		       p_b = isnan(b->probability) ? 0.5 : b->probability;
		if (p_a < p_b - 1e-6 || (p_a < p_b + 1e-6 && room_a < room_b))
			f->decides = i;
	}
}

static void name_files(const struct suit_wanted *w, struct suit_case *c)
{
	const char *curve = w->curve ? w->curve : "", *thermal = w->thermal ? w->thermal : "";

	if (w->curve)
		suit_curve_run(w->curve, &c->curve_run);
	snprintf(c->curve_on, sizeof c->curve_on, c->curve_run.id[0] ? "%.160s (%s)" : "%.230s", curve,
		 c->curve_run.id);
	snprintf(c->thermal_on, sizeof c->thermal_on, c->thermal.run.id[0] ? "%.160s (%s)" : "%.230s", thermal,
		 c->thermal.run.id);
	if (c->curve_run.on_bench)
		assume(&c->found, "The curve was measured on a virtual bench.");
	if (c->thermal.run.on_bench)
		assume(&c->found, "The thermal model was measured on a virtual bench.");
}

enum rc suit_find(const struct suit_wanted *w, struct suit_case *c, struct mistakes *m, struct err *err)
{
	struct suit_found *f = &c->found;
	enum rc rc = suit_duty(w, &c->duty, m, err);

	c->wanted = w;
	*f = (struct suit_found){ .peak_winding_degC = NAN };
	if (!rc && w->curve)
		rc = suit_curve(w->curve, &c->curve, m, err);
	if (!rc && w->thermal)
		rc = suit_thermal(w->thermal, &c->thermal, err);
	if (!rc && w->thermal)
		rc = joint_heat_of(&c->duty, c->thermal.model.tau_s[0] / JOINT_HEAT_SHARE, &c->heat, err);
	if (!rc && w->out && !w->curve)
		rc = err_set(err, RC_ARG, 0, "--out draws the cycle inside the curve: give --curve too");
	if (rc)
		return rc;
	f->sums = joint_sums(&c->duty);
	name_files(w, c);
	if (w->curve)
		against_curve(c->curve_on, &c->duty, &c->curve, f);
	if (w->thermal && (rc = against_heat(w, c->thermal_on, &c->heat, &c->thermal, f, err)))
		return rc;
	against_supply(w, c->thermal_on, &c->duty, &c->thermal, f);
	against_tip(w, f);
	decide(f);
	suit_changes(w, c);
	return RC_OK;
}

bool suit_refuted(const struct suit_found *f)
{
	for (size_t i = 0; i < f->n; i++)
		if (f->verdict[i].verdict == VERDICT_REFUTED)
			return true;
	return false;
}

static bool not_tested_whole(const struct suit_found *f)
{
	for (size_t i = 0; i < f->n; i++)
		if (f->verdict[i].verdict == VERDICT_NOT_TESTED)
			return true;
	return false;
}

bool suit_carries(const struct suit_found *f)
{
	for (size_t i = 0; i < f->n; i++)
		if (f->verdict[i].verdict != VERDICT_CONFIRMED)
			return false;
	return f->n > 0;
}

const char *suit_answer(const struct suit_found *found)
{
	return suit_refuted(found)       ? "does not carry it"
	       : suit_carries(found)     ? "carries it"
	       : not_tested_whole(found) ? "not tested whole"
					 : "undecided";
}

bool suit_on_bench(const struct suit_case *c)
{
	return c->curve_run.on_bench || c->thermal.run.on_bench;
}

void suit_case_free(struct suit_case *c)
{
	suit_duty_free(&c->duty);
	joint_heat_free(&c->heat);
	suit_curve_free(&c->curve);
}
