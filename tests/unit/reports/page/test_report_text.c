/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/report_write.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/reports/made_run.h"

struct said {
	char headline[600], limits[600], certainty[900];
};

static struct report *report_made(struct made *m, struct said *ret)
{
	struct err err = { 0 };
	struct report *r = NULL;

	made_run(m);
	if (report_of_run(m->lb, m->run_id, &r, &err) != RC_OK)
		fail_msg("%s", err.what);
	report_headline(r, ret->headline, sizeof ret->headline);
	report_limits(r, ret->limits, sizeof ret->limits);
	report_certainty(r, ret->certainty, sizeof ret->certainty);
	return r;
}

static void holds(const char *text, const char *part)
{
	if (strstr(text, part) == NULL)
		fail_msg("\"%s\" does not say \"%s\"", text, part);
}

static void lacks(const char *text, const char *part)
{
	if (strstr(text, part) != NULL)
		fail_msg("\"%s\" says \"%s\"", text, part);
}

/* The heaviest torque was reached, but had not settled: neither the result nor the end of the plan leaves it out. */
static void what_did_not_settle_is_told(void **state)
{
	struct made m = { .seed = 3,
			  .n_steps = 3,
			  .window_s = 2,
			  .perfect = true,
			  .flags = { [2] = POINT_NOT_SETTLED },
			  .step = { { 10, 85, 48, 3, 0.3, 1, false },
				    { 22, 85, 48, 6, 0.5, 1, false },
				    { 29.47, 85, 48, 9, 0.7, 1, false } } };
	struct said said;
	(void)state;

	report_free(report_made(&m, &said));
	holds(said.headline, "Highest settled torque 22");
	holds(said.headline, "Beyond that, not settled: 29.47 N·m at 85 rpm.");
	holds(said.limits, "ended at 29.47 N·m");
	holds(said.limits, "Not settled, taken as it is: step 3 (1 of 3 points).");
	made_free(&m);
}

/* What a stop cut off was no step that took too long. */
static void what_a_stop_cut_short_is_told_as_that(void **state)
{
	struct made m = { .seed = 3,
			  .n_steps = 3,
			  .window_s = 2,
			  .perfect = true,
			  .flags = { [2] = POINT_CUT | POINT_NOT_SETTLED },
			  .step = { { 10, 85, 48, 3, 0.3, 1, false },
				    { 22, 85, 48, 6, 0.5, 1, false },
				    { 29.47, 85, 48, 9, 0.7, 1, false } } };
	struct said said;
	(void)state;

	struct report *r = report_made(&m, &said);
	holds(said.limits, "Cut short by a stop: step 3 (1 of 3 points).");
	lacks(said.limits, "taken as it is");
	holds(r->curve->points[2].note, "cut short by a stop");
	lacks(r->curve->points[2].note, "timeout");
	report_free(r);
	made_free(&m);
}

/* With falling load the winding is warmer, so its limit comes sooner: both ways are told where they differ. */
static void both_ways_say_where_they_were_limited(void **state)
{
	struct made m = { .seed = 3,
			  .n_steps = 4,
			  .window_s = 2,
			  .perfect = true,
			  .step = { { 10, 85, 48, 3, 0.3, 1, false },
				    { 22, 85, 48, 6, 0.5, 1, false },
				    { 29.5, 80, 48, 9, 0.7, 1, false },
				    { 22, 82, 48, 6, 0.5, 1, false } } };
	struct said said;
	(void)state;

	struct report *r = report_made(&m, &said);
	r->curve->points[3].direction = -1;
	r->curve->points[3].step = 1;
	report_limits(r, said.limits, sizeof said.limits);
	holds(said.limits, "From 29.5 N·m on with rising load, the actuator itself: speed 80 rpm");
	holds(said.limits, "With falling load from 22 N·m on, the actuator itself: speed 82 rpm");
	r->curve->points[3].step = 2; /* the same step says nothing new */
	report_limits(r, said.limits, sizeof said.limits);
	holds(said.limits, "From 29.5 N·m on, the actuator itself");
	lacks(said.limits, "falling");
	r->curve->points[2].limit = LIMIT_NONE;
	report_limits(r, said.limits, sizeof said.limits);
	holds(said.limits, "With falling load from 22 N·m on");
	report_free(r);
	made_free(&m);
}

/* A heavier step that settled on the way down is a settled torque too: the first line names it, and says that its own
 * is of rising load. */
static void what_settled_with_falling_load_is_told(void **state)
{
	struct made m = { .seed = 3,
			  .n_steps = 4,
			  .window_s = 2,
			  .perfect = true,
			  .flags = { [2] = POINT_NOT_SETTLED },
			  .step = { { 10, 85, 48, 3, 0.3, 1, false },
				    { 22, 85, 48, 6, 0.5, 1, false },
				    { 29.47, 82, 48, 9, 0.7, 1, false },
				    { 29.49, 81, 48, 9, 0.7, 1, false } } };
	struct said said;
	(void)state;

	struct report *r = report_made(&m, &said);
	struct curve_point *down = &r->curve->points[3];
	down->direction = -1;
	down->step = 2;
	report_headline(r, said.headline, sizeof said.headline);
	holds(said.headline, "Highest settled torque with rising load 22");
	holds(said.headline, "Settled with falling load: 29.49 N·m at 81 rpm.");
	down->step = 1; /* the same step again is nothing heavier */
	report_headline(r, said.headline, sizeof said.headline);
	lacks(said.headline, "falling load");
	down->step = 2;
	down->settled = false;
	report_headline(r, said.headline, sizeof said.headline);
	lacks(said.headline, "falling load");
	report_free(r);
	made_free(&m);
}

/* Where the torque ripples slowly another window differs by more than the mean of this one is unsure by: the first line
 * has the digits of the larger, and both stand in the words about it. */
static void the_first_line_has_the_digits_of_another_window(void **state)
{
	struct made m = { .seed = 5,
			  .n_steps = 2,
			  .window_s = 3,
			  .ripple_Nm = 0.5,
			  .step = { { 10, 85, 48, 3, 0.3, 1, false }, { 20, 85, 48, 6, 0.5, 1, false } } };
	struct said said;
	(void)state;

	struct report *r = report_made(&m, &said);
	const struct curve_point *p = &r->curve->points[1]; /* the one of most shaft power */
	double U = unc_expanded(r->curve->ctx, p->torque_Nm, 0.95, NULL);
	/* sd 0.5 N.m with a correlation time of 0.1 s, 3 s: 0.5 sqrt(2 * 0.1 / 3) = 0.129 N.m for one mean, times 2
	 * sqrt 2 = 0.37 */
	assert_true(another_window(p->scatter_Nm) > 0.2 && another_window(p->scatter_Nm) < 0.6);
	assert_true(U < 0.1);
	char wide[40];
	snprintf(wide, sizeof wide, "± %.2f N·m at", another_window(p->scatter_Nm));
	holds(said.headline, wide);
	holds(said.certainty, "Another window of that step would differ by up to");
	report_free(r);
	made_free(&m);
}

/* A crank takes no electricity: no efficiency, no contradiction, and no word about a limit of the actuator. */
static void a_shaft_turned_by_hand_contradicts_nothing(void **state)
{
	static const char by_hand[] = "[plan]\nactuator = made-winder\nload = torque\ndrive = hand\n"
				      "[steps]\ntorque = 5, 10 N.m\ndown = no\nrepeat_first = no\n[steady]\ndwell = 4 "
				      "s\nwindow = 2 s\ntimeout = 15 s\n";
	struct made m = { .seed = 4,
			  .n_steps = 2,
			  .window_s = 2,
			  .plan_text = by_hand,
			  .step = { { 5, 85, 48, 0.05, 0.2, 0, false }, { 10, 85, 48, 0.05, 0.3, 0, false } } };
	struct said said;
	(void)state;

	struct report *r = report_made(&m, &said);
	for (size_t i = 0; i < r->curve->n; i++) {
		const struct curve_point *p = &r->curve->points[i];
		assert_false(p->impossible);
		assert_int_equal(p->limit, LIMIT_UNKNOWN);
		assert_false(p->efficiency_valid);
		assert_true(isnan(p->input_power_W.value));
		holds(p->note, "turned by hand");
	}
	holds(said.headline, "Highest torque 10");
	lacks(said.headline, "efficiency");
	holds(said.limits, "a person turned the shaft");
	lacks(said.limits, "No limit was reached");
	report_free(r);
	made_free(&m);
}

static void turn_back(struct curve *c, struct curve_point *p)
{
	p->torque_Nm = unc_scale(c->ctx, p->torque_Nm, -1);
	p->speed_rpm = unc_scale(c->ctx, p->speed_rpm, -1);
	p->setpoint_rpm = -85;
}

/* The highest torque is the largest one, whichever way it turned; the same load at another speed is not beyond it. */
static void backward_the_highest_torque_is_the_largest(void **state)
{
	struct made m = { .seed = 3,
			  .n_steps = 4,
			  .window_s = 2,
			  .perfect = true,
			  .flags = { [2] = POINT_NOT_SETTLED },
			  .step = { { 10, 85, 48, 3, 0.3, 1, false },
				    { 22, 85, 48, 6, 0.5, 1, false },
				    { 22.1, 85, 48, 6, 0.5, 1, false },
				    { 29.47, 85, 48, 9, 0.7, 1, false } } };
	struct said said;
	(void)state;

	struct report *r = report_made(&m, &said);
	struct curve *c = r->curve;
	for (size_t i = 0; i < c->n; i++)
		turn_back(c, &c->points[i]);
	report_headline(r, said.headline, sizeof said.headline);
	holds(said.headline, "Highest torque -29.4");
	lacks(said.headline, "Beyond that");
	c->points[3].settled = false;
	report_headline(r, said.headline, sizeof said.headline);
	holds(said.headline, "Highest settled torque -22.0");
	holds(said.headline, "Beyond that, not settled: -29.47 N·m at -85 rpm.");
	c->points[3].impossible = true;
	c->points[2].step = c->points[1].step;
	report_headline(r, said.headline, sizeof said.headline);
	holds(said.headline, "Highest torque -22.0");
	lacks(said.headline, "Beyond that");
	report_free(r);
	made_free(&m);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_did_not_settle_is_told),
		cmocka_unit_test(what_a_stop_cut_short_is_told_as_that),
		cmocka_unit_test(both_ways_say_where_they_were_limited),
		cmocka_unit_test(what_settled_with_falling_load_is_told),
		cmocka_unit_test(the_first_line_has_the_digits_of_another_window),
		cmocka_unit_test(a_shaft_turned_by_hand_contradicts_nothing),
		cmocka_unit_test(backward_the_highest_torque_is_the_largest),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
