/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Repeatability studies that were published. */
#include "calib/fit/crossed.h"
#include "calib/fit/precision.h"
#include "calib/fit/precision_private.h"
#include "tests/published/table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#include <cmocka.h>

#include "tests/unit/near.h"

/* ISO 5725-2:1994, table 6 (indicators for Mandel's h and k at 1 %), as printed at metrology.wordpress.com,
 * "Indicators for Mandel's h and k statistics at 1% significance level". The printed h are two digits of rounded
 * quantiles: one unit more. */
static void mandel_at_1_percent(void **state)
{
	static const struct {
		size_t p;
		double h, k[9]; /* n = 2, 3, ..., 10 */
	} rows[] = {
		{ 3, 1.15, { 1.71, 1.64, 1.58, 1.53, 1.49, 1.46, 1.43, 1.41, 1.39 } },
		{ 4, 1.49, { 1.91, 1.77, 1.67, 1.60, 1.55, 1.51, 1.48, 1.45, 1.43 } },
		{ 5, 1.72, { 2.05, 1.85, 1.73, 1.65, 1.59, 1.55, 1.51, 1.48, 1.46 } },
		{ 6, 1.87, { 2.14, 1.90, 1.77, 1.68, 1.62, 1.57, 1.53, 1.50, 1.47 } },
		{ 7, 1.98, { 2.20, 1.94, 1.79, 1.70, 1.63, 1.58, 1.54, 1.51, 1.48 } },
		{ 8, 2.06, { 2.25, 1.97, 1.81, 1.71, 1.65, 1.59, 1.55, 1.52, 1.49 } },
		{ 10, 2.18, { 2.32, 2.00, 1.84, 1.74, 1.66, 1.61, 1.57, 1.53, 1.50 } },
		{ 12, 2.25, { 2.36, 2.02, 1.85, 1.75, 1.68, 1.62, 1.58, 1.54, 1.51 } },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_near(precision_h_at(rows[i].p, 0.01), rows[i].h, 0.0101);
		for (size_t n = 2; n <= 10; n++)
			assert_near(precision_k_at(rows[i].p, n, 0.01), rows[i].k[n - 2], 0.0101);
	}
}

/* Grubbs' G for one value: chem.libretexts.org, Reference Tables, Appendix 07 (5 % and 1 %). Its rows 7 (2.202) and
 * 15 at 1 % (2.755 twice) are misprints there and left out. */
static void grubbs_at_5_and_1_percent(void **state)
{
	static const double rows[][3] = {
		{ 3, 1.155, 1.155 },  { 4, 1.481, 1.496 },  { 5, 1.715, 1.764 },  { 6, 1.887, 1.973 },
		{ 8, 2.126, 2.274 },  { 9, 2.215, 2.387 },  { 10, 2.290, 2.482 }, { 11, 2.355, 2.564 },
		{ 12, 2.412, 2.636 }, { 14, 2.507, 2.755 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_near(precision_grubbs_at((size_t)rows[i][0], 0.05), rows[i][1], 1.01e-3);
		assert_near(precision_grubbs_at((size_t)rows[i][0], 0.01), rows[i][2], 1.01e-3);
	}
}

/* Cochran's C, ISO 5725-2:1994, table 4: p, n, 1 %, 5 %, from memory. */
static void cochran_at_5_and_1_percent(void **state)
{
	static const double rows[][4] = {
		{ 3, 2, 0.993, 0.967 }, { 4, 2, 0.968, 0.906 }, { 5, 3, 0.788, 0.684 },
		{ 6, 3, 0.722, 0.616 }, { 8, 3, 0.615, 0.516 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_near(precision_cochran_at((size_t)rows[i][0], (size_t)rows[i][1], 0.01), rows[i][2], 1.01e-3);
		assert_near(precision_cochran_at((size_t)rows[i][0], (size_t)rows[i][1], 0.05), rows[i][3], 1.01e-3);
	}
}

/* Glucose in serum, the example of ASTM E691 (1999): eight laboratories, three values each, materials A and B. Values
 * and results from memory; the results follow from the values in all four printed digits, so neither can be wrong by
 * itself. */
static void glucose_in_serum(void **state)
{
	static const struct {
		double y[24], mean, s_means, s_r, s_R, h_first, h_last;
	} rows[] = {
		{ { 41.03, 41.45, 41.37, 41.17, 42.00, 41.15, 41.01, 40.68, 42.66, 39.37, 42.37, 42.63,
		    41.88, 41.19, 41.32, 43.28, 40.50, 42.28, 41.08, 41.27, 39.02, 43.36, 42.65, 41.72 },
		  41.5183,
		  0.6061,
		  1.0632,
		  1.0632,
		  -0.39,
		  1.75 },
		{ { 78.28, 78.18, 78.49, 77.78, 80.38, 79.54, 79.18, 79.72, 80.81, 84.08, 78.60, 81.92,
		    78.16, 79.58, 78.33, 78.66, 79.27, 81.75, 79.76, 81.45, 77.35, 80.44, 80.80, 79.80 },
		  79.6796,
		  1.0027,
		  1.4949,
		  1.5796,
		  -1.36,
		  0.67 },
	};
	size_t cell[24];

	(void)state;
	for (size_t i = 0; i < 24; i++)
		cell[i] = i / 3;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct precision s;
		assert_int_equal(precision_of(rows[i].y, cell, 24, 0.95, &s, NULL), RC_OK);
		assert_near(s.mean, rows[i].mean, 5.1e-5);
		assert_near(s.s_means, rows[i].s_means, 5.1e-5);
		assert_near(s.s_r, rows[i].s_r, 5.1e-5);
		assert_near(s.s_R, rows[i].s_R, 5.1e-5);
		assert_near(s.cell[0].h, rows[i].h_first, 5.1e-3);
		assert_near(s.cell[7].h, rows[i].h_last, 5.1e-3);
	}
}

/* NIST StRD SiRstvt, certified: between 5.11462616000000E-02 (4), within 2.16636560000000E-01 (20), F
 * 1.18046237440255, s 1.04076068334656E-01. So s_L^2 = (0.0127865654 - 0.010831828)/5. */
static void silicon_resistivity(void **state)
{
	struct csv t = table_open("strd_anova_SiRstvt.csv");
	double y[25];
	size_t cell[25], n = 0;
	struct precision s;

	(void)state;
	for (size_t j = 0; j < t.n_columns; j++)
		for (size_t i = 0; i < t.n_rows; i++, n++) {
			assert_int_equal(csv_number(&t, i, j, &y[n], NULL), RC_OK);
			cell[n] = j;
		}
	assert_int_equal(precision_of(y, cell, n, 0.95, &s, NULL), RC_OK);
	assert_near(s.F, 1.18046237440255, 1e-11);
	assert_near(s.s_r, 1.04076068334656E-01, 1e-12);
	assert_near(s.s_L * s.s_L, (5.11462616E-02 / 4 - 2.1663656E-01 / 20) / 5, 1e-12);
	csv_free(&t);
}

/* The example of the Measurement Systems Analysis manual (AIAG): ten parts, three appraisers, three trials. Values and
 * analysis of variance from memory; the printed sums of squares (3.1673, 88.3619, 0.3590, 2.7589) follow from the
 * values in all digits, so neither can be wrong by itself. */
static void ten_parts_and_three_appraisers(void **state)
{
	static const double trial[9][10] = {
		{ 0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36 },
		{ 0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25 },
		{ 0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31 },
		{ 0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68 },
		{ 0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62 },
		{ 0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50 },
		{ 0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49 },
		{ -0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77 },
		{ -0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16 },
	};
	double y[90];
	size_t appraiser[90], part[90];
	struct crossed s;

	(void)state;
	for (size_t i = 0; i < 90; i++) {
		y[i] = trial[i / 10][i % 10];
		appraiser[i] = i / 30;
		part[i] = i % 10;
	}
	assert_int_equal(crossed_of(y, appraiser, part, 90, 0.95, &s, NULL), RC_OK);
	assert_near(2 * s.of_a.square, 3.1673, 5.1e-5);
	assert_near(9 * s.of_b.square, 88.3619, 5.1e-5);
	assert_near(18 * s.together.square, 0.3590, 5.1e-5);
	assert_near(60 * s.square_e, 2.7589, 5.1e-5);
	assert_near(s.together.s, 0, 0); /* 0.01994 is less than 0.04598 */
	assert_near(s.of_a.s * s.of_a.s, (3.1673 / 2 - 0.3590 / 18) / 30, 1e-6);
	assert_near(s.of_b.s * s.of_b.s, (88.3619 / 9 - 0.3590 / 18) / 9, 1e-6);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(mandel_at_1_percent),        cmocka_unit_test(grubbs_at_5_and_1_percent),
		cmocka_unit_test(cochran_at_5_and_1_percent), cmocka_unit_test(glucose_in_serum),
		cmocka_unit_test(silicon_resistivity),        cmocka_unit_test(ten_parts_and_three_appraisers),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
