/* SPDX-License-Identifier: GPL-3.0-or-later */
/* NIST Statistical Reference Datasets: certified values from the files of the same names (tests/published/data).
 * The number of agreeing digits is printed; certified values have 15 (nonlinear: 11). */
#include "calib/fit/nlfit.h"
#include "calib/fit/regress.h"
#include "calib/fit/stats.h"

#include "table.h"

#include <math.h>

struct worst {
	double digits;
	char where[40];
};

static void meet(struct worst *w, double got, double certified, const char *where)
{
	double digits = table_digits(got, certified);

	if (digits < w->digits) {
		w->digits = digits;
		snprintf(w->where, sizeof w->where, "%s", where);
	}
}

struct linear_case {
	const char *name;
	int degree;
	size_t m;
	bool through_origin;
	double expect_digits, expect_sd_digits;
};

static double *rows_of(const struct csv *t, size_t m)
{
	double *x = malloc(t->n_rows * m * sizeof *x);

	assert_non_null(x);
	for (size_t j = 0; j < m; j++) {
		char name[8];
		snprintf(name, sizeof name, m == 1 ? "x" : "x%zu", j + 1);
		double *column = table_column(t, name);
		for (size_t i = 0; i < t->n_rows; i++)
			x[i * m + j] = column[i];
		free(column);
	}
	return x;
}

static void compare(const struct linear_case *c, const struct regress *fit, const struct csv *certified,
		    struct worst *coef, struct worst *sd)
{
	char name[40];

	for (size_t j = 0; j < fit->p; j++) {
		snprintf(name, sizeof name, "B%zu", j + (c->through_origin ? 1 : 0));
		meet(coef, fit->coef[j], table_lookup(certified, c->name, name, "certified"), name);
		meet(sd, sqrt(fit->cov[j][j]), table_lookup(certified, c->name, name, "certified_sd"), name);
	}
	meet(sd, fit->residual_sd, table_lookup(certified, c->name, "residual_sd", "certified"), "residual_sd");
	meet(sd, fit->rss, table_lookup(certified, c->name, "residual_SS", "certified"), "residual_SS");
	meet(sd, fit->r_squared, table_lookup(certified, c->name, "R2", "certified"), "R2");
	meet(sd, fit->dof, table_lookup(certified, c->name, "residual_dof", "certified"), "dof");
	if (fit->rss > 1e-30)
		meet(sd, fit->F, table_lookup(certified, c->name, "F", "certified"), "F");
}

static void linear_sets(void **state)
{
	static const struct linear_case cases[] = {
		{ "Norris", 1, 1, false, 14, 14 },   { "NoInt1", 1, 1, true, 14, 14 },
		{ "Longley", 1, 6, false, 14, 14 },  { "Wampler1", 5, 1, false, 15, 15 },
		{ "Wampler3", 5, 1, false, 15, 14 }, { "Wampler5", 5, 1, false, 15, 14 },
		{ "Pontius", 2, 1, false, 14, 14 },  { "Filip", 10, 1, false, 14, 14 },
	};
	struct csv certified = table_open("strd_lin_certified.csv");

	(void)state;
	for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
		const struct linear_case *c = &cases[k];
		char file[60];
		struct err err = { 0 };
		struct regress fit;
		struct worst coef = { 16, "" }, sd = { 16, "" };
		snprintf(file, sizeof file, "strd_lin_%s.csv", c->name);
		struct csv t = table_open(file);
		double *x = rows_of(&t, c->m), *y = table_column(&t, "y");
		struct regress_in in = { .n = t.n_rows,
					 .m = c->m,
					 .x = x,
					 .y = y,
					 .degree = c->degree,
					 .through_origin = c->through_origin };
		if (regress_fit(&in, &fit, NULL, &err))
			fail_msg("%s: %s", c->name, err.what);
		compare(c, &fit, &certified, &coef, &sd);
		print_message("# %-9s coefficients %4.1f digits (%s), the rest %4.1f (%s)\n", c->name, coef.digits,
			      coef.where, sd.digits, sd.where);
		if (!(coef.digits >= c->expect_digits - 0.5) || !(sd.digits >= c->expect_sd_digits - 0.5))
			fail_msg("%s: fewer digits than expected", c->name);
		free(x);
		free(y);
		csv_free(&t);
	}
	csv_free(&certified);
}

/* The line in plain double of long records, on the sets that are lines. */
static void plain_line_on_norris(void **state)
{
	struct csv t = table_open("strd_lin_Norris.csv"), certified = table_open("strd_lin_certified.csv");
	double *x = table_column(&t, "x"), *y = table_column(&t, "y");
	struct regress_line line;
	struct worst w = { 16, "" };

	(void)state;
	assert_int_equal(regress_line_fit(x, y, NULL, t.n_rows, &line, NULL), RC_OK);
	meet(&w, line.intercept, table_lookup(&certified, "Norris", "B0", "certified"), "B0");
	meet(&w, line.slope, table_lookup(&certified, "Norris", "B1", "certified"), "B1");
	meet(&w, line.u_intercept, table_lookup(&certified, "Norris", "B0", "certified_sd"), "u B0");
	meet(&w, line.u_slope, table_lookup(&certified, "Norris", "B1", "certified_sd"), "u B1");
	meet(&w, line.residual_sd, table_lookup(&certified, "Norris", "residual_sd", "certified"), "sd");
	print_message("# Norris, plain double: %4.1f digits (%s)\n", w.digits, w.where);
	assert_true(w.digits >= 11.5);
	free(x);
	free(y);
	csv_free(&t);
	csv_free(&certified);
}

static void univariate_sets(void **state)
{
	static const char *const names[] = { "Michelso", "NumAcc1", "NumAcc3" };
	/* NumAcc3: the readings 1000000.1 and .3 are not doubles; the nearest doubles are up to 6e-11 off, which leaves
	 * 9 digits of the deviation 0.1 (the mean and the sum are right to 15). */
	static const double expect[][3] = { { 15, 13.5, 13 }, { 15, 15, 15 }, { 15, 8.5, 9 } };
	struct csv certified = table_open("strd_uni_certified.csv");

	(void)state;
	for (size_t k = 0; k < 3; k++) {
		char file[60];
		struct stats_mean s, r;
		struct stats_run run;
		snprintf(file, sizeof file, "strd_uni_%s.csv", names[k]);
		struct csv t = table_open(file);
		double *y = table_column(&t, "y"), *c[3];
		const char *const what[3] = { "mean", "sd_n_minus_1", "lag1_autocorrelation" };
		for (size_t j = 0; j < 3; j++)
			c[j] = table_column(&certified, what[j]);
		assert_int_equal(stats_mean(y, t.n_rows, &s, NULL), RC_OK);
		stats_run_begin(&run);
		for (size_t i = 0; i < t.n_rows; i++)
			stats_run_add(&run, y[i]);
		r = stats_run_result(&run);
		double d[3] = { table_digits(s.mean, c[0][k]), table_digits(s.sd, c[1][k]),
				table_digits(s.lag1, c[2][k]) };
		double o[3] = { table_digits(r.mean, c[0][k]), table_digits(r.sd, c[1][k]),
				table_digits(r.lag1, c[2][k]) };
		print_message("# %-9s mean %4.1f sd %4.1f lag1 %4.1f digits; one by one %4.1f %4.1f %4.1f\n", names[k],
			      d[0], d[1], d[2], o[0], o[1], o[2]);
		for (size_t j = 0; j < 3; j++) {
			assert_true(d[j] >= expect[k][j] - 0.5);
			assert_true(o[j] >= fmin(expect[k][j], 9) - 1);
			free(c[j]);
		}
		free(y);
		csv_free(&t);
	}
	csv_free(&certified);
}

static void anova_silicon_resistivity(void **state)
{
	/* SiRstvt, certified: 5.11462616000000E-02 (4), 2.16636560000000E-01 (20), F 1.18046237440255,
	 * R2 1.90999039051129E-01, s 1.04076068334656E-01 */
	struct csv t = table_open("strd_anova_SiRstvt.csv");
	double y[25];
	size_t group[25], n = 0;
	struct stats_anova a;
	struct worst w = { 16, "" };

	(void)state;
	assert_int_equal(t.n_columns * t.n_rows, 25);
	for (size_t j = 0; j < t.n_columns; j++)
		for (size_t i = 0; i < t.n_rows; i++, n++) {
			assert_int_equal(csv_number(&t, i, j, &y[n], NULL), RC_OK);
			group[n] = j;
		}
	assert_int_equal(stats_anova(y, group, n, 5, &a, NULL), RC_OK);
	meet(&w, a.ss_between, 5.11462616000000E-02, "between");
	meet(&w, a.ss_within, 2.16636560000000E-01, "within");
	meet(&w, a.F, 1.18046237440255, "F");
	meet(&w, a.r_squared, 1.90999039051129E-01, "R2");
	meet(&w, a.sd_within, 1.04076068334656E-01, "s");
	print_message("# SiRstvt   %4.1f digits (%s)\n", w.digits, w.where);
	/* 196.3052 as a double is off by up to 1.4e-14 of a scatter of 0.1: 12 to 13 digits are there. */
	assert_true(w.digits >= 12);
	assert_true(a.dof_between > 3.5 && a.dof_between < 4.5 && a.dof_within > 19.5 && a.dof_within < 20.5);
	csv_free(&t);
}

static void anova_thirteen_leading_digits(void **state)
{
	/* SmLs07, 9 treatments of 21: certified 1.68 (8), 1.80 (180), F 21, s 0.1. The file's pattern: the first
	 * reading of a treatment is its base (.4, then .3 and .5 in turn), the others base -0.1 and +0.1 in turn. At
	 * 1e12 a double is a multiple of 1.2e-4, so some 3 digits of the certified values are left in the data. */
	double y[189];
	size_t group[189], n = 0;
	struct stats_anova a;

	(void)state;
	for (size_t g = 0; g < 9; g++)
		for (size_t i = 0; i < 21; i++, n++) {
			double base = g == 0 ? 0.4 : g % 2 ? 0.3 : 0.5;
			y[n] = 1e12 + (base + (i == 0 ? 0 : i % 2 ? -0.1 : 0.1));
			group[n] = g;
		}
	assert_int_equal(stats_anova(y, group, n, 9, &a, NULL), RC_OK);
	double least =
		fmin(fmin(table_digits(a.ss_between, 1.68), table_digits(a.ss_within, 1.8)), table_digits(a.F, 21));
	print_message("# SmLs07    %4.1f digits\n", least);
	assert_true(least >= 2.4);
}

/* --- nonlinear --- */
static double misra1a(const double *b, double x, void *ctx)
{
	(void)ctx;
	return b[0] * (1 - exp(-b[1] * x));
}

static void misra1a_gradient(const double *b, double x, double *g, void *ctx)
{
	(void)ctx;
	g[0] = 1 - exp(-b[1] * x);
	g[1] = b[0] * x * exp(-b[1] * x);
}

static double thurber(const double *b, double x, void *ctx)
{
	(void)ctx;
	return (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1 + x * (b[4] + x * (b[5] + x * b[6])));
}

static double danwood(const double *b, double x, void *ctx)
{
	(void)ctx;
	return b[0] * pow(x, b[1]);
}

static double boxbod(const double *b, double x, void *ctx)
{
	(void)ctx;
	return b[0] * (1 - exp(-b[1] * x));
}

static double mgh09(const double *b, double x, void *ctx)
{
	(void)ctx;
	return b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3]);
}

static double mgh10(const double *b, double x, void *ctx)
{
	(void)ctx;
	return b[0] * exp(b[1] / (x + b[2]));
}

static double rat43(const double *b, double x, void *ctx)
{
	(void)ctx;
	return b[0] / pow(1 + exp(b[1] - b[2] * x), 1 / b[3]);
}

static double mgh17(const double *b, double x, void *ctx)
{
	(void)ctx;
	return b[0] + b[1] * exp(-x * b[3]) + b[2] * exp(-x * b[4]);
}

static double eckerle4(const double *b, double x, void *ctx)
{
	(void)ctx;
	return b[0] / b[1] * exp(-0.5 * (x - b[2]) / b[1] * (x - b[2]) / b[1]);
}

static void nonlinear_sets(void **state)
{
	static const struct {
		const char *name;
		struct nlfit_model model;
	} cases[] = {
		{ "Misra1a", { 2, misra1a, misra1a_gradient, NULL } },
		{ "Misra1a", { 2, misra1a, NULL, NULL } },
		{ "Thurber", { 7, thurber, NULL, NULL } },
		{ "DanWood", { 2, danwood, NULL, NULL } },
		{ "BoxBOD", { 2, boxbod, NULL, NULL } },
		{ "MGH09", { 4, mgh09, NULL, NULL } },
		{ "MGH10", { 3, mgh10, NULL, NULL } },
		{ "Rat43", { 4, rat43, NULL, NULL } },
		{ "MGH17", { 5, mgh17, NULL, NULL } },
		{ "Eckerle4", { 3, eckerle4, NULL, NULL } },
	};
	struct csv certified = table_open("strd_nls_certified.csv");

	(void)state;
	for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++)
		for (int s = 1; s <= 2; s++) {
			const char *name = cases[k].name;
			char file[60], start_column[8], b[4];
			double start[NLFIT_PARAMS];
			struct nlfit fit;
			struct err err = { 0 };
			struct worst value = { 16, "" }, sd = { 16, "" };
			snprintf(file, sizeof file, "strd_nls_%s.csv", name);
			snprintf(start_column, sizeof start_column, "start%d", s);
			struct csv t = table_open(file);
			double *x = table_column(&t, "x"), *y = table_column(&t, "y");
			for (size_t j = 0; j < cases[k].model.p; j++) {
				snprintf(b, sizeof b, "b%zu", j + 1);
				start[j] = table_lookup(&certified, name, b, start_column);
			}
			if (nlfit(&cases[k].model, x, y, NULL, t.n_rows, start, &fit, &err))
				fail_msg("%s start %d: %s", name, s, err.what);
			for (size_t j = 0; j < fit.p; j++) {
				snprintf(b, sizeof b, "b%zu", j + 1);
				meet(&value, fit.param[j], table_lookup(&certified, name, b, "certified"), b);
				meet(&sd, fit.u[j], table_lookup(&certified, name, b, "certified_sd"), b);
			}
			meet(&sd, fit.rss, table_lookup(&certified, name, "RSS", "certified"), "RSS");
			meet(&sd, fit.residual_sd, table_lookup(&certified, name, "residual_sd", "certified"), "sd");
			print_message(
				"# %-9s start %d%s: parameters %4.1f digits (%s), the rest %4.1f (%s), %d steps\n",
				name, s, cases[k].model.gradient ? ", own gradient" : "", value.digits, value.where,
				sd.digits, sd.where, fit.iterations);
			assert_true(value.digits >= 9);
			assert_true(sd.digits >= 9);

			free(x);
			free(y);
			csv_free(&t);
		}
	csv_free(&certified);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(linear_sets),
		cmocka_unit_test(plain_line_on_norris),
		cmocka_unit_test(univariate_sets),
		cmocka_unit_test(anova_silicon_resistivity),
		cmocka_unit_test(anova_thirteen_leading_digits),
		cmocka_unit_test(nonlinear_sets),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
