/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "command/hang_result.h"

#include "command/cell_u.h"

#include "calib/number/coverage.h"
#include "live/live.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COVERAGE 0.95

static const char *const model_words[] = { "auto", "origin", "line", "quadratic", "cubic" };

enum rc hang_model_parse(const char *text, enum cellcal_model *ret, struct err *err)
{
	for (size_t i = 0; i < sizeof model_words / sizeof model_words[0]; i++)
		if (strcmp(text, model_words[i]) == 0) {
			*ret = (enum cellcal_model)i;
			return RC_OK;
		}
	return err_set(err, RC_ARG, 0, "--model: found \"%s\", expected auto, origin, line, quadratic or cubic", text);
}

static const char *hang_model_word(enum cellcal_model model)
{
	return model_words[model];
}

enum rc hang_fit(const struct cellcal_input *in, struct hang_result *ret, struct cellcal_point **ret_points,
		 struct err *err)
{
	struct cellcal_point *points = in->n ? calloc(in->n, sizeof *points) : NULL;

	if (in->n == 0)
		return err_set(err, RC_ARG, 0, "no readings: nothing to fit");
	if (!points)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = cellcal_fit(in, &ret->cal, points, err);
	if (rc != RC_OK) {
		free(points);
		return rc;
	}
	ret->n = in->n;
	ret->readings = in->readings;
	ret->points = *ret_points = points;
	return RC_OK;
}

/* Uncertainty (k = 1) of one later reading at a torque: fit, common sources, hysteresis, and what series showed of
 * repeatability (as the half-width of a rectangle), without the noise of that reading. *ret_k: 95 %, by the shapes of
 * these sources. NaN both when out of memory. */
static double hang_reading_u_Nm(const struct cellcal *cal, double torque_Nm, double *ret_k)
{
	struct unc_ctx *ctx = unc_ctx_new();
	struct cellcal_unc reg;
	struct unc torque;
	double u = NAN;

	*ret_k = NAN;
	if (!ctx)
		return NAN;
	cellcal_unc_register(cal, ctx, &reg);
	if (cellcal_torque_unc(cal, &reg, ctx, cell_indication(cal, torque_Nm), NULL, &torque, NULL) == RC_OK &&
	    !unc_failed(ctx)) {
		torque = cellcal_with_repeatability(cal, &reg, ctx, torque, "repeatability");
		u = unc_u(torque);
		(void)unc_expanded(ctx, torque, COVERAGE, ret_k);
	}
	unc_ctx_free(ctx);
	return u;
}

/* Of a coefficient with its common sources beside the scatter. */
static double u_whole(const struct cellcal *cal, int j)
{
	double sum = cal->cov[j][j];

	for (size_t s = 0; s < cal->n_sources; s++)
		sum += cal->dcoef[s][j] * cal->dcoef[s][j];
	return sqrt(sum);
}

static json_t *fit_json(const struct cellcal *cal)
{
	json_t *fit = json_object(), *coefs = json_array(), *cov = json_array(), *sources = json_array();

	for (int j = 0; j <= cal->degree; j++) {
		json_t *coef = json_pack("{s:o}", "u_with_sources", cli_real(u_whole(cal, j)));
		number_json_into(coef, cal->coef[j], sqrt(cal->cov[j][j]), cal->dof);
		json_array_append_new(coefs, coef);
		json_t *row = json_array();
		for (int k = 0; k <= cal->degree; k++)
			json_array_append_new(row, cli_real(cal->cov[j][k]));
		json_array_append_new(cov, row);
	}
	for (size_t s = 0; s < cal->n_sources; s++) {
		json_t *shift = json_array();
		for (int j = 0; j <= cal->degree; j++)
			json_array_append_new(shift, cli_real(cal->dcoef[s][j]));
		json_array_append_new(sources, json_pack("{s:o, s:o}", "name", cli_text(cal->source[s].name),
							 "coefficient_shift", shift));
	}
	json_object_set_new(fit, "model", json_string(hang_model_word(cal->model)));
	json_object_set_new(fit, "coefficients", coefs);
	json_object_set_new(fit, "covariance", cov);
	json_object_set_new(fit, "residual_sd", cli_real(cal->residual_sd));
	json_object_set_new(fit, "dof", cli_real(cal->dof));
	json_object_set_new(fit, "lack_of_fit",
			    json_pack("{s:o, s:o, s:o, s:o}", "F", cli_real(cal->lack_of_fit_F), "p",
				      cli_real(cal->lack_of_fit_p), "dof1", cli_real(cal->lack_of_fit_dof1), "dof2",
				      cli_real(cal->lack_of_fit_dof2)));
	json_object_set_new(fit, "sources", sources);
	return fit;
}

json_t *hang_points_json(const struct hang_result *r)
{
	json_t *list = json_array();

	for (size_t i = 0; i < r->n; i++) {
		const struct cellcal_point *p = &r->points[i];
		double u = 0;
		for (size_t s = 0; s < r->cal.n_sources; s++)
			u = hypot(u, r->readings[i].load.shift_Nm[s]);
		json_array_append_new(list, json_pack("{s:i, s:i, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:b}",
						      "series", p->series, "position", p->position, "direction",
						      p->direction == CELLCAL_UP ? "rising" : "falling", "torque_Nm",
						      cli_real(p->torque_Nm), "u_torque_Nm", cli_real(u), "indication",
						      cli_real(p->indication), "u_indication",
						      cli_real(r->readings[i].u_indication), "residual",
						      cli_real(p->residual), "residual_Nm",
						      cli_real(p->residual * cellcal_slope_Nm(&r->cal, p->torque_Nm)),
						      "studentised", cli_real(p->studentised), "outlier", p->outlier));
	}
	return list;
}

/* Torques at which the uncertainty of a reading is stated: tenths of the range. */
static json_t *readings_json(const struct cellcal *cal)
{
	json_t *list = json_array();

	for (int k = 1; k <= 10; k++) {
		double torque = cal->max_Nm * k / 10, factor, u = hang_reading_u_Nm(cal, torque, &factor);
		json_array_append_new(list, json_pack("{s:o, s:o, s:o, s:o}", "torque_Nm", cli_real(torque),
						      "u_torque_Nm", cli_real(u), "k", cli_real(factor), "U_torque_Nm",
						      cli_real(factor * u)));
	}
	return list;
}

#define GUIDE_K 2.0

enum rc hang_evaluate(const struct cellcal_input *in, struct hang_result *r, struct err *err)
{
	if (cellcal_equation(&r->cal, &r->equation, NULL) != RC_OK)
		r->equation = (struct cellcal_equation){ 0 };
	return torquecal_evaluate(in, &r->cal, NULL, &r->eval, err);
}

static json_t *step_json(const struct torque_step *s)
{
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "torque_Nm", cli_real(s->torque_Nm),
			 "indication", cli_real(s->indication), "repeatability_frac", cli_real(s->repeatability_frac),
			 "reproducibility_frac", cli_real(s->reproducibility_frac), "reversibility_frac",
			 cli_real(s->reversibility_frac), "fit_frac", cli_real(s->fit_frac), "resolution_frac",
			 cli_real(s->resolution_frac), "u_reference_frac", cli_real(s->reference_frac), "u_frac",
			 cli_real(s->u_frac), "U_frac", cli_real(GUIDE_K * s->u_frac), "class",
			 s->class_label[0] ? json_string(s->class_label) : json_null());
}

static json_t *equation_json(const struct cellcal_equation *e)
{
	json_t *coefs = json_array();

	if (!e->degree)
		return json_decref(coefs), json_null();
	for (int j = 0; j <= e->degree; j++)
		json_array_append_new(coefs, cli_real(e->coef[j]));
	return json_pack("{s:i, s:o, s:o}", "degree", e->degree, "torque_Nm_by_power_of_indication", coefs,
			 "worst_deviation_Nm", cli_real(e->worst_Nm));
}

json_t *hang_evaluation_json(const struct hang_result *r)
{
	json_t *steps = json_array();

	for (size_t i = 0; i < r->eval.n; i++)
		json_array_append_new(steps, step_json(&r->eval.step[i]));
	return json_pack("{s:o, s:s, s:i, s:o, s:o, s:o, s:o, s:o, s:o}", "table", cli_text(r->eval.table),
			 "table_status", "to be checked against the standard", "positions", r->eval.positions, "k",
			 cli_real(GUIDE_K), "zero_return_frac", cli_real(r->eval.zero_frac), "class",
			 r->eval.class_label[0] ? json_string(r->eval.class_label) : json_null(), "note",
			 cli_text(r->eval.note), "equation", equation_json(&r->equation), "steps", steps);
}

/* What a single loading scatters by about the branches, and the friction that has the sign of the motion. */
static json_t *loading_json(const struct cellcal *cal)
{
	const struct cellcal_branches *b = &cal->branches;

	if (!b->known)
		return json_null();
	return json_pack("{s:o, s:o}", "value", cli_real(b->repeat_sd * fabs(cellcal_slope_Nm(cal, 0))), "dof",
			 cli_real(b->dof));
}

static double friction_u_Nm(const struct cellcal *cal)
{
	return sqrt(cal->branches.cov[CELLCAL_PARAMS - 1][CELLCAL_PARAMS - 1]) * fabs(cellcal_slope_Nm(cal, 0));
}

static json_t *friction_json(const struct cellcal *cal)
{
	if (!cal->branches.known)
		return json_null();
	return number_json(cal->branches.friction * cellcal_slope_Nm(cal, 0), friction_u_Nm(cal), cal->branches.dof);
}

json_t *hang_result_json(const struct hang_result *r)
{
	const struct cellcal *cal = &r->cal;
	json_t *doc = json_object();

	json_object_set_new(doc, "fit", fit_json(cal));
	json_object_set_new(doc, "points", hang_points_json(r));
	json_object_set_new(doc, "indication_unit", cli_text(r->unit));
	json_object_set_new(doc, "sensitivity_per_Nm", cli_real(cal->coef[1]));
	json_object_set_new(doc, "u_sensitivity_per_Nm", cli_real(u_whole(cal, 1)));
	json_object_set_new(doc, "zero_return_Nm", cli_real(cal->zero_return_Nm));
	json_object_set_new(doc, "repeatability_Nm", cli_real(cal->repeatability_Nm));
	json_object_set_new(doc, "reproducibility_Nm", cli_real(cal->reproducibility_Nm));
	json_object_set_new(doc, "reversibility_Nm", cli_real(cal->reversibility_Nm));
	json_object_set_new(doc, "resolution_Nm", cli_real(cal->resolution_Nm));
	json_object_set_new(doc, "loading_scatter_Nm", loading_json(cal));
	json_object_set_new(doc, "friction_Nm", friction_json(cal));
	json_object_set_new(doc, "from_Nm", cli_real(cal->min_Nm));
	json_object_set_new(doc, "to_Nm", cli_real(cal->max_Nm));
	json_object_set_new(doc, "ambient_degC", cli_real(r->ambient_degC));
	json_object_set_new(doc, "cell_degC", cli_real(r->cell_degC));
	bool usable = r->gate.found.usable;
	json_object_set_new(doc, "readings", usable ? readings_json(cal) : json_null());
	json_object_set_new(doc, "class", usable ? cli_real(cal->class_value) : json_null());
	json_object_set_new(doc, "class_note", usable ? cli_text(cal->class_note) : json_null());
	json_object_set_new(doc, "evaluation", usable ? hang_evaluation_json(r) : json_null());
	json_object_set_new(doc, "usable", json_boolean(usable));
	json_object_set_new(doc, "gate", hang_gate_json(&r->gate));
	json_object_set_new(doc, "doubt", r->gate.doubt[0] ? cli_text(r->gate.doubt) : json_null());
	json_object_set_new(doc, "run_id", r->run_id ? json_integer(r->run_id) : json_null());
	json_object_set_new(doc, "calibration_id",
			    r->record_id && r->gate.found.usable ? json_integer(r->record_id) : json_null());
	json_object_set_new(doc, "record_id", r->record_id ? json_integer(r->record_id) : json_null());
	return doc;
}

/* As many digits for all as the largest indication needs to show seven. */
static int indication_digits(const struct hang_result *r)
{
	double most = 0;

	for (size_t i = 0; i < r->n; i++)
		most = fmax(most, fabs(r->points[i].indication));
	int before = most >= 1 ? (int)floor(log10(most)) + 1 : 1;
	return before < 7 ? 7 - before : 0;
}

static void print_points(const struct hang_result *r)
{
	int digits = indication_digits(r);

	printf("series  mounting  way       torque, N\u00b7m      indication    residual, N\u00b7m\n");
	for (size_t i = 0; i < r->n; i++) {
		const struct cellcal_point *p = &r->points[i];
		bool zero = !(fabs(p->torque_Nm) > 0);
		if (zero && !isfinite(p->residual))
			printf("%6d  %8d  %-8s %12.4f  %14.*f               -\n", p->series, p->position, "zero", 0.0,
			       digits, p->indication);
		else
			printf("%6d  %8d  %-8s %12.4f  %14.*f  %14.5f%s\n", p->series, p->position,
			       zero                         ? "zero"
			       : p->direction == CELLCAL_UP ? "rising"
							    : "falling",
			       p->torque_Nm, digits, p->indication,
			       p->residual * cellcal_slope_Nm(&r->cal, p->torque_Nm), p->outlier ? "  outlier" : "");
	}
}

static void print_figure(const char *name, double value_Nm, double max_Nm)
{
	if (isfinite(value_Nm))
		printf("  %-26s %.4f N\u00b7m (%.3f %% of the largest torque)\n", name, value_Nm,
		       100 * value_Nm / max_Nm);
	else
		printf("  %-26s not known: too few series\n", name);
}

static void print_branches(const struct cellcal *cal)
{
	char text[80];

	if (!cal->branches.known)
		return;
	printf("  %-26s %.4f N\u00b7m (%.0f degrees of freedom)\n", "scatter of a loading",
	       cal->branches.repeat_sd * fabs(cellcal_slope_Nm(cal, 0)), cal->branches.dof);
	quantity_format_bracket(text, sizeof text, cal->branches.friction * cellcal_slope_Nm(cal, 0),
				friction_u_Nm(cal), "N\u00b7m");
	printf("  %-26s %s, either way\n", "dry friction of the cradle", text);
}

static void print_readings(const struct cellcal *cal)
{
	putchar('\n');
	live_say("This calibration adds to each later reading (95 %%; noise, zero and temperature come on top):");
	for (int i = 2; i <= 10; i += 4) {
		double torque = cal->max_Nm * i / 10, k, u = hang_reading_u_Nm(cal, torque, &k);
		char text[80];
		if (!isfinite(k * u)) {
			printf("  %.4g N\u00b7m: not known\n", torque);
			continue;
		}
		quantity_format(text, sizeof text, torque, u, k, COVERAGE, "N\u00b7m");
		printf("  %s, that is %.2g %%\n", text, 100 * k * u / torque);
	}
}

static void percent(double frac)
{
	if (isfinite(frac))
		printf(" %9.4f", 100 * frac);
	else
		printf(" %9s", "-");
}

static void print_evaluation(const struct torque_eval *e)
{
	printf("\nStep by step, in %% of the step (U: k = %g):\n", GUIDE_K);
	printf("torque, N\u00b7m  repeatab. reproduc. reversib.       fit reference         U  class\n");
	for (size_t i = 0; i < e->n; i++) {
		const struct torque_step *s = &e->step[i];
		printf("%11.4f", s->torque_Nm);
		percent(s->repeatability_frac);
		percent(s->reproducibility_frac);
		percent(s->reversibility_frac);
		percent(s->fit_frac);
		percent(GUIDE_K * s->reference_frac);
		percent(GUIDE_K * s->u_frac);
		printf("  %s\n", s->class_label[0] ? s->class_label : "-");
	}
}

static void print_equation(const struct cellcal_equation *e, const char *unit)
{
	char text[200];
	int used = snprintf(text, sizeof text, "  T/(N\u00b7m) = %.9g", e->coef[0]);

	if (!e->degree)
		return;
	printf("\nInterpolation equation, x the indication less its zero%s%s:\n", *unit ? " in " : "", unit);
	for (int j = 1; j <= e->degree; j++)
		used += snprintf(text + used, sizeof text - (size_t)used, " %c %.9g x%s", e->coef[j] < 0 ? '-' : '+',
				 fabs(e->coef[j]),
				 j == 1   ? ""
				 : j == 2 ? "^2"
					  : "^3");
	live_say("%s", text);
	if (e->degree > 1)
		printf("  within %.2g N\u00b7m of the fit above over the torques covered\n", e->worst_Nm);
}

void hang_result_print(const struct hang_result *r)
{
	const struct cellcal *cal = &r->cal;
	char text[120];

	print_points(r);
	putchar('\n');
	live_say("Fit: %s, indication = sum of coefficient times torque to that power, residual sd %.4g%s%s (%.0f "
		 "degrees of freedom)",
		 hang_model_word(cal->model), cal->residual_sd, *r->unit ? " " : "", r->unit, cal->dof);
	for (int j = 0; j <= cal->degree; j++) {
		quantity_format_bracket(text, sizeof text, cal->coef[j], sqrt(cal->cov[j][j]), "");
		printf("  power %d: %s\n", j, text);
	}
	snprintf(text, sizeof text, "%s/(N\u00b7m)", *r->unit ? r->unit : "1");
	char value[120];
	quantity_format_bracket(value, sizeof value, cal->coef[1], u_whole(cal, 1), text);
	printf("  sensitivity at zero        %s, all sources\n", value);
	print_figure("zero return", cal->zero_return_Nm, cal->max_Nm);
	print_figure("repeatability", cal->repeatability_Nm, cal->max_Nm);
	print_figure("reproducibility", cal->reproducibility_Nm, cal->max_Nm);
	print_figure("reversibility (hysteresis)", cal->reversibility_Nm, cal->max_Nm);
	print_branches(cal);
	print_readings(cal);
	print_equation(&r->equation, r->unit);
	print_evaluation(&r->eval);
	putchar('\n');
	if (r->eval.class_label[0])
		live_say("Class %s in the shape of the guides; what decided: %s", r->eval.class_label, r->eval.note);
	else
		live_say("Class: %s", cal->class_note);
	if (r->gate.doubt[0])
		live_say("Doubt: %s", r->gate.doubt);
	if (r->record_id)
		printf("Kept as calibration %lld. Next: bridle map\n", (long long)r->record_id);
	else if (r->dry_run)
		printf("Not kept (--dry-run).\n");
}
