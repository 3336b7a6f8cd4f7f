/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fourteen months of a rig in a logbook of its own: what was put in comes out, and only what moved is told. */
#include "reports/reduce/history.h"

#include "channel/event.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/logbook/logbook_scene.h"
#include "tests/unit/near.h"

#define MONTH_NS (30LL * 86400 * 1000000000)
#define MONTHS 14
#define ARM_AT 10 /* from this month on the arm is another one, and the zero elsewhere */

static int64_t kept(struct book *b, int64_t run_id, int64_t wall_ns, const char *kind, const char *json)
{
	int64_t id = 0;

	assert_int_equal(logbook_record(b->lb, run_id, wall_ns, kind, json, &id, &b->err), RC_OK);
	return id;
}

static void samples(struct book *b, int64_t run_id, int first, int n, int32_t count, double current_A)
{
	for (int i = 0; i < n; i++) {
		struct sample s = sample_number(first + i);
		s.cell_count = count + (i % 2 ? 3 : -3);
		s.current_A = current_A;
		assert_int_equal(logbook_samples(b->lb, run_id, &s, 1, &b->err), RC_OK);
	}
}

static void point(struct book *b, int64_t run_id, int first, unsigned flags, int direction, double torque_Nm,
		  double rpm)
{
	const struct seq_point p = { .direction = direction,
				     .flags = flags,
				     .setpoint_Nm = torque_Nm,
				     .setpoint_A = NAN,
				     .setpoint_rpm = rpm,
				     .begin = { 1000 + 10000000LL * first },
				     .end = { 1000 + 10000000LL * (first + 10) },
				     .settle_s = 1 };

	assert_int_equal(logbook_point(b->lb, run_id, &p, &b->err), RC_OK);
}

/* A zero of count on the average of both ways of turning, drag 500 counts; then a step without load and one with. */
static bool virtual_bench;
static const char *actuator_text = "[actuator]\nname = winder\n";

static const char *mounting; /* of the next sweep; NULL: it tells none */

static void sweep(struct book *b, int month, int32_t zero, double no_load_A, const char *rig, double rpm,
		  const char *actuator)
{
	struct run_head head = { .kind = "sweep",
				 .on_bench = virtual_bench,
				 .rig_text = rig,
				 .actuator_text = actuator_text,
				 .plan_text = "[plan]\nactuator = paddle-winder\n",
				 .actuator_name = actuator,
				 .plan_name = "p",
				 .mono_ns = 1000,
				 .wall_ns = month * MONTH_NS + 1000,
				 .calibration_id = 1 };

	assert_int_equal(logbook_run_begin(b->lb, &head, &b->err), RC_OK);
	samples(b, head.id, 0, 10, zero + 500, 9);
	samples(b, head.id, 10, 10, zero - 500, 9);
	samples(b, head.id, 20, 10, zero + 500, 9);
	samples(b, head.id, 30, 10, 0, no_load_A);
	samples(b, head.id, 40, 10, 70000, 5);
	point(b, head.id, 0, POINT_TARE, 1, NAN, rpm);
	point(b, head.id, 10, POINT_TARE, -1, NAN, rpm);
	point(b, head.id, 20, POINT_TARE, 1, NAN, rpm);
	point(b, head.id, 30, 0, 1, 0, rpm);
	point(b, head.id, 40, 0, 1, 10, rpm);
	if (mounting)
		assert_int_equal(logbook_event(b->lb, head.id, 2000, EVENT_MOUNTING, mounting, &b->err), RC_OK);
	assert_int_equal(logbook_run_end(b->lb, head.id, 600000000, "done", "", "", &b->err), RC_OK);
}

static void fourteen_months(struct book *b)
{
	static const char rig[] = "[rig]\nname = Heron\n[cell]\nsign = -\n[arm]\nlength = 500 mm\n",
			  later[] = "[rig]\nname = Heron\n[cell]\nsign = -\n[arm]\nlength = 498 mm\n";

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	kept(b, 0, 500, "calibration", "{\"coefficients\": [5, 10000], \"covariance\": [[1, 0], [0, 4]]}");
	for (int m = 0; m < MONTHS; m++) {
		const char *text = m < ARM_AT ? rig : later;
		int32_t zero = (m < ARM_AT ? 1000 : 3000) + (m % 2 ? 20 : -20);
		sweep(b, m, zero, m % 2 ? 0.61 : 0.59, text, 60, "winder");
		sweep(b, m, zero, 7, text, 60, "another");
		if (m == 3)
			sweep(b, m, zero, 0.9, text, 90, "winder"); /* another speed: another thing */
		kept(b, 0, m * MONTH_NS + 2000, "map",
		     m % 2 ? "{\"slope_Nm_per_A\": 45.2, \"u_slope_Nm_per_A\": 0.1}" : "{\"slope_Nm_per_A\": 45}");
		kept(b, 0, m * MONTH_NS + 3000, "check",
		     m % 2 ? "{\"weights\": \"a\", \"sensitivity_count_per_Nm\": 9990, \"ok\": true}"
			   : "{\"weights\": \"b\", \"sensitivity_count_per_Nm\": 10010, \"ok\": true}");
	}
}

static void what_was_put_in_comes_out(void **state)
{
	struct book *b = *state;
	struct history *h = NULL;

	fourteen_months(b);
	sweep(b, MONTHS, 3000, 0.6, "[rig]\nname = Heron\n[cell]\nsign = -\n[arm]\nlength = 498 mm\n", 60, "winder");
	assert_int_equal(history_of(b->lb, NULL, &h, &b->err), RC_OK);
	assert_string_equal(h->actuator, "winder");
	const struct history_series *zero = &h->series[HISTORY_ZERO], *amp = &h->series[HISTORY_NO_LOAD];
	assert_int_equal(zero->n, 2 * MONTHS + 2);
	assert_near(zero->value[0].value, -0.098, 1e-9); /* the cell's sign is -, 10000 counts per N.m */
	assert_near(zero->value[zero->n - 1].value, -0.3, 1e-9);
	assert_int_equal(amp->n, MONTHS + 1); /* of this actuator at this speed alone */
	assert_near(amp->value[1].value, 0.61, 1e-9);
	assert_int_equal(amp->chart.n_hits, 0);
	assert_int_equal(h->series[HISTORY_CHECK].n, MONTHS / 2); /* with the newest weights */
	assert_near(h->series[HISTORY_SENSITIVITY].value[0].u, 2, 1e-9);
	assert_false(h->series[HISTORY_SENSITIVITY].charted);
	assert_near(h->series[HISTORY_BRAKE].value[1].u, 0.1, 1e-9);
	assert_int_equal(h->series[HISTORY_BRAKE].chart.n_hits, 0);
	history_free(h);
}

static void a_zero_that_moved_is_told_with_what_was_changed(void **state)
{
	struct book *b = *state;
	struct history *h = NULL;
	size_t first = 0, at = 2 * ARM_AT + 1;

	fourteen_months(b);
	assert_int_equal(history_of(b->lb, "winder", &h, &b->err), RC_OK);
	const struct history_series *zero = &h->series[HISTORY_ZERO];
	assert_true(zero->chart.n_hits > 0 && zero->chart.hit[0].at >= at - 1);
	assert_int_equal(zero->chart.hit[0].rule, CHART_BEYOND);
	assert_int_equal(history_changes(h, zero, at, &first), 1);
	assert_string_equal(h->change[first].what, "rig.ini [arm] length: 498 mm, was 500 mm");
	assert_int_equal(history_changes(h, zero, at - 1, &first), 0);
	assert_int_equal(h->n_changes, 2); /* and the calibration, which is none of what came before its own value */
	const struct history_series *cal = &h->series[HISTORY_SENSITIVITY];
	assert_string_equal(h->change[0].what, "calibration, record 1");
	assert_true(h->change[0].wall_ns > cal->value[0].wall_ns);
	history_free(h);
}

/* A month of a virtual bench in the same logbook: none of it is in the history of the rig, and the other way round. */
static void virtual_and_real_runs_are_not_mixed(void **state)
{
	struct book *b = *state;
	struct history *h = NULL;
	static const char rig[] = "[rig]\nname = Heron\n[cell]\nsign = -\n";

	fourteen_months(b);
	virtual_bench = true;
	sweep(b, MONTHS, 90000, 50, "[rig]\nname = Toy\n", 60, "winder");
	virtual_bench = false;
	sweep(b, MONTHS + 1, 3000, 0.6, rig, 60, "winder");
	assert_int_equal(history_of(b->lb, "winder", &h, &b->err), RC_OK);
	assert_false(h->on_bench);
	assert_int_equal(h->n_left_out, 1);
	assert_string_equal(h->rig, "Heron");
	assert_int_equal(h->series[HISTORY_NO_LOAD].n, MONTHS + 1);
	history_free(h);
	virtual_bench = true;
	sweep(b, MONTHS + 2, 90000, 50, "[rig]\nname = Toy\n", 60, "winder");
	virtual_bench = false;
	assert_int_equal(history_of(b->lb, NULL, &h, &b->err), RC_OK);
	assert_true(h->on_bench);
	assert_string_equal(h->rig, "Toy");
	assert_int_equal(h->series[HISTORY_NO_LOAD].n, 2);
	assert_int_equal(h->n_left_out, 2 * MONTHS + 2);
	history_free(h);
}

/* Runs that tell no mounting, or the same one, have none; the first name is no change. */
static void another_mounting_is_told(void **state)
{
	static const char *const told[] = { NULL, "A", "A", NULL, "B" };
	struct book *b = *state;
	struct history *h = NULL;
	size_t first = 0;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	kept(b, 0, 500, "calibration", "{\"coefficients\": [5, 10000], \"covariance\": [[1, 0], [0, 4]]}");
	for (int m = 0; m < 5; m++) {
		mounting = told[m];
		sweep(b, m, 1000, 0.6, "[rig]\nname = Heron\n[cell]\nsign = +\n", 60, "winder");
	}
	mounting = NULL;
	assert_int_equal(history_of(b->lb, "winder", &h, &b->err), RC_OK);
	assert_int_equal(h->n_changes, 2); /* and the calibration */
	assert_int_equal(history_changes(h, &h->series[HISTORY_ZERO], 4, &first), 1);
	assert_string_equal(h->change[first].what, "mounting B, was A");
	history_free(h);
}

/* By the name of its file as well, which stands before each of its keys that changed. */
static void an_actuator_is_found_by_its_file(void **state)
{
	struct book *b = *state;
	struct history *h = NULL;
	static const char rig[] = "[rig]\nname = Heron\n";

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	kept(b, 0, 500, "calibration", "{\"coefficients\": [5, 10000], \"covariance\": [[1, 0], [0, 4]]}");
	sweep(b, 0, 1000, 0.6, rig, 60, "winder");
	actuator_text = "[actuator]\nname = winder\nratio = 9\n";
	sweep(b, 1, 1000, 0.6, rig, 60, "winder");
	actuator_text = "[actuator]\nname = winder\n";
	assert_int_equal(history_of(b->lb, "paddle-winder", &h, &b->err), RC_OK);
	assert_string_equal(h->actuator, "winder");
	assert_int_equal(h->series[HISTORY_NO_LOAD].n, 2);
	assert_string_equal(h->change[h->n_changes - 1].what,
			    "actuators/paddle-winder.ini [actuator] ratio: 9, was none");
	history_free(h);
}

static void nothing_yet_and_nobody_are_said(void **state)
{
	struct book *b = *state;
	struct history *h = NULL;

	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	assert_int_equal(history_of(b->lb, NULL, &h, &b->err), RC_ARG);
	assert_non_null(strstr(b->err.what, "no history"));
	logbook_close(b->lb);
	fourteen_months(b);
	assert_int_equal(history_of(b->lb, "nobody", &h, &b->err), RC_ARG);
	assert_non_null(strstr(b->err.what, "no sweep of an actuator \"nobody\""));
	assert_null(h);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(what_was_put_in_comes_out, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(another_mounting_is_told, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(a_zero_that_moved_is_told_with_what_was_changed, book_set_up,
						book_tear_down),
		cmocka_unit_test_setup_teardown(virtual_and_real_runs_are_not_mixed, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(an_actuator_is_found_by_its_file, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(nothing_yet_and_nobody_are_said, book_set_up, book_tear_down),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
