/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A study as a source of later points. Expected figures are those of docs/method.md, 8f, worked out in the comments. */
#include "reports/reduce/study.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/logbook/logbook_scene.h"
#include "tests/unit/near.h"

#include <math.h>

/* Spreads of 1 % of the efficiency at 10 N·m and 2 % at 20 N·m, of 0.4 % of the speed at 10 N·m; of the current there
 * is one too, which is no source. */
#define LEVEL(quantity, at, mean, sd) \
	"{\"quantity\": \"" quantity "\", \"direction\": \"up\", \"speed_set_rpm\": 60, \"at\": " at \
	", \"mean\": {\"value\": " mean "}, \"means\": {\"value\": " sd "}}"
#define STUDY(by, rig, bench) \
	"{\"actuator\": \"winder\", \"serial\": \"0042\", \"rig\": \"" rig "\", \"virtual_bench\": " bench \
	", \"by\": \"" by "\", \"n_groups\": 4, \"levels\": [" LEVEL("efficiency", "10", "0.5", "0.005") ", " LEVEL( \
		"efficiency", "20", "0.6", "0.012") ", " LEVEL("speed_rpm", "10", "60", \
							       "0.24") ", " LEVEL("current_A", "10", "5", "1") "]}"

static struct rig_profile rig;
static struct actuator_profile actuator;
static struct study_source study;

static void profiles(void)
{
	rig = (struct rig_profile){ .name = "Heron" };
	actuator = (struct actuator_profile){ .name = "winder", .serial = "0042" };
}

static int scene(void **state)
{
	profiles();
	return book_set_up(state);
}

static void keep(struct book *b, const char *kind, const char *json)
{
	int64_t id = 0;

	if (!b->lb)
		assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	assert_int_equal(logbook_record(b->lb, 0, 1, kind, json, &id, &b->err), RC_OK);
	rig.study_record = (int)id;
}

static enum rc take(struct book *b, bool on_bench)
{
	return study_read(b->lb, &rig, &actuator, on_bench, &study, &b->err);
}

/* At that torque, with 0.3 % of the efficiency from the calibration's mounting already. */
static struct curve_point point(struct unc_ctx *ctx, double torque_Nm, double rpm)
{
	uint32_t mounting = unc_source(ctx, "mounting of the cell", DIST_NORMAL, 2);

	return (struct curve_point){ .direction = 1,
				     .setpoint_rpm = rpm,
				     .torque_Nm = unc_exact(torque_Nm),
				     .speed_rpm = unc_exact(60),
				     .input_power_W = unc_exact(100),
				     .efficiency = unc_from(ctx, 0.5, mounting, 0.003 * 0.5) };
}

/* Half way between 10 and 20 N·m: 1.5 % of 0.5, of which 0.3 % of 0.5 is there already; below and beyond as at the
 * outermost. */
static void by_mounting_the_rest_is_added(void **state)
{
	static const struct {
		double torque_Nm, frac;
	} rows[] = { { 10, 0.01 }, { 15, 0.015 }, { 20, 0.02 }, { 5, 0.01 }, { 40, 0.02 } };
	struct unc_ctx *ctx = unc_ctx_new();

	keep(*state, STUDY_RECORD, STUDY("mounting", "Heron", "false"));
	assert_int_equal(take(*state, false), RC_OK);
	struct study_sources sources = study_register(&study, ctx);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct curve_point p = point(ctx, rows[i].torque_Nm, 60);
		assert_int_equal(study_apply(&sources, ctx, &p), 2); /* input power has none */
		assert_near(unc_u(p.efficiency), 0.5 * rows[i].frac, 1e-12);
		assert_near(unc_u(p.speed_rpm), 0.24, 1e-12);
		assert_near(unc_u(p.input_power_W), 0, 0);
	}
	assert_int_equal(unc_source_count(ctx), 3 + 5); /* and a mounting each time: none for the current */
	unc_ctx_free(ctx);
}

/* What operators differ by is nothing that a mounting of the cell gave: 1 % and 0.3 %. */
static void by_operator_all_of_it_is(void **state)
{
	struct unc_ctx *ctx = unc_ctx_new();

	keep(*state, STUDY_RECORD, STUDY("operator", "Heron", "false"));
	assert_int_equal(take(*state, false), RC_OK);
	struct study_sources sources = study_register(&study, ctx);
	struct curve_point p = point(ctx, 10, 60);
	study_apply(&sources, ctx, &p);
	assert_near(unc_u(p.efficiency), 0.5 * hypot(0.01, 0.003), 1e-12);
	unc_ctx_free(ctx);
}

/* A later pair is another mounting too: what the calibration has of that is not counted twice. Of two levels with 2.5
 * and 1.2 degrees of freedom the source has the fewer; a record that tells none has one less than groups. */
static void by_pair_the_rest_is_added_with_the_fewest_degrees_of_freedom(void **state)
{
	struct unc_ctx *ctx = unc_ctx_new();

	keep(*state, STUDY_RECORD,
	     "{\"actuator\": \"winder\", \"serial\": \"0042\", \"rig\": \"Heron\", \"virtual_bench\": false, "
	     "\"by\": \"pair\", \"n_groups\": 6, \"levels\": ["
	     "{\"quantity\": \"efficiency\", \"direction\": \"up\", \"speed_set_rpm\": 60, \"at\": 10, "
	     "\"mean\": {\"value\": 0.5}, \"means\": {\"value\": 0.005, \"dof\": 2.5}}, "
	     "{\"quantity\": \"efficiency\", \"direction\": \"up\", \"speed_set_rpm\": 60, \"at\": 20, "
	     "\"mean\": {\"value\": 0.6}, \"means\": {\"value\": 0.012, \"dof\": 1.2}}]}");
	assert_int_equal(take(*state, false), RC_OK);
	assert_near(study.dof, 1.2, 0);
	struct study_sources sources = study_register(&study, ctx);
	struct curve_point p = point(ctx, 10, 60);
	assert_int_equal(study_apply(&sources, ctx, &p), 1);
	assert_near(unc_u(p.efficiency), 0.5 * 0.01, 1e-12);
	unc_ctx_free(ctx);
	keep(*state, STUDY_RECORD, STUDY("mounting", "Heron", "false"));
	assert_int_equal(take(*state, false), RC_OK);
	assert_near(study.dof, 3, 0);
}

static void another_speed_or_way_gets_nothing(void **state)
{
	struct unc_ctx *ctx = unc_ctx_new();

	keep(*state, STUDY_RECORD, STUDY("mounting", "Heron", "false"));
	assert_int_equal(take(*state, false), RC_OK);
	struct study_sources sources = study_register(&study, ctx);
	struct curve_point fast = point(ctx, 10, 90), down = point(ctx, 10, 60), unknown = point(ctx, NAN, 60);
	down.direction = -1;
	assert_int_equal(study_apply(&sources, ctx, &fast), 0);
	assert_int_equal(study_apply(&sources, ctx, &down), 0);
	assert_int_equal(study_apply(&sources, ctx, &unknown), 0);
	unc_ctx_free(ctx);
}

static void says(struct book *b, bool on_bench, const char *words)
{
	assert_int_equal(take(b, on_bench), RC_ARG);
	if (!strstr(b->err.what, words))
		fail_msg("found \"%s\", expected \"%s\"", b->err.what, words);
}

static void a_study_of_something_else_is_refused(void **state)
{
	struct book *b = *state;

	keep(b, STUDY_RECORD, STUDY("mounting", "Heron", "false"));
	says(b, true, "is of a real rig and this run of a virtual bench");
	snprintf(actuator.serial, sizeof actuator.serial, "0043");
	says(b, false, "is of serial number \"0042\" and this run of \"0043\"");
	snprintf(actuator.name, sizeof actuator.name, "lock");
	says(b, false, "is of actuator \"winder\" and this run of \"lock\"");
	profiles();
	keep(b, STUDY_RECORD, STUDY("mounting", "Bittern", "true"));
	says(b, true, "is of rig \"Bittern\" and this run of \"Heron\"");
	keep(b, STUDY_RECORD, "{\"actuator\": \"winder\", \"n_groups\": 4, \"levels\": []}");
	says(b, false, "is a study without a level");
	keep(b, "check", "{}");
	says(b, false, "is no study but a check");
	rig.study_record = 77;
	assert_int_not_equal(take(b, false), RC_OK);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(by_mounting_the_rest_is_added, scene, book_tear_down),
		cmocka_unit_test_setup_teardown(by_operator_all_of_it_is, scene, book_tear_down),
		cmocka_unit_test_setup_teardown(by_pair_the_rest_is_added_with_the_fewest_degrees_of_freedom, scene,
						book_tear_down),
		cmocka_unit_test_setup_teardown(another_speed_or_way_gets_nothing, scene, book_tear_down),
		cmocka_unit_test_setup_teardown(a_study_of_something_else_is_refused, scene, book_tear_down),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
