/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/report_write.h"
#include "profile/csv_private.h"
#include "reports/reduce/reduce_hand.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <string.h>

static struct report *reduced(const char *text, const struct hand_want *want, struct err *err)
{
	struct csv table;
	struct mistakes m = { 0 };
	struct report *r = NULL;

	if (csv_parse(strdup(text), "t.csv", &table, &m, err) != RC_OK)
		return NULL;
	enum rc rc = report_of_readings(&table, want, &r, &m, err);
	csv_free(&table);
	return rc == RC_OK ? r : NULL;
}

static struct curve_point first(const char *text, struct hand_want want, double *ret_u_torque)
{
	struct err err = { 0 };
	struct report *r = reduced(text, &want, &err);

	if (r == NULL)
		fail_msg("%s", err.what);
	struct curve_point p = r->curve->points[0];
	*ret_u_torque = unc_u(p.torque_Nm);
	report_free(r);
	return p;
}

/* By hand: 100 N at 0.2 m is 20 N.m; at 60 rev/min 2 pi rad/s: 125.6637 W; 20 V x 10 A = 200 W: 62.83 %. */
static void every_way_to_a_torque(void **state)
{
	static const struct {
		const char *text;
		struct hand_want want;
		double torque_Nm;
	} rows[] = {
		{ "torque (N.m),speed (rpm),voltage (V),current (A)\n20,60,20,10\n", { .u_torque = NULL }, 20 },
		{ "force (N),speed (rpm),voltage (V),current (A)\n100,60,20,10\n", { .lever = "200 mm" }, 20 },
		{ "force (N),lever (mm),speed (rpm),input power (W)\n100,200,60,200\n", { .u_torque = NULL }, 20 },
		{ "force (kg),speed (rpm),input power (W)\n10,60,200\n",
		  { .lever = "0.2 m", .gravity = "10 m/s2 ± 0 m/s2" },
		  -1 },
		{ "force (kg),speed (rpm),input power (W)\n10,60,200\n",
		  { .lever = "0.2 m", .gravity = "9.81 m/s2" },
		  19.62 },
		{ "tight (N),slack (N),speed (rpm),input power (W)\n120,20,60,200\n", { .drum_radius = "0.2 m" }, 20 },
		{ "spring 1 (N),spring 2 (N),speed (rad/s),input power (W)\n20,120,6.283185307,200\n",
		  { .drum_diameter = "0.4 m" },
		  20 },
		/* rope of 20 mm on a drum of 380 mm: (0.380 + 0.020)/2 = 0.2 m */
		{ "tight (N),slack (N),speed (rpm),input power (W)\n120,20,60,200\n",
		  { .drum_diameter = "380 mm", .rope = "20 mm" },
		  20 },
	};
	(void)state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct err err = { 0 };
		struct report *r = reduced(rows[i].text, &rows[i].want, &err);
		if (rows[i].torque_Nm < 0) { /* 10 m/s2 is nowhere on earth */
			assert_null(r);
			assert_non_null(strstr(err.what, "--gravity"));
			continue;
		}
		if (r == NULL)
			fail_msg("row %zu: %s", i, err.what);
		const struct curve_point *p = &r->curve->points[0];
		assert_true(fabs(p->torque_Nm.value - rows[i].torque_Nm) < 1e-9);
		assert_true(fabs(p->shaft_power_W.value - rows[i].torque_Nm * 6.283185307) < 1e-6);
		assert_true(fabs(p->efficiency.value - rows[i].torque_Nm * 6.283185307 / 200) < 1e-8);
		report_free(r);
	}
}

/* "1 %" is common to the column, "2 N" each reading's own; both are limits, so u = a/sqrt 3. Rounding of "100": half a
 * newton. */
static void stated_uncertainties_go_where_they_belong(void **state)
{
	const char *text = "force (N),speed (rpm)\n100,60\n200,60\n";
	double u;
	(void)state;

	first(text, (struct hand_want){ .lever = "1 m ± 0 m", .u_force = "2 N" }, &u);
	assert_true(fabs(u - 2 / sqrt(3)) < 1e-9);
	first(text, (struct hand_want){ .lever = "1 m ± 0 m" }, &u);
	assert_true(fabs(u - 0.5 / sqrt(3)) < 1e-9);
	first(text, (struct hand_want){ .lever = "1 m ± 1 mm normal", .u_force = "0.0001 N" }, &u);
	assert_true(fabs(u - 0.1) < 1e-4); /* 1 mm of 1 m at 100 N */

	struct err err = { 0 };
	struct report *r = reduced(text, &(struct hand_want){ .lever = "1 m ± 0 m", .u_force = "1 %" }, &err);
	assert_non_null(r);
	/* both readings off by the same share: the ratio keeps only the rounding, 0.5/sqrt 3 of 100 and of 200 */
	struct unc ratio = unc_div(r->curve->ctx, r->curve->points[1].torque_Nm, r->curve->points[0].torque_Nm);
	double rounding = 0.5 / sqrt(3) * hypot(1.0 / 100, 1.0 / 200) * 2;
	assert_true(fabs(unc_u(ratio) - rounding) < 1e-9);
	report_free(r);
}

static void impossible_data_are_flagged_and_kept(void **state)
{
	struct err err = { 0 };
	/* 20 N.m at 600 rev/min is 1257 W out of 200 W in */
	struct report *r = reduced("torque (N.m),speed (rpm),input power (W)\n20,600,200\n20,60,200\n-20,60,200\n",
				   &(struct hand_want){ 0 }, &err);
	(void)state;

	assert_non_null(r);
	assert_true(r->curve->points[0].impossible);
	assert_non_null(strstr(r->curve->points[0].note, "ratio"));
	assert_false(r->curve->points[0].efficiency_valid);
	assert_false(r->curve->points[1].impossible);
	assert_true(r->curve->points[2].impossible);
	assert_non_null(strstr(r->curve->points[2].note, "sign"));
	assert_int_equal(r->curve->n, 3);
	report_free(r);
}

static void more_out_than_in_is_flagged_without_an_efficiency(void **state)
{
	struct err err = { 0 };
	/* 20 N.m at 60 rev/min is 125.7 W: out of -200 W, out of nothing, and 0.2 N.m out of 1 W as read, which may
	 * be 1.5 W */
	struct report *r = reduced("torque (N.m),speed (rpm),input power (W)\n20,60,-200\n20,60,0\n0.2,60,1\n",
				   &(struct hand_want){ 0 }, &err);
	(void)state;

	assert_non_null(r);
	for (size_t i = 0; i < 2; i++) {
		assert_true(r->curve->points[i].impossible);
		assert_non_null(strstr(r->curve->points[i].note, "126 W at the shaft"));
		assert_false(r->curve->points[i].efficiency_valid);
	}
	assert_false(r->curve->points[2].impossible);
	report_free(r);
}

static void alternating_current_has_no_power_of_volts_times_amperes(void **state)
{
	struct err err = { 0 };
	struct report *r = reduced("torque (N.m),speed (rpm),voltage (V),current (A)\n2,1400,230,3\n",
				   &(struct hand_want){ .ac = true }, &err);
	(void)state;

	assert_non_null(r);
	assert_true(isnan(r->curve->points[0].input_power_W.value));
	assert_false(r->curve->points[0].efficiency_valid);
	report_free(r);
}

static void wrong_tables_get_one_clear_sentence(void **state)
{
	static const struct {
		const char *text;
		struct hand_want want;
		const char *says;
	} rows[] = {
		{ "torque (N.m)\n1\n", { .ac = false }, "no column \"speed\"" },
		{ "speed (rpm)\n1\n", { .ac = false }, "nothing tells the torque" },
		{ "torque (N.m),force (N),speed (rpm)\n1,1,1\n", { .ac = false }, "more than one way" },
		{ "tight (N),speed (rpm)\n1,1\n", { .drum_radius = "1 m" }, "one spring balance only" },
		{ "force (N),speed (rpm)\n1,1\n", { .ac = false }, "none of lever" },
		{ "force (N),speed (rpm)\n1,1\n", { .lever = "1 m", .drum_radius = "1 m" }, "more than one of lever" },
		{ "force (N),speed (rpm)\n1,1\n", { .lever = "0 mm" }, "above zero" },
		{ "force (N),speed (rpm),lever (m)\n1,1,0.2\n1,1,0\n", { 0 }, ":3: lever: found 0 m" },
		{ "force (N),speed (rpm),lever (mm)\n1,1,-200\n", { 0 }, "above zero" },
		{ "force (V),speed (rpm)\n1,1\n", { .lever = "1 m" }, "expected a force" },
		{ "force (N),speed (rpm)\n1,fast\n", { .lever = "1 m" }, "fast" },
		{ "torque (N.m),speed (rpm)\n1,1\n", { .lever = "1 m" }, "gives the torque itself" },
		{ "torque (N.m),speed (rpm),direction\n1,1,sideways\n", { .ac = false }, "expected up or down" },
		{ "torque (N.m),speed (rpm)\n1,1\n", { .u_torque = "2 V" }, "--u-torque" },
		{ "force (N),speed (rpm)\n1,1\n", { .lever = "1 m", .rope = "1 cm" }, "--rope needs a drum" },
	};
	(void)state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct err err = { 0 };
		struct csv table;
		struct mistakes m = { 0 };
		struct report *r = NULL;
		assert_int_equal(csv_parse(strdup(rows[i].text), "t.csv", &table, &m, &err), RC_OK);
		enum rc rc = report_of_readings(&table, &rows[i].want, &r, &m, &err);
		csv_free(&table);
		assert_int_equal(err_exit_status(rc), 2);
		assert_null(r);
		if (!strstr(err.what, rows[i].says) && !(m.n > 0 && strstr(m.line[0], rows[i].says)))
			fail_msg("\"%s\" does not say \"%s\"", err.what, rows[i].says);
	}
}

static void a_torque_of_nothing_has_no_percent(void **state)
{
	static const struct hand_want want = { .u_torque = "0.2 N.m k=2" };
	struct err err = { 0 };
	struct report *r = reduced("torque (N.m),speed (rpm)\n0,60\n", &want, &err);
	char text[400];
	(void)state;

	assert_non_null(r);
	report_certainty(r, text, sizeof text);
	if (strstr(text, "inf") || strstr(text, "nan") || !strstr(text, " N·m"))
		fail_msg("%s", text);
	assert_ptr_equal(strstr(r->source, "1 reading taken by hand"), r->source);
	report_free(r);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_way_to_a_torque),
		cmocka_unit_test(stated_uncertainties_go_where_they_belong),
		cmocka_unit_test(a_torque_of_nothing_has_no_percent),
		cmocka_unit_test(impossible_data_are_flagged_and_kept),
		cmocka_unit_test(more_out_than_in_is_flagged_without_an_efficiency),
		cmocka_unit_test(alternating_current_has_no_power_of_volts_times_amperes),
		cmocka_unit_test(wrong_tables_get_one_clear_sentence),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
