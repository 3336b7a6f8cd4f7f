/* SPDX-License-Identifier: GPL-3.0-or-later */
/* JCGM 100:2008 (GUM). Published figures are rounded: a row allows half a unit of their last digit, and where the
 * digits are known from the data the tests go to those digits. */
#include "calib/number/montecarlo.h"
#include "calib/number/quantity.h"
#include "calib/fit/stats.h"
#include "calib/number/uncertain.h"
#include "table.h"

/* found rounds to published, whose last digit stands for `digit`. */
static void rounds_to(double found, double published, double digit, const char *what)
{
	if (!(fabs(found - published) <= 0.5 * digit * (1 + 1e-9)))
		fail_msg("%s: found %.12g, published %.12g", what, found, published);
}

static struct quantity read(const char *text, const char *unit)
{
	struct quantity q = { 0 };
	struct err err = { 0 };

	if (quantity_parse(text, unit, &q, &err))
		fail_msg("%s: %s", text, err.what);
	return q;
}

/* 4.3.3: "240 ug at three standard deviations" of 1000.000325 g: 80 ug, relative 80e-9. */
static void clause_4_3_3(void **state)
{
	struct quantity q = read("1000.000325 g \xc2\xb1 240 ug k=3", "g");

	(void)state;
	rounds_to(q.u * 1e6, 80, 1, "u / ug");
	rounds_to(q.u / q.value * 1e9, 80, 1, "relative / 1e-9");
}

/* 4.3.5: 10.11 +- 0.04 mm with probability 0.5 of a normal distribution: u = 1.48 x 0.04 = 0.06 mm. The guide's 1.48
 * is 1/0.6745. */
static void clause_4_3_5(void **state)
{
	double k = unc_coverage_factor(INFINITY, 0.5);
	char text[80];

	(void)state;
	rounds_to(1 / k, 1.48, 0.01, "1/k");
	snprintf(text, sizeof text, "10.11 mm +- 0.04 mm k=%.12f", k);
	rounds_to(read(text, "mm").u, 0.06, 0.01, "u / mm");
}

/* 4.3.7 example 2 with 5.1.5: 14e-6 of the reading 0.928571 V and 2e-6 of the range 1 V are limits: half-width 15 uV,
 * u = 8.7 uV; with 12 uV of repeated readings combined 15 uV, relative 16e-6. */
static void clause_4_3_7_and_5_1_5(void **state)
{
	double half = 14e-6 * 0.928571 + 2e-6 * 1.0;
	char text[80];
	struct unc_ctx *ctx = unc_ctx_new();

	(void)state;
	snprintf(text, sizeof text, "0 V \xc2\xb1 %.9f V rect", half);
	struct quantity correction = read(text, "V");
	rounds_to(half * 1e6, 15, 1, "half-width / uV");
	/* From the rounded half-width 15 uV the guide gets 15/sqrt 3 = 8.66, printed 8.7; unrounded 15.000 it is the
	 * same. */
	rounds_to(correction.u * 1e6, 8.7, 0.1, "u / uV");
	struct unc reading = unc_from(ctx, 0.928571, unc_source(ctx, "reading", DIST_NORMAL, INFINITY), 12e-6);
	struct unc v = unc_add(ctx, reading, unc_of_quantity(ctx, "correction", correction));
	rounds_to(unc_u(v) * 1e6, 15, 1, "combined / uV");
	rounds_to(unc_u(v) / v.value * 1e6, 16, 1, "relative / 1e-6");
	unc_ctx_free(ctx);
}

/* G.4.1: product of three means, n = 10, 5, 15, relative 0.25 %, 0.57 %, 0.82 %: u_c = 1.03 %, nu_eff = 19.0,
 * t95(19) = 2.09, U95 = 2.2 %. Unrounded: 1.02947 %, 18.999 (the printed 19.0 comes of u_c rounded to 1.03), so a
 * program that cuts to the next lower whole number before it looks would take 18 against the guide. */
static void clause_g_4_1(void **state)
{
	struct unc_ctx *ctx = unc_ctx_new();
	struct unc x = unc_from(ctx, 2, unc_source(ctx, "x", DIST_T, 9), 2 * 0.0025);
	struct unc y = unc_from(ctx, 3, unc_source(ctx, "y", DIST_T, 4), 3 * 0.0057);
	struct unc z = unc_from(ctx, 5, unc_source(ctx, "z", DIST_T, 14), 5 * 0.0082);
	struct unc product = unc_mul(ctx, unc_mul(ctx, x, y), z);
	double relative = 100 * unc_u(product) / product.value, dof = unc_dof(ctx, product);

	(void)state;
	rounds_to(relative, 1.03, 0.01, "u_c / %");
	rounds_to(relative, 1.02947, 1e-5, "u_c / %, more digits");
	rounds_to(dof, 19.0, 0.1, "nu_eff");
	rounds_to(dof, 18.999, 0.001, "nu_eff, more digits");
	rounds_to(unc_coverage_factor(dof, 0.95), 2.09, 0.01, "t95");
	rounds_to(relative * unc_coverage_factor(dof, 0.95), 2.2, 0.1, "U95 / %");
	unc_ctx_free(ctx);
}

/* Table G.2, all entries of the file. Two printed ones are off by a rounding: t at 99.73 % for 1 degree of freedom
 * (235.80; tan(0.49865 pi) = 235.78 for p = 99.73 %) and t at 90 % for 35 (1.70; 1.6896 rounds to 1.69). */
static void table_g_2(void **state)
{
	static const struct {
		const char *column;
		double coverage;
	} columns[] = {
		{ "t_68.27", 0.6827 }, { "t_90", 0.90 }, { "t_95", 0.95 },
		{ "t_95.45", 0.9545 }, { "t_99", 0.99 }, { "t_99.73", 0.9973 },
	};
	struct csv table = table_open("gum_G2_t_values.csv");
	double *nu = table_column(&table, "nu");
	int misprints = 0, checked = 0;

	(void)state;
	for (size_t c = 0; c < 6; c++) {
		double *printed = table_column(&table, columns[c].column);
		for (size_t i = 0; i < table.n_rows; i++) {
			double digit = nu[i] > 99 ? 0.001 : 0.01,
			       found = unc_coverage_factor(nu[i], columns[c].coverage);
			char what[60];
			snprintf(what, sizeof what, "t of %g at %g", nu[i], columns[c].coverage);
			checked++;
			if (c == 5 && nu[i] < 1.5) {
				rounds_to(found, 1 / tan(0.5 * 3.14159265358979323846 * 0.0027), 1e-9, what);
				rounds_to(found, 235.78, 0.01, what);
				misprints++;
			} else if (c == 1 && nu[i] > 34.5 && nu[i] < 35.5) {
				rounds_to(found, 1.6896, 0.0001, what);
				misprints++;
			} else {
				rounds_to(found, printed[i], digit, what);
			}
		}
		free(printed);
	}
	assert_int_equal(misprints, 2);
	assert_int_equal(checked, 84);
	free(nu);
	csv_free(&table);
}

/* Table G.1: k for 68.27, 90, 95, 95.45, 99, 99.73 % of a normal distribution. */
static void table_g_1(void **state)
{
	static const struct {
		double p, k, digit;
	} rows[] = {
		{ 0.6827, 1, 0.001 }, { 0.90, 1.645, 0.001 }, { 0.95, 1.960, 0.001 },
		{ 0.9545, 2, 0.001 }, { 0.99, 2.576, 0.001 }, { 0.9973, 3, 0.001 },
	};

	(void)state;
	for (size_t i = 0; i < 6; i++)
		rounds_to(unc_coverage_factor(INFINITY, rows[i].p), rows[i].k, rows[i].digit, "k");
}

/* H.1, end gauge. Two places where the guide prints rounded numbers but computed with more digits: the squares of the
 * printed parts 25, 9.7, 2.9, 16.6 nm add to 625 + 94.09 + 8.41 + 275.56 = 1003.06, printed is 1002; and the printed
 * fraction (32)^4/(25^4/18 + 9.7^4/25.6 + 2.9^4/50 + 16.6^4/2) = 1048576/60015 is 17.5, printed is 16.7, which is what
 * the unrounded 31.66 nm gives. */
static void h_1_end_gauge(void **state)
{
	struct unc_ctx *ctx = unc_ctx_new();
	struct unc d = unc_from(ctx, 215, unc_source(ctx, "repeated", DIST_T, 24), 13 / sqrt(5));

	(void)state;
	d = unc_with(ctx, d, unc_source(ctx, "comparator, random", DIST_T, 5), 10 / 2.57);
	d = unc_with(ctx, d, unc_source(ctx, "comparator, systematic", DIST_T, 8), 20.0 / 3);
	rounds_to(pow(unc_u(d), 2), 93, 1, "u(d)^2 / nm2");
	rounds_to(unc_u(d), 9.7, 0.1, "u(d) / nm");
	/* 25.6 from the rounded 5.8, 3.9, 6.7 and 9.7; unrounded 25.57 */
	rounds_to(unc_dof(ctx, d), 25.6, 0.1, "nu(d)");

	struct unc ls = unc_from(ctx, 50.000623e6, unc_source(ctx, "standard", DIST_T, 18), 75.0 / 3);
	struct unc alpha = unc_from(ctx, 11.5e-6, unc_source(ctx, "expansion", DIST_RECT, INFINITY), 2e-6 / sqrt(3));
	struct unc theta = unc_from(ctx, -0.1, unc_source(ctx, "bed", DIST_NORMAL, INFINITY), 0.41);
	struct unc dalpha = unc_from(ctx, 0, unc_source(ctx, "difference of expansion", DIST_RECT, 50), 1e-6 / sqrt(3));
	struct unc dtheta =
		unc_from(ctx, 0, unc_source(ctx, "difference of temperature", DIST_RECT, 2), 0.05 / sqrt(3));
	struct unc thermal = unc_add(ctx, unc_mul(ctx, dalpha, theta), unc_mul(ctx, alpha, dtheta));
	struct unc l = unc_sub(ctx, unc_add(ctx, ls, d), unc_mul(ctx, ls, thermal));

	rounds_to(l.value * 1e-6, 50.000838, 1e-6, "l / mm");
	rounds_to(fabs(unc_part_of(l, dalpha.part[0].source)), 2.9, 0.1, "u of expansion difference / nm");
	rounds_to(fabs(unc_part_of(l, dtheta.part[0].source)), 16.6, 0.1, "u of temperature difference / nm");
	assert_true(fabs(unc_part_of(l, alpha.part[0].source)) < 1e-12); /* c = 0 */
	assert_true(fabs(unc_part_of(l, theta.part[0].source)) < 1e-12);
	rounds_to(pow(unc_u(l), 2), 1002, 1, "u_c^2 / nm2");
	rounds_to(unc_u(l), 32, 1, "u_c / nm");
	rounds_to(unc_dof(ctx, l), 16.7, 0.1, "nu_eff");
	rounds_to(unc_coverage_factor(floor(unc_dof(ctx, l)), 0.99), 2.92, 0.01, "t99(16)");
	/* The guide multiplies what it printed: 2.92 x 32 = 93. */
	rounds_to(unc_coverage_factor(16, 0.99) * nearbyint(unc_u(l)), 93, 1, "U99 / nm as printed");
	unc_ctx_free(ctx);
}

/* H.2, tables H.2 and H.4: resistance, reactance, impedance from simultaneous readings, approach 2 (approach 1 with its
 * correlations: calc_examples.py). */
static void h_2_impedance(void **state)
{
	static const double value[3] = { 127.732, 219.847, 254.260 };
	struct csv table = table_open("gum_H2_impedance.csv");
	double *column[3] = { table_column(&table, "V_volt"), table_column(&table, "I_mA"),
			      table_column(&table, "phi_rad") };

	(void)state;
	/* Each set by itself, then means. */
	double *each[3] = { column[0], column[1], column[2] };
	for (size_t i = 0; i < table.n_rows; i++) {
		double z = 1000 * column[0][i] / column[1][i], phi = column[2][i];
		each[0][i] = z * cos(phi);
		each[1][i] = z * sin(phi);
		each[2][i] = z;
	}
	static const double by_sets[3] = { 127.73163, 219.84689, 254.26005 },
			    u_sets[3] = { 0.071274, 0.295489, 0.236248 };
	for (int i = 0; i < 3; i++) {
		struct stats_mean out;
		assert_int_equal(stats_mean(each[i], table.n_rows, &out, NULL), RC_OK);
		rounds_to(out.mean, by_sets[i], 1e-5, "mean of sets / ohm");
		rounds_to(out.u_mean_naive, u_sets[i], 1e-6, "u of sets / ohm");
		rounds_to(out.mean, value[i], 0.002, "the two approaches");
		free(column[i]);
	}
	csv_free(&table);
}

/* s of the n inputs, in a row. */
static int sd_of_inputs(void *handle, const double *const *x, double *const *y, size_t n)
{
	size_t inputs = *(size_t *)handle;

	for (size_t i = 0; i < n; i++) {
		double mean = 0, squares = 0;
		for (size_t k = 0; k < inputs; k++)
			mean += x[k][i] / (double)inputs;
		for (size_t k = 0; k < inputs; k++)
			squares += (x[k][i] - mean) * (x[k][i] - mean);
		y[0][i] = sqrt(squares / (double)(inputs - 1));
	}
	return 0;
}

/* Table E.1: relative standard deviation of s for n = 2, 3, 4, 5, 10, 20, 30, 50: 76, 52, 42, 36, 24, 16, 13, 10 %.
 * By drawing n normal numbers half a million times: a check of the draws against a published table. */
static void table_e_1(void **state)
{
	static const struct {
		size_t n;
		double percent;
	} rows[] = {
		{ 2, 76 }, { 3, 52 }, { 4, 42 }, { 5, 36 }, { 10, 24 }, { 20, 16 }, { 30, 13 }, { 50, 10 },
	};
	struct mc_input inputs[50];
	static struct mc_result ret;

	(void)state;
	for (size_t i = 0; i < 50; i++)
		inputs[i] = (struct mc_input){ .value = 5, .u = 1, .dof = INFINITY, .dist = DIST_NORMAL };
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		size_t n = rows[i].n;
		struct mc_model model = {
			.n_inputs = n, .n_outputs = 1, .inputs = inputs, .eval = sd_of_inputs, .ctx = &n
		};
		struct mc_options options = { .trials = 200000, .seed = 1795, .coverage = 0.95, .digits = 2 };
		assert_int_equal(montecarlo_run(&model, &options, &ret, NULL), RC_OK);
		double percent = 100 * ret.output[0].u / ret.output[0].mean;
		/* sqrt(1 - c4^2)/c4 by gamma functions decides where rounding is close; the draws add about 0.2 %. */
		double c4 = sqrt(2.0 / (double)(n - 1)) * exp(lgamma((double)n / 2) - lgamma((double)(n - 1) / 2));
		double exact = 100 * sqrt(1 - c4 * c4) / c4;
		rounds_to(exact, rows[i].percent, 1, "closed form / %");
		rounds_to(percent / exact, 1, 0.02, "draws against closed form");
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(clause_4_3_3),
		cmocka_unit_test(clause_4_3_5),
		cmocka_unit_test(clause_4_3_7_and_5_1_5),
		cmocka_unit_test(clause_g_4_1),
		cmocka_unit_test(table_g_1),
		cmocka_unit_test(table_g_2),
		cmocka_unit_test(h_1_end_gauge),
		cmocka_unit_test(h_2_impedance),

		cmocka_unit_test(table_e_1),
	};
	int failed = cmocka_run_group_tests(tests, NULL, NULL);

	quantity_cleanup();
	return failed;
}
