/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "calc/calc_regress.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *column_name(const struct regress_job *job, size_t column)
{
	return job->table.column[column].name;
}

static const char *model_word(const struct regress_options *o, const struct regress_job *job)
{
	static const char *const words[] = { "", "line", "quadratic", "cubic" };

	if (o->both)
		return "line";
	if (job->m > 1)
		return "several";
	if (job->fit.through_origin && job->fit.degree == 1)
		return "origin";
	return job->fit.degree <= 3 ? words[job->fit.degree] : "polynomial";
}

static json_t *pair(double a, double b)
{
	return json_pack("[o, o]", cli_real(a), cli_real(b));
}

static json_t *coefficients(const struct regress_job *job)
{
	const struct regress *f = &job->fit;
	json_t *list = json_array();

	for (size_t j = 0; j < f->p; j++) {
		json_t *c = number_json(f->coef[j], sqrt(f->cov[j][j]), f->dof);
		size_t power = j + (size_t)f->first_power;
		if (job->m == 1)
			json_object_set_new(c, "power", json_integer((json_int_t)power));
		else
			json_object_set_new(c, "column",
					    power ? cli_text(column_name(job, job->x_column[power - 1])) : json_null());
		json_array_append_new(list, c);
	}
	return list;
}

static json_t *covariance(const struct regress *f)
{
	json_t *rows = json_array();

	for (size_t j = 0; j < f->p; j++) {
		json_t *row = json_array();
		for (size_t k = 0; k < f->p; k++)
			json_array_append_new(row, cli_real(f->cov[j][k]));
		json_array_append_new(rows, row);
	}
	return rows;
}

static void set_tests(const struct regress_job *job, json_t *doc)
{
	const struct regress *f = &job->fit;

	if (isfinite(f->lof_dof1))
		json_object_set_new(doc, "lack_of_fit",
				    json_pack("{s:o, s:o, s:o, s:o}", "F", cli_real(f->lof_F), "dof1",
					      cli_real(f->lof_dof1), "dof2", cli_real(f->lof_dof2), "p",
					      cli_real(f->lof_p)));
	if (!f->weighted)
		return;
	json_object_set_new(doc, "weights",
			    json_pack("{s:o, s:s}", "column", cli_text(column_name(job, job->weight_column)), "meaning",
				      job->weight_is_u ? "standard uncertainty" : "weight"));
	json_object_set_new(doc, "chi_squared", cli_real(f->rss));
	json_object_set_new(doc, "chi_squared_p", cli_real(f->chi2_p));
	/* u of the coefficients when the weights are believed and the scatter is not asked. */
	json_t *known = json_array();
	for (size_t j = 0; j < f->p; j++)
		json_array_append_new(known, cli_real(sqrt(f->cov[j][j]) * f->u_known_factor));
	json_object_set_new(doc, "u_by_weights", known);
}

static json_t *outliers(const struct regress_job *job)
{
	json_t *list = json_array();

	for (size_t i = 0; i < job->n; i++)
		if (job->points[i].outlier)
			json_array_append_new(list, json_pack("{s:I, s:I, s:o, s:o}", "row", (json_int_t)(i + 1),
							      "line", (json_int_t)job->table.line[i], "residual",
							      cli_real(job->points[i].residual), "studentised",
							      cli_real(job->points[i].studentised)));
	return list;
}

static json_t *points(const struct regress_job *job)
{
	json_t *list = json_array();

	for (size_t i = 0; i < job->n; i++) {
		const struct regress_point *q = &job->points[i];
		json_t *x = json_array();
		for (size_t j = 0; j < job->m; j++)
			json_array_append_new(x, cli_real(job->x[i * job->m + j]));
		json_array_append_new(list,
				      json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:b}", "x", x, "y",
						cli_real(job->y[i]), "fit", cli_real(q->fit), "residual",
						cli_real(q->residual), "leverage", cli_real(q->leverage), "studentised",
						cli_real(q->studentised), "deleted", cli_real(q->deleted), "weight",
						cli_real(q->weight), "outlier", q->outlier));
	}
	return list;
}

static void set_uses(const struct regress_options *o, const struct regress_job *job, json_t *doc)
{
	json_t *predict = json_array(), *invert = json_array();

	for (size_t i = 0; i < job->predict.n; i++) {
		struct regress_value v = regress_job_at(o, job, job->predict.value[i]);
		json_array_append_new(
			predict,
			json_pack("{s:o, s:o, s:o, s:o, s:o, s:o}", "x", cli_real(job->predict.value[i]), "value",
				  cli_real(v.value), "u_fit", cli_real(v.u_fit), "u_single", cli_real(v.u_single),
				  "confidence", pair(v.value - job->k * v.u_fit, v.value + job->k * v.u_fit),
				  "prediction", pair(v.value - job->k * v.u_single, v.value + job->k * v.u_single)));
	}
	for (size_t i = 0; i < job->invert.n; i++)
		json_array_append_new(invert,
				      json_pack("{s:o, s:o, s:o, s:o}", "y", cli_real(job->invert.value[i]), "x",
						cli_real(job->inverse[i]), "u_x", cli_real(job->u_inverse[i]), "U_x",
						cli_real(job->k * job->u_inverse[i])));
	if (job->predict.n)
		json_object_set_new(doc, "predict", predict);
	else
		json_decref(predict);
	if (job->invert.n)
		json_object_set_new(doc, "invert", invert);
	else
		json_decref(invert);
}

static json_t *york_document(const struct regress_options *o, const struct regress_job *job)
{
	const struct york *y = &job->york;
	json_t *height = number_json(y->intercept, y->u_intercept, y->dof);
	json_t *slope = number_json(y->slope, y->u_slope, y->dof);

	json_object_set_new(height, "power", json_integer(0));
	json_object_set_new(slope, "power", json_integer(1));
	json_t *doc =
		json_pack("{s:s, s:I, s:[o, o], s:[[o, o], [o, o]], s:o, s:o, s:o, s:o}", "model", "line", "n",
			  (json_int_t)job->n, "coefficients", height, slope, "covariance",
			  cli_real(y->u_intercept * y->u_intercept), cli_real(y->cov), cli_real(y->cov),
			  cli_real(y->u_slope * y->u_slope), "residual_sd", cli_real(sqrt(y->chi2 / y->dof)), "dof",
			  cli_real(y->dof), "chi_squared", cli_real(y->chi2), "chi_squared_p", cli_real(y->p));
	json_object_set_new(doc, "coverage", cli_real(job->coverage));
	json_object_set_new(doc, "k", cli_real(job->k));
	set_uses(o, job, doc);
	if (o->points)
		json_object_set_new(doc, "points", points(job));
	return doc;
}

int regress_print_json(const struct regress_options *o, const struct regress_job *job)
{
	const struct regress *f = &job->fit;

	if (o->both)
		return cli_print_json(york_document(o, job));
	json_t *doc =
		json_pack("{s:s, s:b, s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "model", model_word(o, job),
			  "robust", f->robust, "n", (json_int_t)job->n, "coefficients", coefficients(job), "covariance",
			  covariance(f), "residual_sd", cli_real(f->residual_sd), "residual_ss", cli_real(f->rss),
			  "r_squared", cli_real(f->r_squared), "dof", cli_real(f->dof), "F", cli_real(f->F), "F_p",
			  cli_real(f->F_p), "aicc", cli_real(f->aicc));
	set_tests(job, doc);
	json_object_set_new(doc, "outliers", outliers(job));
	json_object_set_new(doc, "coverage", cli_real(job->coverage));
	json_object_set_new(doc, "k", cli_real(job->k));
	set_uses(o, job, doc);
	if (o->points)
		json_object_set_new(doc, "points", points(job));
	return cli_print_json(doc);
}

/* --- text --- */
static void text_coefficient(const char *name, double value, double u)
{
	printf("  %-16s %18.10g   u %.4g\n", name, value, u);
}

static void text_coefficients(const struct regress_job *job)
{
	const struct regress *f = &job->fit;

	for (size_t j = 0; j < f->p; j++) {
		char name[40];
		size_t power = j + (size_t)f->first_power;
		if (power == 0)
			snprintf(name, sizeof name, "constant");
		else if (job->m > 1)
			snprintf(name, sizeof name, "%.16s", column_name(job, job->x_column[power - 1]));
		else if (power == 1)
			snprintf(name, sizeof name, "x");
		else
			snprintf(name, sizeof name, "x^%zu", power);
		text_coefficient(name, f->coef[j], sqrt(f->cov[j][j]));
	}
}

static void text_quality(const struct regress_job *job)
{
	const struct regress *f = &job->fit;

	printf("\n  residual standard deviation %.6g, %g degree%s of freedom", f->residual_sd, f->dof,
	       f->dof > 1 ? "s" : "");
	if (isfinite(f->r_squared))
		printf(", r^2 %.10g", f->r_squared);
	putchar('\n');
	if (isfinite(f->lof_dof1))
		printf("  lack of fit: F %.4g (%g, %g), p %.4g: the curve %s\n", f->lof_F, f->lof_dof1, f->lof_dof2,
		       f->lof_p,
		       f->lof_p > 0.05 ? "fits as well as the repeats agree"
				       : "does not fit as well as the repeats agree");
	if (isfinite(f->aicc))
		printf("  corrected information criterion %.6g (less is better, same points only)\n", f->aicc);
	if (f->weighted)
		printf("  weights from \"%s\" (%s); chi-squared %.4g, p %.4g\n", column_name(job, job->weight_column),
		       job->weight_is_u ? "standard uncertainties" : "weights 1/u^2", f->rss, f->chi2_p);
	for (size_t i = 0; i < job->n; i++)
		if (job->points[i].outlier)
			printf("  outlier: line %u, residual %.4g (%.2f standard deviations); it stays in the fit\n",
			       job->table.line[i], job->points[i].residual, job->points[i].studentised);
}

static void text_uses(const struct regress_options *o, const struct regress_job *job)
{
	if (job->predict.n)
		printf("\n  %12s %14s  %25s  %25s\n", "x", "curve", "confidence band", "band of a new reading");
	for (size_t i = 0; i < job->predict.n; i++) {
		struct regress_value v = regress_job_at(o, job, job->predict.value[i]);
		printf("  %12g %14.8g  %12.6g %12.6g", job->predict.value[i], v.value, v.value - job->k * v.u_fit,
		       v.value + job->k * v.u_fit);
		if (isfinite(v.u_single))
			printf("  %12.6g %12.6g", v.value - job->k * v.u_single, v.value + job->k * v.u_single);
		putchar('\n');
	}
	if (job->predict.n || job->invert.n)
		printf("  (k = %.4g, %g %%)\n", job->k, 100 * job->coverage);
	for (size_t i = 0; i < job->invert.n; i++)
		printf("  y = %g at x = %.10g, u %.4g, U %.4g\n", job->invert.value[i], job->inverse[i],
		       job->u_inverse[i], job->k * job->u_inverse[i]);
}

static void cell(double value, const char *end)
{
	if (isfinite(value))
		printf(" %9.3f%s", value, end);
	else
		printf(" %9s%s", "-", end);
}

static void text_points(const struct regress_job *job)
{
	printf("\n  %6s %14s %14s %12s %9s %9s\n", "line", "y", "curve", "residual", "leverage", "student.");
	for (size_t i = 0; i < job->n; i++) {
		const struct regress_point *q = &job->points[i];
		printf("  %6u %14.8g %14.8g %12.4g", job->table.line[i], job->y[i], q->fit, q->residual);
		cell(q->leverage, "");
		cell(q->studentised, q->outlier ? "  outlier\n" : "\n");
	}
}

static bool column_taken(const struct regress_job *job, size_t column)
{
	bool taken = column == job->y_column;

	for (size_t j = 0; j < job->m; j++)
		taken = taken || column == job->x_column[j];
	return taken;
}

void regress_print_text(const struct regress_options *o, const struct regress_job *job)
{
	printf("%s: %s against %s%s, %zu points, %s%s\n\n", job->table.name, column_name(job, job->y_column),
	       column_name(job, job->x_column[0]), job->m > 1 ? " and others" : "", job->n, model_word(o, job),
	       o->robust ? ", robust" : "");
	if (o->both) {
		text_coefficient("constant", job->york.intercept, job->york.u_intercept);
		text_coefficient("x", job->york.slope, job->york.u_slope);
		printf("\n  chi-squared %.6g, %g degrees of freedom, p %.4g: the scatter %s the stated uncertainties\n",
		       job->york.chi2, job->york.dof, job->york.p,
		       job->york.p > 0.05 ? "agrees with" : "is larger than");
		text_uses(o, job);
		if (o->points)
			text_points(job);
		return;
	}
	text_coefficients(job);
	text_quality(job);
	if (!o->weights && csv_find(&job->table, "u") >= 0 && !column_taken(job, (size_t)csv_find(&job->table, "u")))
		printf("  the column \"u\" is not used; --weights u weighs the points by it\n");
	text_uses(o, job);
	if (o->points)
		text_points(job);
}
