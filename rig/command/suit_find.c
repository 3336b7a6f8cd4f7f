/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/suit.h"

#include "calc/calc_option.h"
#include "calib/number/units.h"
#include "command/offline.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define CONFIDENCE 0.95

/* The uncertainties of the numbers that may have one. */
static enum rc uncertainties(struct suit_wanted *w, struct err *err)
{
	const struct {
		const char *name, *text, *unit;
		double *ret;
	} options[] = {
		{ "voltage", w->voltage, "V", &w->u_voltage_V },
		{ "supply-current", w->supply_A, "A", &w->u_supply_current_A },
		{ "supply-power", w->supply_W, "W", &w->u_supply_power_W },
		{ "efficiency", w->efficiency, "1", &w->u_efficiency_1 },
		{ "play", w->play, "arcmin", &w->u_play_arcmin },
		{ "stiffness", w->stiffness, "N.m/arcmin", &w->u_stiffness_Nm_per_arcmin },
		{ "reach", w->reach, "m", &w->u_reach_m },
	};
	struct quantity q;
	enum rc rc = RC_OK;

	for (size_t i = 0; i < sizeof options / sizeof options[0] && !rc; i++) {
		if (!options[i].text)
			continue;
		rc = calc_option(options[i].name, options[i].text, options[i].unit, true, &q, err);
		*options[i].ret = rc ? 0 : q.u;
	}
	return rc;
}

enum rc suit_options(struct suit_wanted *w, struct err *err)
{
	const struct offline_option options[] = {
		{ "rotor-inertia", w->inertia, "kg.m2", &w->inertia_kgm2, false },
		{ "ratio", w->ratio, "1", &w->ratio_1, false },
		{ "limit", w->limit, "degC", &w->limit_degC, false },
		{ "ambient", w->ambient, "degC", &w->ambient_degC, false },
		{ "voltage", w->voltage, "V", &w->voltage_V, false },
		{ "supply-current", w->supply_A, "A", &w->supply_current_A, false },
		{ "supply-power", w->supply_W, "W", &w->supply_power_W, false },
		{ "efficiency", w->efficiency, "1", &w->efficiency_1, false },
		{ "play", w->play, "arcmin", &w->play_arcmin, false },
		{ "stiffness", w->stiffness, "N.m/arcmin", &w->stiffness_Nm_per_arcmin, false },
		{ "reach", w->reach, "m", &w->reach_m, false },
		{ "tip", w->tip, "mm", &w->tip_mm, false },
	};
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);

	if (!rc)
		rc = uncertainties(w, err);
	if (!rc && w->efficiency && !(w->efficiency_1 > 0 && w->efficiency_1 <= 1))
		rc = err_set(err, RC_ARG, 0, "--efficiency: found %g, expected above 0 and up to 1, or in %%",
			     w->efficiency_1);
	if (!rc && !w->curve && !w->thermal)
		rc = err_set(err, RC_ARG, 0,
			     "give what the actuator can: --curve FILE.csv, --thermal FILE.json, or both");
	if (!rc && w->tip && !(w->play && w->stiffness && w->reach))
		rc = err_set(err, RC_ARG, 0, "--tip needs --play, --stiffness and --reach");
	return rc;
}

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

static void against_curve(const struct suit_wanted *w, const struct joint_duty *d, const struct joint_curve *c,
			  struct suit_found *f)
{
	size_t worst = joint_worst_row(d, c);
	double u, available = joint_curve_at(c, d->speed_rpm[worst], &u);

	judge(f, "torque at its speed", "N.m", fabs(d->torque_Nm[worst]), available, u, INFINITY, w->curve,
	      "a larger ratio, less payload or a slower motion");
	judge(f, "speed", "rpm", f->sums.peak_rpm, c->speed_rpm[c->n - 1], 0, INFINITY, w->curve,
	      "a smaller ratio, more supply voltage or a slower motion");
}

static double warmest(const struct joint_duty *d, const struct suit_thermal *t, double ambient)
{
	return joint_peak_winding_degC(d, &t->model, &t->loss, ambient);
}

/* One after the other each figure of the model is moved by its u; their correlations are not in the file, so this is
 * on the safe side for what they have in common. */
static double u_warmest(const struct joint_duty *d, const struct suit_thermal *t, double ambient, double middle)
{
	double variance = 0;

	for (int k = 0; k < (t->model.two ? 2 : 1); k++)
		for (int what = 0; what < 2; what++) {
			struct suit_thermal moved = *t;
			double *x = what ? &moved.model.resistance_K_per_W[k] : &moved.model.tau_s[k];
			double u = what ? t->u_resistance[k] : t->u_tau_s[k];
			*x += u;
			double by = u > 0 ? warmest(d, &moved, ambient) - middle : 0;
			variance += by * by;
		}
	/* Without watts all of it is in the heat for each square of torque; the continuous torque goes by its root. */
	if (!t->watts && t->continuous_Nm > 0)
		variance += pow(2 * t->u_continuous_Nm / t->continuous_Nm * (middle - ambient), 2);
	return sqrt(variance);
}

static void against_heat(const struct suit_wanted *w, const struct joint_duty *d, const struct suit_thermal *t,
			 struct suit_found *f)
{
	double ambient = suit_ambient_degC(w, t);
	double limit = isfinite(w->limit_degC) ? w->limit_degC : t->limit_degC;

	if (isfinite(t->continuous_Nm))
		judge(f, "RMS torque", "N.m", f->sums.rms_Nm, t->continuous_Nm, t->u_continuous_Nm, t->continuous_dof,
		      w->thermal, "longer pauses, a larger ratio or cooling");
	f->peak_winding_degC = warmest(d, t, ambient);
	f->u_peak_winding_K = u_warmest(d, t, ambient, f->peak_winding_degC);
	if (isfinite(limit))
		judge(f, "winding temperature", "degC", f->peak_winding_degC, limit, f->u_peak_winding_K,
		      t->continuous_dof, w->thermal, "longer pauses, a larger ratio or cooling");
}

static void against_supply(const struct suit_wanted *w, const struct joint_duty *d, const struct suit_thermal *t,
			   struct suit_found *f)
{
	const struct thermal_loss *loss = t->known && t->watts ? &t->loss : NULL;
	double warm = isfinite(f->peak_winding_degC) ? f->peak_winding_degC : t->loss.at_degC;

	f->supply_W = f->supply_A = f->regenerated_W = NAN;
	if (!loss && !(w->efficiency_1 > 0))
		return;
	double rel = loss ? 0 : w->u_efficiency_1 / w->efficiency_1;
	f->supply_W = f->regenerated_W = 0;
	for (size_t i = 0; i < d->n; i++) {
		double power = joint_electrical_W(d->torque_Nm[i], d->speed_rpm[i], loss, warm, w->efficiency_1);
		if (loss && power > f->supply_W) /* the loss is a part of the power */
			rel = t->u_loss_1 * (1 - shaft_power_W(d->torque_Nm[i], d->speed_rpm[i]) / power);
		f->supply_W = fmax(f->supply_W, power);
		f->regenerated_W = fmax(f->regenerated_W, -power);
	}
	double rel_A = hypot(rel, w->u_voltage_V / w->voltage_V);
	const char *on = loss ? w->thermal : "--efficiency";
	if (isfinite(w->voltage_V))
		f->supply_A = f->supply_W / w->voltage_V;
	if (isfinite(w->supply_power_W))
		judge(f, "supply power", "W", f->supply_W, w->supply_power_W,
		      hypot(rel * f->supply_W, w->u_supply_power_W), INFINITY, on,
		      "a larger supply or a slower motion");
	if (isfinite(w->supply_current_A) && isfinite(f->supply_A))
		judge(f, "supply current", "A", f->supply_A, w->supply_current_A,
		      hypot(rel_A * f->supply_A, w->u_supply_current_A), INFINITY, on,
		      "a larger supply or a slower motion");
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
	if (w->tip)
		judge(f, "tip error", "mm", f->tip_mm, w->tip_mm,
		      mm * hypot(w->reach_m * u_arcmin, w->u_reach_m * arcmin), INFINITY, "--play and --stiffness",
		      "a stiffer gear, less play or a shorter arm");
}

/* The least probability decides; among equals the smallest share of room. */
static void decide(struct suit_found *f)
{
	for (size_t i = 1; i < f->n; i++) {
		const struct suit_verdict *a = &f->verdict[i], *b = &f->verdict[f->decides];
		double room_a = 1 - a->needed / a->available, room_b = 1 - b->needed / b->available;
		if (a->probability < b->probability - 1e-6 ||
		    (a->probability < b->probability + 1e-6 && room_a < room_b))
			f->decides = i;
	}
}

enum rc suit_find(const struct suit_wanted *w, struct suit_case *c, struct mistakes *m, struct err *err)
{
	struct suit_found *f = &c->found;
	enum rc rc = suit_duty(w, &c->duty, m, err);

	*f = (struct suit_found){ .peak_winding_degC = NAN };
	if (!rc && w->curve)
		rc = suit_curve(w->curve, &c->curve, m, err);
	if (!rc && w->thermal)
		rc = suit_thermal(w->thermal, &c->thermal, err);
	if (!rc && w->out && !w->curve)
		rc = err_set(err, RC_ARG, 0, "--out draws the cycle inside the curve: give --curve too");
	if (rc)
		return rc;
	f->sums = joint_sums(&c->duty);
	if (w->curve)
		against_curve(w, &c->duty, &c->curve, f);
	if (w->thermal)
		against_heat(w, &c->duty, &c->thermal, f);
	against_supply(w, &c->duty, &c->thermal, f);
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

bool suit_carries(const struct suit_found *f)
{
	for (size_t i = 0; i < f->n; i++)
		if (f->verdict[i].verdict != VERDICT_CONFIRMED)
			return false;
	return f->n > 0;
}

void suit_case_free(struct suit_case *c)
{
	suit_duty_free(&c->duty);
	suit_curve_free(&c->curve);
}
