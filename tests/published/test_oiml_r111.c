/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Weights: OIML R 111-1:2004 by the transcriptions that data/oiml_r111_mpe.csv names; conventional mass (OIML D 28). */
#include "calib/mass/weights.h"
#include "table.h"

static void every_tolerance(void **state)
{
	struct csv table = table_open("oiml_r111_mpe.csv");
	size_t given = 0;

	(void)state;
	for (size_t row = 0; row < table.n_rows; row++) {
		for (int c = 0; c < WEIGHT_CLASSES; c++) {
			int column = csv_find(&table, weight_class_name((enum weight_class)c));
			assert_true(column > 0);
			const char *cell = csv_cell(&table, row, (size_t)column);
			double printed_kg, mg, mpe_kg;
			assert_int_equal(csv_number(&table, row, 0, &printed_kg, NULL), RC_OK);
			enum rc rc = weight_tolerance((enum weight_class)c, printed_kg, &mpe_kg, NULL);
			assert_int_equal(rc, *cell ? RC_OK : RC_ARG);
			if (!*cell)
				continue;
			given++;
			assert_int_equal(csv_number(&table, row, (size_t)column, &mg, NULL), RC_OK);
			if (!(fabs(mpe_kg * 1e6 - mg) < 1e-9 * mg))
				fail_msg("%g kg %s: %g mg, printed %g", printed_kg,
					 weight_class_name((enum weight_class)c), mpe_kg * 1e6, mg);
		}
	}
	/* 24 each of E2, F1, F2, M1; M2 from 100 mg: 18; M3 from 1 g: 15; M1-2 and M2-3 for 50 kg only. */
	assert_int_equal(given, 4 * 24 + 18 + 15 + 2);
	csv_free(&table);
}

/* A class is about three times as wide as the one before it: a misprinted entry would stand out. */
static void each_class_is_about_three_times_the_last(void **state)
{
	static const enum weight_class order[] = { WEIGHT_E2, WEIGHT_F1, WEIGHT_F2, WEIGHT_M1, WEIGHT_M2, WEIGHT_M3 };
	struct csv table = table_open("oiml_r111_mpe.csv");

	(void)state;
	for (size_t row = 0; row < table.n_rows; row++) {
		for (int c = 1; c < 6; c++) {
			double kg, fine, coarse;
			assert_int_equal(csv_number(&table, row, 0, &kg, NULL), RC_OK);
			if (weight_tolerance(order[c - 1], kg, &fine, NULL) == RC_OK &&
			    weight_tolerance(order[c], kg, &coarse, NULL) == RC_OK)
				assert_true(coarse / fine > 2.9 && coarse / fine < 3.4);
		}
	}
	csv_free(&table);
}

/* 1 kg at g = 9.81 m/s2 in air of 1.2 kg/m3: 9.81 (1 - 1.2/8000) = 9.8085285 N. */
static void force_of_a_kilogram(void **state)
{
	struct unc_ctx *ctx = unc_ctx_new();
	struct unc f = weight_force_N(ctx, unc_exact(1), unc_exact(9.81), unc_exact(1.2), unc_exact(7850));

	(void)state;
	assert_true(fabs(f.value - 9.8085285) < 1e-12);
	unc_ctx_free(ctx);
}

/* A force off the perpendicular loses 1 - cos of its torque: 0.5 deg 38.1 ppm, 1 deg 152.3, 2 deg 609.2, 5 deg 3805.3.
 */
static void lever_error(void **state)
{
	static const struct {
		double deg, ppm;
	} rows[] = { { 0.5, 38.1 }, { 1, 152.3 }, { 2, 609.2 }, { 5, 3805.3 } };

	struct unc_ctx *ctx = unc_ctx_new();

	(void)state;
	for (size_t i = 0; i < 4; i++) {
		double left = weight_torque_Nm(ctx, unc_exact(1), unc_exact(1), unc_exact(rows[i].deg)).value;
		assert_true(fabs((1 - left) * 1e6 - rows[i].ppm) < 0.05);
	}
	unc_ctx_free(ctx);
}

/* A published teaching rig (th4.ilovetranslation.com/K4KpXalStrv=d): torque = 0.5 m x mass x 9.81 for 0.5, 1 and 2 kg:
 * 2.4525, 4.905, 9.81 N.m. It leaves buoyancy out; here that is air of no density. Our number with air is 150 ppm less,
 * far inside the +-0.5 N.m that the rig allows. */
static void teaching_rig(void **state)
{
	static const struct {
		double kg, Nm;
	} rows[] = { { 0.5, 2.4525 }, { 1, 4.905 }, { 2, 9.81 } };
	struct unc_ctx *ctx = unc_ctx_new();

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		struct unc arm = unc_exact(0.5), level = unc_exact(0), g = unc_exact(9.81), density = unc_exact(8000);
		/* In a vacuum a weight shows its true mass, which for 8000 kg/m3 is the conventional one. */
		struct unc vacuum = weight_force_N(ctx, unc_exact(rows[i].kg), g, unc_exact(0), density);
		struct unc air = weight_force_N(ctx, unc_exact(rows[i].kg), g, unc_exact(1.2), density);
		double dry = weight_torque_Nm(ctx, vacuum, arm, level).value,
		       wet = weight_torque_Nm(ctx, air, arm, level).value;
		assert_true(fabs(dry - rows[i].Nm) < 1e-12);
		assert_true(fabs(wet / dry - (1 - 1.2 / 8000)) < 1e-12);
		assert_true(fabs(wet - rows[i].Nm) < 0.5);
	}
	unc_ctx_free(ctx);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_tolerance),     cmocka_unit_test(each_class_is_about_three_times_the_last),
		cmocka_unit_test(force_of_a_kilogram), cmocka_unit_test(lever_error),
		cmocka_unit_test(teaching_rig),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
