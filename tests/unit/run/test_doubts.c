/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is wrong or doubtful in a folder. Expected values: by hand from the figures below, a gravity of 10 m/s2 among
 * them; the factors of a slip as profile/plausible.h states them. */
#include "run/doubts.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

struct scene {
	struct session s;
	struct forecast f;
	struct doubts d;
};

/* 50 N·m at 1 A, 10 kg on an arm of 0.5 m against a cell of 100 N·m at 100 000 counts: nothing is doubtful but that
 * nothing was measured yet. */
static int begin(void **state)
{
	struct scene *t = calloc(1, sizeof *t);

	assert_non_null(t);
	t->s.rig = (struct rig_profile){ .gravity_m_per_s2 = { .value = 10, .has_u = true },
					 .arm_m = { .value = 0.5 },
					 .cell_full_scale_Nm = 100,
					 .cell_full_scale_count = 1e5,
					 .brake_max_A = 1,
					 .brake_rated_Nm = 50,
					 .supply_V = 48,
					 .check_piece = "disc" };
	t->s.weights = (struct weights_profile){ .n = 2,
						 .piece = { { .name = "disc", .mass_kg = { .value = 4 } },
							    { .name = "block", .mass_kg = { .value = 6 } } } };
	t->s.actuator = (struct actuator_profile){ .gear_ratio = 10, .voltage_min_V = 36 };
	t->s.calibration = (struct cellcal){
		.model = CELLCAL_LINE, .degree = 1, .coef = { 0, 1000 }, .max_Nm = 50, .min_Nm = -50
	};
	t->s.map = (struct brakemap){ .max_A = 1, .max_Nm = 50 };
	strcpy(t->s.plan_name, "gentle");
	*state = t;
	return 0;
}

static int end(void **state)
{
	free(*state);
	return 0;
}

static const struct doubt *find(struct scene *t, const char *word)
{
	doubts_find(&t->s, NULL, &t->d);
	for (size_t i = 0; i < t->d.n; i++)
		if (strcmp(t->d.list[i].word, word) == 0)
			return &t->d.list[i];
	return NULL;
}

static void nothing_was_measured_yet(void **state)
{
	struct scene *t = *state;

	doubts_find(&t->s, NULL, &t->d);
	assert_int_equal(t->d.n, 2);
	for (size_t i = 0; i < 2; i++)
		assert_false(t->d.list[i].refuses || t->d.list[i].acceptable);
	assert_string_equal(t->d.list[0].text, "the cell is not calibrated yet; bridle hang does it");
	assert_string_equal(t->d.list[1].text, "the brake is not mapped yet; bridle map does it");
	t->s.calibration_id = t->s.map_id = 1;
	doubts_find(&t->s, NULL, &t->d);
	assert_int_equal(t->d.n, 0);
	t->s.has_actuator = true;
	doubts_find(&t->s, NULL, &t->d);
	assert_int_equal(t->d.n, 0);
}

static void a_check_weight_that_is_not_there(void **state)
{
	struct scene *t = *state;
	const struct doubt *d;

	t->s.rig.check_piece[0] = '\0'; /* none is asked for */
	assert_null(find(t, "check_weight"));
	strcpy(t->s.rig.check_piece, "dsic");
	d = find(t, "check_weight");
	assert_true(d && d->refuses && !d->acceptable);
	assert_string_equal(d->text, "rig.ini: [check] weight: found \"dsic\", expected a section of weights.ini; "
				     "there is disc, block");
	t->s.weights.n = 0;
	d = find(t, "check_weight");
	assert_non_null(d);
	assert_string_equal(d->text, "rig.ini: [check] weight: found \"dsic\", expected a section of weights.ini");
	t->s.weights.n = 6; /* with more names than there is room for, the list is cut */
	for (size_t i = 0; i < 6; i++)
		memset(t->s.weights.piece[i].name, 'a' + (int)i, PROFILE_WORD - 1);
	d = find(t, "check_weight");
	assert_true(d && strstr(d->text, "; there is aaaa") && strstr(d->text, "bbb, ccc") && !strstr(d->text, "ddd"));
}

/* 40 % of 100 N·m are 40 N·m: 8 kg at 5 N·m a kilogram. */
static void weights_that_are_light_for_the_cell(void **state)
{
	static const struct {
		double kg, full_Nm;
		bool told;
		const char *says;
	} rows[] = {
		{ 8.01, 100, false, "" },
		{ 7.99, 100, true, "all weights on the arm make 40 N\u00b7m, the cell's full scale is 100 N\u00b7m" },
		{ 7.99, 100, true, "stays extrapolated. Check [arm] length" },
		{ 2, 100, true, "extrapolated; a factor near 10: a lever or a weight with a digit too many" },
		{ 0, 100, false, "" }, /* no weights at all: that is said where they are hung */
	};
	struct scene *t = *state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		t->s.weights.piece[0].mass_kg.value = rows[i].kg;
		t->s.weights.piece[1].mass_kg.value = 0;
		const struct doubt *d = find(t, "weights");
		if ((d != NULL) != rows[i].told || (d && (d->refuses || !strstr(d->text, rows[i].says))))
			fail_msg("row %zu: %s", i, d ? d->text : "nothing");
	}
}

/* One figure of the actuator or of a record is another; 20 N·m at 80 rpm are 167.6 W. */
static void figures_that_do_not_agree(void **state)
{
	static const struct {
		const char *word, *says;
		double dropout_V, k_t, limit_A, peak_Nm, rated_W, full_count, mapped_Nm;
		bool refuses, acceptable;
	} rows[] = {
		{ "dropout", "the drive drops out below 48 V ([drive] dropout), but [supply] voltage is 48 V", 48, 0, 0,
		  0, 0, 1e5, 50, true, false },
		{ "dropout", "the drive drops out below", NAN, 0, 0, 0, 0, 1e5, 50, true, false },
		{ "torque_constant",
		  "[drive] k_t times [limits] current makes 20 N\u00b7m at most, but peak_torque "
		  "claims 31 N\u00b7m",
		  36, 2, 10, 31, 0, 1e5, 50, false, false },
		{ "claimed_power",
		  "rated_power is 1.65e+03 W, rated_torque at its speed makes 168 W: 9.85 times as "
		  "much",
		  36, 0, 0, 0, 1650, 1e5, 50, false, false },
		{ "cell_span", "a factor near 10", 36, 0, 0, 0, 0, 1e6, 50, true, true },
		{ "brake_torque", "a factor near the gear ratio 10: rotor side", 36, 0, 0, 0, 0, 1e5, 5, true, true },
	};
	struct scene *t = *state;

	t->s.calibration_id = t->s.map_id = 1;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct actuator_profile *a = &t->s.actuator;
		t->s.has_actuator = true;
		a->voltage_min_V = rows[i].dropout_V;
		a->k_t_Nm_per_A = rows[i].k_t;
		a->limit_current_A = rows[i].limit_A;
		a->peak_torque_Nm = (struct claim){ rows[i].peak_Nm > 0, rows[i].peak_Nm, NAN };
		a->rated_torque_Nm = (struct claim){ true, 20, 80 };
		a->rated_power_W = (struct claim){ rows[i].rated_W > 0, rows[i].rated_W, 80 };
		t->s.rig.cell_full_scale_count = rows[i].full_count;
		t->s.map.max_Nm = rows[i].mapped_Nm;
		const struct doubt *d = find(t, rows[i].word);
		if (t->d.n != 1 || !d || !strstr(d->text, rows[i].says) || d->refuses != rows[i].refuses ||
		    d->acceptable != rows[i].acceptable)
			fail_msg("row %zu: %zu, %s", i, t->d.n, d ? d->text : "nothing");
		assert_int_equal(isfinite(d->found), rows[i].acceptable || strcmp(d->word, "claimed_power") == 0);
	}
	t->s.has_actuator = false; /* no gear is known then */
	assert_non_null(find(t, "brake_torque"));
	assert_non_null(strstr(t->d.list[0].text, "a factor near 10"));
	assert_near(t->d.list[0].found, 5, 1e-12);
	assert_near(t->d.list[0].expected, 50, 1e-12);
}

/* 30 and 40 N·m at 60 rpm: beyond the calibration's 25 N·m, which only warns, or beyond the rig's 35 N·m. */
static void a_forecast_beyond_a_limit(void **state)
{
	struct scene *t = *state;
	const struct forecast_input in = { &t->s.rig, &t->s.actuator, &t->s.plan, NULL, 25, NULL };

	t->s.has_plan = true;
	t->s.calibration_id = t->s.map_id = 1;
	t->s.plan = (struct plan_profile){
		.load = LOAD_TORQUE, .n_speeds = 1, .speed_rpm = { 60 }, .n = 3, .step = { 20, 30, 40 }, .dwell_s = 4
	};
	t->s.rig.limit_torque_Nm = 45;
	forecast_plan(&in, &t->f);
	doubts_find(&t->s, &t->f, &t->d);
	assert_int_equal(t->d.n, 1);
	assert_false(t->d.list[0].refuses);
	assert_string_equal(t->d.list[0].word, "calibrated_torque");
	assert_string_equal(t->d.list[0].text,
			    "plan gentle: step 2 of 3 (30 N\u00b7m): torque against the calibration 30 N\u00b7m, limit "
			    "25 N\u00b7m; calibrate with heavier weights, or the points beyond are extrapolated");
	t->s.rig.limit_torque_Nm = 35;
	forecast_plan(&in, &t->f);
	doubts_find(&t->s, &t->f, &t->d);
	assert_int_equal(t->d.n, 1);
	assert_true(t->d.list[0].refuses);
	assert_string_equal(t->d.list[0].word, "torque");
	assert_non_null(strstr(t->d.list[0].text, "plan gentle: refused at step 3 of 3 (40 N\u00b7m)"));
	t->s.plan.n = 1;
	forecast_plan(&in, &t->f);
	doubts_find(&t->s, &t->f, &t->d);
	assert_int_equal(t->d.n, 0); /* 20 N·m are fine */
	t->s.has_plan = false;
	t->f.ok = false;
	doubts_find(&t->s, &t->f, &t->d);
	assert_int_equal(t->d.n, 0); /* a forecast of no plan says nothing */
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, begin, end)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(nothing_was_measured_yet),
		TEST(a_check_weight_that_is_not_there),
		TEST(weights_that_are_light_for_the_cell),
		TEST(figures_that_do_not_agree),
		TEST(a_forecast_beyond_a_limit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
