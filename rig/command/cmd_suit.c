/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "command/command.h"
#include "command/offline.h"
#include "command/suit.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

#define CONFIDENCE 0.95

static enum rc options_of(struct suit_wanted *w, struct err *err)
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
	return sqrt(variance);
}

static void against_heat(const struct suit_wanted *w, const struct joint_duty *d, const struct suit_thermal *t,
			 struct suit_found *f)
{
	double ambient = isfinite(w->ambient_degC) ? w->ambient_degC : t->ambient_degC;
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
	f->supply_W = f->regenerated_W = 0;
	for (size_t i = 0; i < d->n; i++) {
		double power = joint_electrical_W(d->torque_Nm[i], d->speed_rpm[i], loss, warm, w->efficiency_1);
		f->supply_W = fmax(f->supply_W, power);
		f->regenerated_W = fmax(f->regenerated_W, -power);
	}
	const char *on = loss ? w->thermal : "--efficiency";
	if (isfinite(w->voltage_V))
		f->supply_A = f->supply_W / w->voltage_V;
	if (isfinite(w->supply_power_W))
		judge(f, "supply power", "W", f->supply_W, w->supply_power_W, 0, INFINITY, on,
		      "a larger supply or a slower motion");
	if (isfinite(w->supply_current_A) && isfinite(f->supply_A))
		judge(f, "supply current", "A", f->supply_A, w->supply_current_A, 0, INFINITY, on,
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
	double arcmin = w->play_arcmin / 2 + f->sums.peak_Nm / w->stiffness_Nm_per_arcmin;
	f->tip_mm = 1000 * w->reach_m * arcmin / 3437.746770784939;
	if (w->tip)
		judge(f, "tip error", "mm", f->tip_mm, w->tip_mm, 0, INFINITY, "--play and --stiffness",
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

static json_t *verdict_json(const struct suit_verdict *v)
{
	return json_pack("{s:s, s:s, s:o, s:o, s:o, s:o, s:s, s:o}", "requirement", v->requirement, "unit", v->unit,
			 "needed", cli_real(v->needed), "available", cli_real(v->available), "margin",
			 number_json(v->available - v->needed, v->u, v->dof), "probability", cli_real(v->probability),
			 "verdict", verdict_name(v->verdict), "rests_on", cli_text(v->rests_on));
}

static int show_json(const struct suit_found *f)
{
	json_t *list = json_array(), *change = json_array();

	for (size_t i = 0; i < f->n; i++) {
		json_array_append_new(list, verdict_json(&f->verdict[i]));
		if (f->verdict[i].verdict != VERDICT_CONFIRMED)
			json_array_append_new(change, json_string(f->verdict[i].change));
	}
	return cli_print_json(
		json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "verdicts", list, "decides",
			  f->n ? cli_text(f->verdict[f->decides].requirement) : json_null(), "change", change,
			  "cycle_s", cli_real(f->sums.cycle_s), "rms_torque_Nm", cli_real(f->sums.rms_Nm),
			  "peak_torque_Nm", cli_real(f->sums.peak_Nm), "peak_speed_rpm", cli_real(f->sums.peak_rpm),
			  "peak_winding_degC", number_json(f->peak_winding_degC, f->u_peak_winding_K, 0),
			  "supply_peak_A", cli_real(f->supply_A), "supply_peak_W", cli_real(f->supply_W),
			  "regenerated_peak_W", cli_real(f->regenerated_W), "tip_error_mm", cli_real(f->tip_mm)));
}

static void show_text(const struct suit_found *f)
{
	printf("Cycle of %.4g s: RMS %.4g N\u00b7m, peak %.4g N\u00b7m, %.4g rpm, shaft power %.4g W, braking %.4g "
	       "W\n\n",
	       f->sums.cycle_s, f->sums.rms_Nm, f->sums.peak_Nm, f->sums.peak_rpm, f->sums.peak_W,
	       f->sums.peak_braking_W);
	printf("  %-20s %10s %10s  %-6s %-11s %s\n", "requirement", "needed", "available", "unit", "verdict",
	       "probability");
	for (size_t i = 0; i < f->n; i++) {
		const struct suit_verdict *v = &f->verdict[i];
		char needed[32], available[32];
		snprintf(needed, sizeof needed, isfinite(v->needed) ? "%.4g" : "no end", v->needed);
		snprintf(available, sizeof available, isfinite(v->available) ? "%.4g" : "any", v->available);
		printf("  %-20s %10s %10s  %-6s %-11s %.3f\n", v->requirement, needed, available,
		       v->unit[0] == 'N'   ? "N·m"
		       : v->unit[0] == 'd' ? "°C"
					   : v->unit,
		       verdict_name(v->verdict), v->probability);
	}
	if (f->n == 0)
		return;
	const struct suit_verdict *d = &f->verdict[f->decides];
	printf("\nWhat decides: %s, %.4g of %.4g %s (%s).\n", d->requirement, d->needed, d->available, d->unit,
	       d->rests_on);
	for (size_t i = 0; i < f->n; i++)
		if (f->verdict[i].verdict != VERDICT_CONFIRMED)
			printf("For the %s to hold: %s.\n", f->verdict[i].requirement, f->verdict[i].change);
}

static int run(const struct cli *cli, void *wanted)
{
	struct suit_wanted *w = wanted;
	struct joint_duty duty = { 0, NULL, NULL, NULL };
	struct joint_curve curve = { 0, NULL, NULL, NULL };
	struct suit_thermal thermal = { .known = false };
	struct suit_found f = { .peak_winding_degC = NAN, .n = 0 };
	struct mistakes m = { 0 };
	struct err err = { 0 };
	enum rc rc = options_of(w, &err);

	if (!rc)
		rc = suit_duty(w, &duty, &m, &err);
	if (!rc && w->curve)
		rc = suit_curve(w->curve, &curve, &m, &err);
	if (!rc && w->thermal)
		rc = suit_thermal(w->thermal, &thermal, &err);
	if (!rc && w->out && !w->curve)
		rc = err_set(&err, RC_ARG, 0, "--out draws the cycle inside the curve: give --curve too");
	if (!rc) {
		f.sums = joint_sums(&duty);
		if (w->curve)
			against_curve(w, &duty, &curve, &f);
		if (w->thermal)
			against_heat(w, &duty, &thermal, &f);
		against_supply(w, &duty, &thermal, &f);
		against_tip(w, &f);
		decide(&f);
	}
	if (!rc && w->out)
		rc = suit_figure(w->out, &duty, &curve, &err);
	int status = rc ? cli_fail(cli, &err, NULL, &m) : 0;
	if (!rc && cli->json)
		status = show_json(&f);
	else if (!rc)
		show_text(&f);
	for (size_t i = 0; !status && i < f.n; i++)
		if (f.verdict[i].verdict == VERDICT_REFUTED)
			status = 1;
	suit_duty_free(&duty);
	suit_curve_free(&curve);
	return status;
}

int cmd_suit(int argc, char **argv)
{
	struct suit_wanted w = { .ratio_1 = 1,
				 .limit_degC = NAN,
				 .ambient_degC = NAN,
				 .voltage_V = NAN,
				 .supply_current_A = NAN,
				 .supply_power_W = NAN,
				 .efficiency_1 = NAN };
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "the duty: time, torque, and speed or angle, at the output", &w.from, NULL },
		{ "arm", "FILE.ini", "the duty from an arm and its motion instead", &w.arm, NULL },
		{ "curve", "FILE.csv", "largest torque by speed; points.csv of a report will do", &w.curve, NULL },
		{ "thermal", "FILE.json", "what bridle hold --json wrote", &w.thermal, NULL },
		{ "rotor-inertia", "J", "of the rotor, such as \"2e-5 kg.m2\"; default 0", &w.inertia, NULL },
		{ "ratio", "I", "rotor turns for one of the output, for the inertia; default 1", &w.ratio, NULL },
		{ "limit", "TEMP", "of the winding; default: the limit in the thermal file", &w.limit, NULL },
		{ "ambient", "TEMP", "default: the ambient in the thermal file", &w.ambient, NULL },
		{ "voltage", "V", "of the supply, for its current", &w.voltage, NULL },
		{ "supply-current", "A", "most that the supply gives", &w.supply_A, NULL },
		{ "supply-power", "W", "most that the supply gives", &w.supply_W, NULL },
		{ "takes-back", NULL, "the supply takes power back", NULL, &w.any_brake },
		{ "efficiency", "E", "where no loss in watts is known, such as \"70 %\"", &w.efficiency, NULL },
		{ "play", "ANGLE", "of the gear, in arcmin", &w.play, NULL },
		{ "stiffness", "K", "of the gear, in N.m/arcmin", &w.stiffness, NULL },
		{ "reach", "LENGTH", "from the axis to the tip, in m", &w.reach, NULL },
		{ "tip", "LENGTH", "most that the tip may be off, in mm", &w.tip, NULL },
		{ "out", "DIR", "draw the cycle inside the curve", &w.out, NULL },
	};
	const struct cli_spec spec = {
		.name = "suit",
		.usage = "suit --from DUTY.csv --curve CURVE.csv [options]",
		.about = "Does an actuator carry a joint? Compares a duty with the actuator's curve, its heat over the "
			 "repeated "
			 "cycle, the supply and the tip's error. Each requirement has a verdict with its probability; "
			 "status 1 when "
			 "one is refuted.",
		.examples = "  bridle suit --from duty.csv --curve curve.csv --thermal model.json\n"
			    "  bridle suit --arm arm.ini --curve curve.csv --voltage \"48 V\" --out figure\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
