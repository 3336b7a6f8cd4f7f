/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The page of a map whose figures are put in here. */
#include "reports/page/certificate.h"

#include "logbook/record.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/logbook/logbook_scene.h"
#include "tests/unit/reports/page/written.h"

/* 0.5 N·m of drag, 40 N·m/A, 0.7 N·m of remanence: rising 0.5 + 40 I, falling 0.7 more. */
static struct brakemap made(void)
{
	struct brakemap m = { .drag_Nm = 0.5,
			      .u_drag_Nm = 0.01,
			      .remanence_Nm = 0.7,
			      .u_remanence_Nm = 0.02,
			      .slope_Nm_per_A = 40,
			      .u_slope_Nm_per_A = 0.15,
			      .linear_from_A = 0.25,
			      .linear_to_A = 0.75,
			      .slip_slope_Nm_per_rpm = NAN,
			      .u_slip_slope_Nm_per_rpm = NAN,
			      .lag_s = 0.125,
			      .u_lag_s = 0.005,
			      .min_slip_rpm = 20,
			      .max_slip_rpm = 60,
			      .max_A = 0.75,
			      .max_Nm = 30.5 };

	for (int b = 0; b < 2; b++) {
		struct brakemap_curve *c = &m.branch[b];
		c->n = 4;
		for (size_t i = 0; i < 4; i++) {
			c->current_A[i] = 0.25 * (double)i;
			c->torque_Nm[i] = 0.5 + 40 * c->current_A[i] + (b == BRAKEMAP_FALLING && i < 3 ? 0.7 : 0);
			c->u_torque_Nm[i] = 0.03;
			c->slope_Nm_per_A[i] = 40;
		}
	}
	return m;
}

static int64_t keep(struct book *b, const char *kind, const char *json)
{
	int64_t id = 0;

	if (!b->lb)
		assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	assert_int_equal(logbook_record(b->lb, 0, 1000, kind, json, &id, &b->err), RC_OK);
	return id;
}

static void has(const char *text, const char *words)
{
	if (!strstr(text, words))
		fail_msg("\"%s\" is missing", words);
}

/* A number and its unit stay on one line (text_html_kept): for a comparison a blank is a blank. */
static void with_blanks(char *text)
{
	for (char *at; (at = strstr(text, "\u00a0"));) {
		at[0] = ' ';
		memmove(at + 1, at + 2, strlen(at + 2) + 1);
	}
}

static void the_page_and_table_hold_the_map(void **state)
{
	struct book *b = *state;
	struct brakemap m = made();
	char *json = record_from_brakemap(&m), path[300];
	struct certificate *c = NULL;

	int64_t id = keep(b, "map", json);
	assert_int_equal(certificate_of(b->lb, id, &c, &b->err), RC_OK);
	assert_int_equal(certificate_write(c, b->dir, false, &b->err), RC_OK);
	char *page = slurp(b->dir, "certificate.html"), *table = slurp(b->dir, "brake-map.csv");
	assert_well_formed(page);
	with_blanks(page);
	has(page, "Map of the brake, record 1");
	/* U with two digits, the value to the same place (JCGM 100:2008, 7.2.6) */
	has(page, "0.500 N·m without current to 30.5 N·m at 0.75 A");
	has(page, "40.00 N·m/A ± 0.30 N·m/A, from 0.25 to 0.75 A");
	has(page, "0.700 N·m ± 0.040 N·m");
	has(page, "0.125 s ± 0.010 s");
	has(page, "<td>falling</td><td class=\"n\">0.2500</td><td class=\"n\">11.200</td><td class=\"n\">0.060</td>");
	assert_null(strstr(page, "nan"));
	assert_null(strstr(page, "Change with the slip speed"));
	has(table, "rising,0.5,20.5,0.03\n");
	free(page);
	free(table);
	free(json);
	certificate_free(c);
	for (int i = 0; i < 2; i++) {
		snprintf(path, sizeof path, "%s/%s", b->dir, i ? "brake-map.csv" : "certificate.html");
		unlink(path);
	}
	snprintf(path, sizeof path, "%s/figures.gp", b->dir);
	unlink(path);
}

static void another_record_is_refused(void **state)
{
	struct book *b = *state;
	struct certificate *c = NULL;
	int64_t id = keep(b, "check", "{}");

	assert_int_equal(certificate_of(b->lb, id, &c, &b->err), RC_ARG);
	has(b->err.what, "no map of the brake (it is \"check\")");
	assert_null(c);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(the_page_and_table_hold_the_map, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(another_record_is_refused, book_set_up, book_tear_down),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
