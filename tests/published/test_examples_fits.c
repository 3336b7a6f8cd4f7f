/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Published examples of calibration, means and Allan deviation; the source stands beside each number. */
#include "calib/cell/cellcal.h"
#include "calib/fit/regress.h"
#include "calib/fit/stats.h"
#include "calib/fit/york.h"

#include "table.h"

static void printed(double got, double want, double half_unit)
{
	if (!(fabs(got - want) <= half_unit))
		fail_msg("got %.12g, printed %.12g", got, want);
}

/* NIST/SEMATECH e-Handbook 2.3.6.5, load cell calibration: quadratic -1.83980467e-05 (2.45072e-05), 0.100102485
 * (4.83870e-06), 7.03186511e-06 (2.01361e-07), residual sd 3.76403e-05, 30 degrees of freedom; lack of fit F 0.347 for
 * the quadratic (8, 22), 112.2 for the line (9, 22). */
static void load_cell(void **state)
{
	struct csv t = table_open("ehandbook_loadcell_mpc365.csv");
	double *x = table_column(&t, "load"), *y = table_column(&t, "response");
	struct cellcal_reading r[33];
	struct cellcal cal;
	struct err err = { 0 };
	double torque;

	(void)state;
	assert_int_equal(t.n_rows, 33);
	for (int i = 0; i < 33; i++) {
		r[i] = (struct cellcal_reading){ .series = 1 + i % 3, .position = 1, .indication = y[i] };
		r[i].load.torque_Nm = x[i];
	}
	struct cellcal_input in = { r, 33, NULL, 0, CELLCAL_AUTO, 0, NULL };
	assert_int_equal(cellcal_fit(&in, &cal, NULL, &err), RC_OK);
	assert_int_equal(cal.model, CELLCAL_QUADRATIC);
	printed(cal.coef[0], -1.83980467e-05, 0.5e-13);
	printed(cal.coef[1], 0.100102485, 0.5e-9);
	printed(cal.coef[2], 7.03186511e-06, 0.5e-14);
	printed(sqrt(cal.cov[0][0]), 2.45072e-05, 0.5e-10);
	printed(sqrt(cal.cov[1][1]), 4.83870e-06, 0.5e-11);
	printed(sqrt(cal.cov[2][2]), 2.01361e-07, 0.5e-12);
	printed(cal.residual_sd, 3.76403e-05, 0.5e-10);
	printed(cal.dof, 30, 0);
	printed(cal.lack_of_fit_F, 0.34767, 0.5e-5);
	in.model = CELLCAL_LINE;
	assert_int_equal(cellcal_fit(&in, &cal, NULL, &err), RC_OK);
	printed(cal.lack_of_fit_F, 112.240, 0.5e-3);
	printed(cal.residual_sd, 2.38970e-04, 0.5e-9);
	/* There and back: the reading at 14 gives 14 again within the line's error. */
	assert_int_equal(cellcal_torque(&cal, 1.40280, &torque, &err), RC_OK);
	printed(torque, 14, 0.01);
	free(x);
	free(y);
	csv_free(&t);
}

/* e-Handbook 1.3.5.3, AUTO83B: n 249 and 79, means 20.14458 and 30.48101, sd 6.41470 and 6.10771, pooled 6.34260,
 * T -12.62059 (326). Without equal variances -12.94627, 136.875 degrees of freedom: computed apart from this program.
 */
static void two_samples(void **state)
{
	struct csv t = table_open("ehandbook_auto83b.csv");
	double *a = table_column(&t, "group1"), *b = table_column(&t, "group2_or_-999");
	size_t n = 0;
	struct stats_two_sample s;

	(void)state;
	for (size_t i = 0; i < t.n_rows; i++)
		if (b[i] > -999)
			b[n++] = b[i];
	assert_int_equal(t.n_rows, 249);
	assert_int_equal(n, 79);
	assert_int_equal(stats_two_sample(a, t.n_rows, b, n, &s, NULL), RC_OK);
	printed(s.mean[0], 20.14458, 0.5e-5);
	printed(s.mean[1], 30.48101, 0.5e-5);
	printed(s.sd[0], 6.41470, 0.5e-5);
	printed(s.sd[1], 6.10771, 0.5e-5);
	printed(s.pooled_sd, 6.34260, 0.5e-5);
	printed(s.t_pooled, -12.62059, 0.5e-5);
	printed(s.dof_pooled, 326, 0);
	printed(s.t_welch, -12.94627, 0.5e-5);
	printed(s.dof_welch, 136.875, 0.5e-3);
	free(a);
	free(b);
	csv_free(&t);
}

/* NIST SP 1065 (W. J. Riley, 2008), 12.4: nine values, then 1000 points of the generator n' = 16807 n mod 2147483647
 * from 1234567890. Plain values as printed there; the overlapping ones are from memory of the same tables. */
static void allan(void **state)
{
	static const double nine[] = { 892, 809, 823, 798, 671, 644, 883, 903, 677 };
	double *y = malloc(1000 * sizeof *y);
	uint64_t n = 1234567890;
	struct stats_mean m;

	(void)state;
	assert_non_null(y);
	printed(stats_adev(nine, 9, 1), 91.22945, 0.5e-5);
	printed(stats_adev(nine, 9, 2), 115.8082, 0.5e-4);
	printed(stats_oadev(nine, 9, 1), 91.22945, 0.5e-5);
	printed(stats_oadev(nine, 9, 2), 85.95287, 0.5e-5);
	assert_int_equal(stats_mean(nine, 9, &m, NULL), RC_OK);
	printed(m.mean, 788.8889, 0.5e-4);
	printed(m.sd, 100.9770, 0.5e-4);
	for (int i = 0; i < 1000; i++) {
		y[i] = (double)n / 2147483647.0;
		n = 16807 * n % 2147483647;
	}
	printed(stats_adev(y, 1000, 1), 2.922319e-01, 0.5e-7);
	printed(stats_adev(y, 1000, 10), 9.965736e-02, 0.5e-8);
	printed(stats_adev(y, 1000, 100), 3.897804e-02, 0.5e-8);
	printed(stats_oadev(y, 1000, 1), 2.922319e-01, 0.5e-7);
	printed(stats_oadev(y, 1000, 10), 9.159953e-02, 0.5e-8);
	printed(stats_oadev(y, 1000, 100), 3.241343e-02, 0.5e-8);
	assert_int_equal(stats_mean(y, 1000, &m, NULL), RC_OK);
	printed(m.mean, 4.897745e-01, 0.5e-7);
	/* Least-squares slope 6.490910e-06 a point, printed there as the frequency drift. */
	double x[1000];
	struct regress_line line;
	for (int i = 0; i < 1000; i++)
		x[i] = i;
	assert_int_equal(regress_line_fit(x, y, NULL, 1000, &line, NULL), RC_OK);
	printed(line.slope, 6.490910e-06, 0.5e-12);
	free(y);
}

/* Michelso of NIST StRD as a record in time: r1 0.5351997; by the formulas n_eff 30.276 (any n: 30.737), u 0.0143593;
 * batch means of 5 x 20 0.0153716, of 10 x 10 0.0129050 (computed apart from this program). */
static void effective_counts(void **state)
{
	struct csv t = table_open("strd_uni_Michelso.csv");
	double *y = table_column(&t, "y"), mean, u;
	struct stats_mean m;

	(void)state;
	assert_int_equal(stats_mean(y, t.n_rows, &m, NULL), RC_OK);
	printed(m.n_effective, 30.276, 0.5e-3);
	printed(m.n_effective_finite, 30.737, 0.5e-3);
	printed(m.u_mean, 0.0143593, 0.6e-7);
	printed(m.u_mean_naive, 0.00790105, 0.5e-8);
	assert_int_equal(stats_batch_means(y, t.n_rows, 5, &mean, &u, NULL), RC_OK);
	printed(u, 0.0153716, 0.5e-7);
	assert_int_equal(stats_batch_means(y, t.n_rows, 10, &mean, &u, NULL), RC_OK);
	printed(u, 0.0129050, 0.5e-7);
	free(y);
	csv_free(&t);
}

/* Pearson's data with York's weights: York et al., Am. J. Phys. 72 (2004) 367, table II. Data seen in a repetition of
 * the table; the results are from memory: slope -0.48053341 (0.0579850), intercept 5.47991022 (0.294971),
 * S/(n-2) 1.483. */
static void errors_in_both(void **state)
{
	struct csv t = table_open("york_pearson.csv");
	double *x = table_column(&t, "x"), *y = table_column(&t, "y"), *ux = table_column(&t, "wx"),
	       *uy = table_column(&t, "wy");
	struct york fit;

	(void)state;
	for (size_t i = 0; i < t.n_rows; i++) {
		ux[i] = 1 / sqrt(ux[i]);
		uy[i] = 1 / sqrt(uy[i]);
	}
	assert_int_equal(york_fit(x, y, ux, uy, NULL, t.n_rows, &fit, NULL), RC_OK);
	printed(fit.slope, -0.48053341, 0.5e-8);
	printed(fit.intercept, 5.47991022, 0.5e-8);
	printed(fit.u_slope, 0.0579850, 0.5e-7);
	printed(fit.u_intercept, 0.294971, 0.5e-6);
	printed(fit.chi2 / fit.dof, 1.483, 0.5e-3);
	free(x);
	free(y);
	free(ux);
	free(uy);
	csv_free(&t);
}

/* GUM H.3 (JCGM 100:2008), calibration of a thermometer: table H.6 and what follows it. t0 = 20 degC. */
static void thermometer(void **state)
{
	struct csv t = table_open("gum_H3_thermometer.csv");
	double *x, *b;
	struct regress fit;

	(void)state;
	assert_true(t.n_columns >= 2);
	x = malloc(t.n_rows * sizeof *x);
	b = malloc(t.n_rows * sizeof *b);
	size_t tc = (size_t)(t.n_columns > 2), bc = tc + 1;
	for (size_t i = 0; i < t.n_rows; i++) {
		assert_int_equal(csv_number(&t, i, tc, &x[i], NULL), RC_OK);
		assert_int_equal(csv_number(&t, i, bc, &b[i], NULL), RC_OK);
		x[i] -= 20;
	}
	struct regress_in in = { .n = t.n_rows, .m = 1, .x = x, .y = b, .degree = 1 };
	assert_int_equal(regress_fit(&in, &fit, NULL, NULL), RC_OK);
	printed(fit.coef[0], -0.1712, 0.5e-4);
	printed(sqrt(fit.cov[0][0]), 0.0029, 0.5e-4);
	printed(fit.coef[1], 0.00218, 0.5e-5);
	printed(sqrt(fit.cov[1][1]), 0.00067, 0.5e-5);
	printed(fit.cov[0][1] / sqrt(fit.cov[0][0] * fit.cov[1][1]), -0.930, 0.5e-3);
	printed(fit.residual_sd, 0.0035, 0.5e-4);
	struct regress_value at30 = regress_at(&fit, (double[]){ 10 });
	printed(at30.value, -0.1494, 0.5e-4);
	printed(at30.u_fit, 0.0041, 0.5e-4);
	free(x);
	free(b);
	csv_free(&t);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(load_cell),        cmocka_unit_test(two_samples),    cmocka_unit_test(allan),
		cmocka_unit_test(effective_counts), cmocka_unit_test(errors_in_both), cmocka_unit_test(thermometer),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
