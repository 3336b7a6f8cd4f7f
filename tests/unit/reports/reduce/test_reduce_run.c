/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/curve.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/reports/made_run.h"

static struct made plain(unsigned long seed)
{
	return (struct made){
		.seed = seed,
		.n_steps = 4,
		.window_s = 4,
		.ripple_Nm = 0.1,
		.step = { { 5, 85, 48, 1.6, 0.2, 1, false },
			  { 10, 85, 47.9, 2.9, 0.3, 1, false },
			  { 20, 85, 47.8, 5.5, 0.5, 1, false },
			  { 30, 84.7, 47.7, 8.2, 0.7, 1, false } },
	};
}

static struct curve *reduced(struct made *m)
{
	struct err err = { 0 };
	struct curve *c = NULL;

	made_run(m);
	if (curve_from_run(m->lb, m->run_id, &c, &err) != RC_OK)
		fail_msg("%s", err.what);
	return c;
}

/* Without errors and noise the numbers are the truth itself: torque as put in, speed in rev/min of the output, the mean
 * of the products of volts and amperes, shaft power by 2 pi n / 60. */
static void a_perfect_rig_gives_back_what_was_put_in(void **state)
{
	struct made m = plain(1);
	(void)state;

	m.perfect = true;
	struct curve *c = reduced(&m);
	assert_int_equal(c->n, 4);
	assert_int_equal(c->calibration_id, m.calibration_id);
	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		double shaft_W = m.step[i].torque_Nm * 2 * 3.14159265358979 * m.step[i].speed_rpm / 60;
		assert_true(fabs(p->torque_Nm.value - m.step[i].torque_Nm) < 1e-5);
		assert_true(fabs(p->speed_rpm.value - m.step[i].speed_rpm) < 1e-4);
		assert_true(fabs(p->input_power_W.value - m.step[i].volt * m.step[i].amp) < 1e-9);
		assert_true(fabs(p->shaft_power_W.value - shaft_W) < 1e-3);
		assert_true(fabs(p->efficiency.value - shaft_W / (m.step[i].volt * m.step[i].amp)) < 1e-5);
		assert_true(p->settled && p->efficiency_valid && !p->impossible);
		assert_int_equal(p->limit, LIMIT_NONE);
	}
	curve_free(c);
	made_free(&m);
}

/* What the points of one rig share moves them together: by hand, two torques of 20 and 30 N.m whose only large error is
 * the arm's 0.04 % are correlated almost fully, and their noise is not. */
static void the_arm_is_common_to_all_points(void **state)
{
	struct made m = plain(3);
	(void)state;

	m.ripple_Nm = 0;
	struct curve *c = reduced(&m);
	double a = unc_u(c->points[2].torque_Nm), b = unc_u(c->points[3].torque_Nm);
	double sum = unc_u(unc_add(c->ctx, c->points[2].torque_Nm, c->points[3].torque_Nm));
	assert_true((sum * sum - a * a - b * b) / (2 * a * b) > 0.9); /* their correlation */
	/* and their ratio loses it: u of the ratio is well below the arm's share */
	struct unc ratio = unc_div(c->ctx, c->points[3].torque_Nm, c->points[2].torque_Nm);
	assert_true(unc_u(ratio) / ratio.value < 0.5 * MADE_U_ARM);
	/* the arm alone must be in there: 0.04 % of 30 N.m */
	assert_true(unc_u(c->points[3].torque_Nm) > 30 * MADE_U_ARM);
	curve_free(c);
	made_free(&m);
}

/* Power is the mean of products: with volts and amperes that ripple against each other it is not the product of means.
 */
static void power_is_the_mean_of_products(void **state)
{
	struct made m = plain(4);
	struct err err = { 0 };
	(void)state;

	m.perfect = true;
	m.n_steps = 1;
	made_run(&m);
	logbook_close(m.lb);
	assert_int_equal(logbook_open(m.path, &m.lb, &err), RC_OK);
	/* A second run by hand: 50 V at 2 A and 40 V at 6 A in turn. Means 45 V, 4 A; product 180 W; mean of products
	 * 170 W. */
	struct run_head head = { .kind = "sweep",
				 .rig_text = made_rig,
				 .actuator_text = made_actuator,
				 .plan_text = made_plan,
				 .actuator_name = "made-winder",
				 .plan_name = "made",
				 .mono_ns = 1,
				 .wall_ns = 1,
				 .calibration_id = m.calibration_id };
	assert_int_equal(logbook_run_begin(m.lb, &head, &err), RC_OK);
	m.run_id = head.id;
	made_tare(&m);
	double begin_s = m.t_s;
	for (int i = 0; i < 400; i++) {
		struct made_step s = { 10, 85, i % 2 ? 50 : 40, i % 2 ? 2 : 6, 0.3, 1, false };
		struct sample row = made_sample(&m, &s, 0, NULL);
		assert_int_equal(logbook_samples(m.lb, m.run_id, &row, 1, &err), RC_OK);
	}
	made_point(&m, 0, 0, 10, begin_s);
	made_tare(&m);
	struct curve *c = NULL;
	assert_int_equal(curve_from_run(m.lb, m.run_id, &c, &err), RC_OK);
	assert_true(fabs(c->points[0].input_power_W.value - 170) < 1e-6);
	assert_true(fabs(c->points[0].voltage_V.value - 45) < 1e-6);
	assert_true(fabs(c->points[0].current_A.value - 4) < 1e-6);
	curve_free(c);
	made_free(&m);
}

static struct unc last_power(double node_ripple_W, const char *rig_text, double *ret_u)
{
	struct made m = plain(5);

	m.perfect = true;
	m.node_ripple_W = node_ripple_W;
	m.rig_text = rig_text;
	struct curve *c = reduced(&m);
	struct unc power = c->points[3].input_power_W;
	*ret_u = unc_u(power);
	curve_free(c);
	made_free(&m);
	return power;
}

static char *with(const char *text, const char *old, const char *new)
{
	const char *at = strstr(text, old);
	char *ret = malloc(strlen(text) + strlen(new) + 1);

	assert_non_null(at);
	sprintf(ret, "%.*s%s%s", (int)(at - text), text, new, at + strlen(old));
	return ret;
}

/* Faster than a sample, volts and amperes ripple against each other. A node that multiplies before it averages tells
 * what the mean power is less than the product of its averages; of one that does not the profile says how much it may
 * be. */
static void power_inside_the_averages_is_told_or_owned_up_to(void **state)
{
	const double product = 47.7 * 8.2;
	char *rig = with(made_rig, "[meter]\n", "[meter]\nripple = 0.2 % ± 0.3 % rect\n");
	double u_told, u_not, u_stated;
	(void)state;

	assert_true(fabs(last_power(-0.5, NULL, &u_told).value - (product - 0.5)) < 1e-9);
	assert_true(fabs(last_power(NAN, NULL, &u_not).value - product) < 1e-9);
	assert_true(fabs(last_power(NAN, rig, &u_stated).value - product * 0.998) < 1e-9);
	/* 0.1 % and 0.3 % as limits, on top of all else; all else is the same within the 0.2 % */
	assert_true(fabs(sqrt(u_not * u_not - u_told * u_told) - product * 0.001 / sqrt(3)) < 0.01 * product * 0.001);
	assert_true(fabs(sqrt(u_stated * u_stated - u_told * u_told) - product * 0.003 / sqrt(3)) <
		    0.01 * product * 0.003);
	free(rig);
}

/* A meter known to be off: true = gain (shown - offset). What the profile states is taken off. */
static void what_is_known_of_the_meters_is_taken_off(void **state)
{
	struct made m = plain(6);
	(void)state;

	m.perfect = true;
	m.known_gain_V = 0.02;
	m.known_gain_A = -0.01;
	m.known_offset_V = 0.3;
	m.known_offset_A = -0.2;
	char *a = with(made_rig, "voltage_gain = 1 ", "voltage_gain = 1.02 "),
	     *b = with(a, "current_gain = 1 ", "current_gain = 0.99 ");
	char *c = with(b, "voltage_offset = 0 mV", "voltage_offset = 300 mV"),
	     *d = with(c, "current_offset = 0 mA", "current_offset = -200 mA");
	m.rig_text = d;
	struct curve *curve = reduced(&m);
	for (size_t i = 0; i < curve->n; i++) {
		assert_true(fabs(curve->points[i].voltage_V.value - m.step[i].volt) < 1e-9);
		assert_true(fabs(curve->points[i].current_A.value - m.step[i].amp) < 1e-9);
		assert_true(fabs(curve->points[i].input_power_W.value - m.step[i].volt * m.step[i].amp) < 1e-7);
	}
	curve_free(curve);
	made_free(&m);
	free(a);
	free(b);
	free(c);
	free(d);
}

/* Measured at the supply with 0.1 ohm of cable: 48 V, 5 A there are 47.5 V and 237.5 W at the actuator. Its stated
 * 0.01 ohm of uncertainty is 0.05 V and 0.25 W. */
static void a_meter_at_the_supply_is_brought_to_the_actuator(void **state)
{
	struct made m = {
		.seed = 6, .n_steps = 1, .window_s = 2, .perfect = true, .step = { { 10, 85, 48, 5, 0.3, 1, false } }
	};
	(void)state;

	char *rig = with(made_rig, "plane = actuator", "plane = supply\ncable = 0.1 ohm ± 0.01 ohm normal");
	m.rig_text = rig;
	struct curve *c = reduced(&m);
	const struct curve_point *p = &c->points[0];
	assert_true(fabs(p->voltage_V.value - 47.5) < 1e-9);
	assert_true(fabs(p->input_power_W.value - 237.5) < 1e-9);
	double cable_V = 0, cable_W = 0;
	for (uint32_t s = 0; s < unc_source_count(c->ctx); s++)
		if (strcmp(unc_source_name(c->ctx, s), "cable resistance") == 0) {
			cable_V = unc_part_of(p->voltage_V, s);
			cable_W = unc_part_of(p->input_power_W, s);
		}
	assert_true(fabs(fabs(cable_V) - 0.05) < 1e-9);
	assert_true(fabs(fabs(cable_W) - 0.25) < 1e-9);
	curve_free(c);
	made_free(&m);
	free(rig);
}

/* Repeated rows and conversions that are not fresh weigh nothing: a count that changes while its conversion number
 * does not would shift the mean if it were taken. */
static void only_fresh_conversions_count(void **state)
{
	struct made m = plain(5);
	struct err err = { 0 };
	(void)state;

	m.perfect = true;
	m.n_steps = 1;
	made_run(&m);
	logbook_close(m.lb);
	assert_int_equal(logbook_open(m.path, &m.lb, &err), RC_OK);
	struct run_head head = { .kind = "sweep",
				 .rig_text = made_rig,
				 .actuator_text = made_actuator,
				 .plan_text = made_plan,
				 .actuator_name = "made-winder",
				 .plan_name = "made",
				 .mono_ns = 1,
				 .wall_ns = 1,
				 .calibration_id = m.calibration_id };
	assert_int_equal(logbook_run_begin(m.lb, &head, &err), RC_OK);
	m.run_id = head.id;
	made_tare(&m);
	double begin_s = m.t_s;
	const struct made_step s = { 10, 85, 48, 3, 0.3, 1, false };
	uint32_t last = m.conversions;
	for (int i = 0; i < 400; i++) {
		struct sample row = made_sample(&m, &s, 0, NULL);
		if (row.cell_conversions == last)
			row.cell_count = -4000000;
		last = row.cell_conversions;
		assert_int_equal(logbook_samples(m.lb, m.run_id, &row, 1, &err), RC_OK);
		row.mono_ns += 1000;
		row.voltage_V = 1e6; /* the same sample once more: nothing of it may be taken again */
		assert_int_equal(logbook_samples(m.lb, m.run_id, &row, 1, &err), RC_OK);
	}
	made_point(&m, 0, 0, 10, begin_s);
	made_tare(&m);
	struct curve *c = NULL;
	assert_int_equal(curve_from_run(m.lb, m.run_id, &c, &err), RC_OK);
	assert_true(fabs(c->points[0].torque_Nm.value - 10) < 1e-4);
	assert_true(fabs(c->points[0].voltage_V.value - 48) < 1e-9);
	curve_free(c);
	made_free(&m);
}

static const struct {
	const char *name;
	size_t offset;
} quantities[] = {
	{ "torque", offsetof(struct curve_point, torque_Nm) },
	{ "speed", offsetof(struct curve_point, speed_rpm) },
	{ "input power", offsetof(struct curve_point, input_power_W) },
	{ "efficiency", offsetof(struct curve_point, efficiency) },
};

static double truth_of(const struct made_truth *t, size_t quantity)
{
	double shaft_W = t->torque_Nm * t->speed_rpm * 2 * 3.14159265358979 / 60;

	return quantity == 0   ? t->torque_Nm
	       : quantity == 1 ? t->speed_rpm
	       : quantity == 2 ? t->watt
			       : shaft_W / t->watt;
}

/* Over many rigs with errors drawn within what is stated, 95 % intervals hold the truth 95 % of the time. Points of a
 * rig share its errors, so rigs are counted: with 200 of them the standard error of a share of 95 % is about 1.5 %. */
static void intervals_cover_the_truth_as_often_as_they_say(void **state)
{
	enum { RIGS = 200 };
	size_t inside[4] = { 0 }, n = 0;
	(void)state;

	for (unsigned long seed = 1000; seed < 1000 + RIGS; seed++) {
		struct made m = plain(seed);
		m.window_s = 2;
		struct curve *c = reduced(&m);
		/* one point a rig, a different one each time: independent draws */
		size_t at = seed % c->n;
		for (size_t q = 0; q < 4; q++) {
			struct unc x = *(const struct unc *)((const char *)&c->points[at] + quantities[q].offset);
			double U = unc_expanded(c->ctx, x, 0.95, NULL);
			inside[q] += fabs(x.value - truth_of(&m.truth[at], q)) <= U;
		}
		n++;
		curve_free(c);
		made_free(&m);
	}
	print_message("# seeds 1000 to %d\n", 999 + RIGS);
	for (size_t q = 0; q < 4; q++)
		print_message("# %s: %.1f %% inside\n", quantities[q].name, 100 * (double)inside[q] / (double)n);
	for (size_t q = 0; q < 4; q++) {
		/* 95 % less and more three standard errors; above it would be too wide */
		assert_true((double)inside[q] >= 0.905 * (double)n);
		assert_true((double)inside[q] <= 0.996 * (double)n);
	}
}

static int remarks_with(const struct curve *c, const char *part)
{
	int n = 0;

	for (size_t i = 0; i < c->n_remarks; i++)
		n += strstr(c->remarks[i], part) != NULL;
	return n;
}

/* A resumed sweep is one curve: points of both runs, each with the zero of its own run. The second run's zero lies 3
 * N.m away, as after a remounted cell: were it mixed up, torque would be off by that. */
static void a_resumed_sweep_is_one_curve(void **state)
{
	struct made m = plain(12);
	struct err err = { 0 };
	(void)state;

	m.perfect = true;
	m.n_steps = 2;
	made_run(&m);
	logbook_close(m.lb);
	assert_int_equal(logbook_open(m.path, &m.lb, &err), RC_OK);
	struct run_head head = { .kind = "sweep",
				 .rig_text = made_rig,
				 .actuator_text = made_actuator,
				 .plan_text = made_plan,
				 .actuator_name = "made-winder",
				 .plan_name = "made",
				 .mono_ns = 1,
				 .wall_ns = 1,
				 .calibration_id = m.calibration_id,
				 .resumes_run_id = m.run_id };
	assert_int_equal(logbook_run_begin(m.lb, &head, &err), RC_OK);
	int64_t first = m.run_id;
	m.run_id = head.id;
	m.zero_count += 3 * MADE_COUNT_PER_Nm;
	made_tare(&m);
	double begin_s = m.t_s;
	made_stretch(&m, &m.step[2], 2, NULL);
	made_point(&m, 2, 0, 20, begin_s);
	made_tare(&m);
	struct curve *c = NULL;
	assert_int_equal(curve_from_run(m.lb, m.run_id, &c, &err), RC_OK);
	assert_int_equal(c->n, 3);
	static const double expect[] = { 5, 10, 20 };
	for (size_t i = 0; i < 3; i++) {
		assert_true(fabs(c->points[i].torque_Nm.value - expect[i]) < 1e-4);
		assert_int_equal(c->points[i].run_id, i < 2 ? first : m.run_id);
	}
	/* the part before says how it ended, and each run with one zero is named */
	char earlier[80], single[80];
	snprintf(earlier, sizeof earlier, "Run %lld, which this run continues, ", (long long)first);
	snprintf(single, sizeof single, "Run %lld read its zero only once.", (long long)first);
	assert_int_equal(remarks_with(c, earlier), 1);
	assert_int_equal(remarks_with(c, single), 0);
	curve_free(c);
	made_free(&m);
}

/* Fifteen speeds at which the limit was looked for: fifteen remarks, and what makes the run doubtful is before them. */
static void what_forced_a_run_is_told_however_much_else_is(void **state)
{
	struct made m = plain(14);
	struct err err = { 0 };
	struct curve *c = NULL;
	(void)state;

	m.perfect = true;
	m.n_steps = 2;
	made_run(&m);
	logbook_close(m.lb);
	assert_int_equal(logbook_open(m.path, &m.lb, &err), RC_OK);
	struct run_head head = { .kind = "sweep",
				 .rig_text = made_rig,
				 .actuator_text = made_actuator,
				 .plan_text = made_plan,
				 .actuator_name = "made-winder",
				 .plan_name = "made",
				 .mono_ns = 1,
				 .wall_ns = 1,
				 .calibration_id = m.calibration_id,
				 .resumes_run_id = m.run_id };
	assert_int_equal(logbook_run_begin(m.lb, &head, &err), RC_OK);
	for (int i = 0; i < 15; i++) {
		char text[80];
		snprintf(text, sizeof text, "no limit at %d rpm up to 20 N\u00b7m: 90 %% of the brake torque", 10 + i);
		assert_int_equal(logbook_event(m.lb, head.id, i, "note", text, &err), RC_OK);
	}
	/* The run that resumes it does not search anew: its word of no load leaves the older one. */
	assert_int_equal(
		logbook_event(m.lb, head.id, 16, "note",
			      "no limit at 10 rpm up to 0 N\u00b7m: a resumed sweep does not take the search up again",
			      &err),
		RC_OK);
	assert_int_equal(logbook_event(m.lb, head.id, 20, "forced", "the lock is closed today", &err), RC_OK);
	assert_int_equal(curve_from_run(m.lb, head.id, &c, &err), RC_OK);
	assert_int_equal(remarks_with(c, "Search for the limit"), 15);
	assert_int_equal(remarks_with(c, "does not take the search up again"), 0);
	assert_int_equal(remarks_with(c, "forced past a refusal"), 1);
	assert_non_null(strstr(c->remarks[0], "the lock is closed today"));
	assert_int_equal(remarks_with(c, "which this run continues, "), 1);
	curve_free(c);
	made_free(&m);
}

static double part_by_name(const struct curve *c, struct unc x, const char *name)
{
	for (uint32_t s = 0; s < unc_source_count(c->ctx); s++)
		if (strcmp(unc_source_name(c->ctx, s), name) == 0)
			return fabs(unc_part_of(x, s));
	fail_msg("no source \"%s\"", name);
	return NAN;
}

/* Drag of 0.5 N.m forwards and 1.1 times that backwards, as the profile says: the zero is what lies between, and what
 * is left is the doubt of the ratio, 0.02/sqrt 3, times 0.5/(1 + 1.1). */
static void a_zero_by_turning_both_ways_knows_the_drags_ratio(void **state)
{
	struct made m = plain(13);
	struct err err = { 0 };
	char *rig = with(made_rig, "min_slip = 5 rpm\n", "min_slip = 5 rpm\ndrag_ratio = 1.1 ± 0.02 rect\n");
	const struct made_step s = { 10, 85, 48, 3, 0.3, 1, false };
	(void)state;

	m.perfect = true;
	m.n_steps = 1;
	m.rig_text = rig;
	made_run(&m);
	logbook_close(m.lb);
	assert_int_equal(logbook_open(m.path, &m.lb, &err), RC_OK);
	struct run_head head = { .kind = "sweep",
				 .rig_text = rig,
				 .actuator_text = made_actuator,
				 .plan_text = made_plan,
				 .actuator_name = "made-winder",
				 .plan_name = "made",
				 .mono_ns = 1,
				 .wall_ns = 1,
				 .calibration_id = m.calibration_id };
	assert_int_equal(logbook_run_begin(m.lb, &head, &err), RC_OK);
	m.run_id = head.id;
	made_half(&m, +1, 0.5, 3);
	made_half(&m, -1, -0.55, 3);
	double begin_s = m.t_s;
	made_stretch(&m, &s, 3, NULL);
	made_point(&m, 0, 0, 10, begin_s);
	struct curve *c = NULL;
	assert_int_equal(curve_from_run(m.lb, m.run_id, &c, &err), RC_OK);
	assert_true(fabs(c->points[0].torque_Nm.value - 10) < 1e-4);
	double unlike = part_by_name(c, c->points[0].torque_Nm, "drag unlike both ways at zero");
	assert_true(fabs(unlike - 0.02 / sqrt(3) * 0.5 / 2.1) < 1e-6);
	curve_free(c);
	made_free(&m);
	free(rig);
}

static void tare_at_rest(struct made *m)
{
	const struct made_step rest = { .volt = 48, .amp = 0.05 };
	double begin_s = m->t_s;

	made_stretch(m, &rest, 3, NULL);
	made_point(m, 0, POINT_TARE, NAN, begin_s);
}

/* A run of its own after the made one: 10 N.m between a first zero and, at will, a last. */
static void begin_own_run(struct made *m, const char *rig)
{
	struct err err = { 0 };

	m->perfect = true;
	m->n_steps = 1;
	m->rig_text = rig;
	made_run(m);
	logbook_close(m->lb);
	assert_int_equal(logbook_open(m->path, &m->lb, &err), RC_OK);
	struct run_head head = { .kind = "sweep",
				 .rig_text = rig ? rig : made_rig,
				 .actuator_text = made_actuator,
				 .plan_text = made_plan,
				 .actuator_name = "made-winder",
				 .plan_name = "made",
				 .mono_ns = 1,
				 .wall_ns = 1,
				 .calibration_id = m->calibration_id };
	assert_int_equal(logbook_run_begin(m->lb, &head, &err), RC_OK);
	m->run_id = head.id;
}

static void load_10_Nm(struct made *m)
{
	const struct made_step s = { 10, 85, 48, 3, 0.3, 1, false };
	double begin_s = m->t_s;

	made_stretch(m, &s, 3, NULL);
	made_point(m, 0, 0, 10, begin_s);
}

static struct curve *own_run(struct made *m)
{
	struct curve *c = NULL;
	struct err err = { 0 };

	if (curve_from_run(m->lb, m->run_id, &c, &err) != RC_OK)
		fail_msg("%s", err.what);
	return c;
}

/* Drag that falls from 0.7 to 0.5 N.m between two forward readings and is 0.6 in the middle, where the shaft turns
 * back: nothing of it is in the zero. Forward and back alone would be off by half of 0.1. Its limits: a quarter of 0.2
 * (calib/cell/turned_zero.h). An earlier try in the same row counts for nothing. */
static void forward_back_forward_takes_fading_drag_out(void **state)
{
	struct made m = plain(31);
	(void)state;

	begin_own_run(&m, NULL);
	made_half(&m, +1, 3.0, 2);
	made_half(&m, -1, -1.6, 2);
	made_half(&m, +1, 0.7, 2);
	made_half(&m, -1, -0.6, 2);
	made_half(&m, +1, 0.5, 2);
	load_10_Nm(&m);
	struct curve *c = own_run(&m);
	assert_true(fabs(c->points[0].torque_Nm.value - 10) < 1e-4);
	assert_true(fabs(part_by_name(c, c->points[0].torque_Nm, "drag fading at zero reading 1") - 0.05 / sqrt(3)) <
		    1e-5);
	assert_true(c->zero.turned && !c->zero.doubted);
	assert_int_equal(c->zero.n, 1);
	curve_free(c);
	made_free(&m);
}

/* A shaft at rest may hold friction of 3 % of 50 N.m, or what the profile says. */
static void a_zero_at_rest_owns_up_to_locked_in_friction(void **state)
{
	(void)state;
	for (int stated = 0; stated < 2; stated++) {
		struct made m = plain(32);
		char *rig = with(made_rig, "min_slip = 5 rpm\n",
				 stated ? "min_slip = 5 rpm\ndrag = 0.8 N.m\n" : "min_slip = 5 rpm\n");
		double limit_Nm = stated ? 0.8 : 1.5;

		begin_own_run(&m, rig);
		tare_at_rest(&m);
		load_10_Nm(&m);
		tare_at_rest(&m);
		struct curve *c = own_run(&m);
		assert_true(fabs(c->points[0].torque_Nm.value - 10) < 1e-4);
		double u = part_by_name(c, c->points[0].torque_Nm, "friction locked in at a zero at rest");
		assert_true(fabs(u - limit_Nm / sqrt(3)) < 1e-6);
		assert_false(c->zero.turned);
		assert_non_null(strstr(c->zero.note, "second pick-up sensor"));
		curve_free(c);
		made_free(&m);
		free(rig);
	}
}

/* Zeros 0.3 N.m apart that nothing explains: the point takes the line, and two standard uncertainties reach from it to
 * either reading. 0.01 N.m apart is what a cell of 60 N.m does: limits of half of it, in the middle. */
static void a_zero_that_moved_is_doubted_and_u_holds_both(void **state)
{
	(void)state;
	for (int far = 0; far < 2; far++) {
		struct made m = plain(33);
		double moved_Nm = far ? 0.3 : 0.01;

		begin_own_run(&m, NULL);
		made_tare(&m);
		load_10_Nm(&m);
		m.zero_count += moved_Nm * MADE_COUNT_PER_Nm;
		made_tare(&m);
		struct curve *c = own_run(&m);
		assert_int_equal(c->zero.doubted, far);
		assert_true(fabs(c->zero.moved_Nm - moved_Nm) < 1e-4);
		double error = fabs(c->points[0].torque_Nm.value - 10),
		       u = part_by_name(c, c->points[0].torque_Nm, "zero drift after reading 1");
		if (far) {
			assert_true(fabs(u - 0.15) < 1e-4);
			assert_true(2 * u > error);
			assert_non_null(strstr(c->zero.note, "doubtful"));
		} else {
			assert_true(u < 0.0051 / sqrt(3));
			assert_int_equal(c->zero.note[0], '\0');
		}
		curve_free(c);
		made_free(&m);
	}
}

/* Friction of up to 1.5 N.m explains 0.9 N.m between two zeros at rest. The 0.3 N.m between two turned ones are the
 * doubt, though less. */
static void the_stretch_that_is_doubted_is_the_one_told(void **state)
{
	struct made m = plain(34);

	(void)state;
	begin_own_run(&m, NULL);
	tare_at_rest(&m);
	load_10_Nm(&m);
	m.zero_count += 0.9 * MADE_COUNT_PER_Nm;
	tare_at_rest(&m);
	load_10_Nm(&m);
	made_tare(&m);
	load_10_Nm(&m);
	m.zero_count += 0.3 * MADE_COUNT_PER_Nm;
	made_tare(&m);
	struct curve *c = own_run(&m);
	assert_true(c->zero.doubted);
	assert_true(fabs(c->zero.moved_Nm - 0.3) < 1e-4);
	assert_non_null(strstr(c->zero.note, "moved by +0.3 N·m"));
	assert_true(c->zero.u_moved_Nm < 0.05);
	curve_free(c);
	made_free(&m);
}

/* The cell's loop at its calibration was 0.1 N.m wide at 25 N.m, 4 x (1 - x) of that elsewhere. A rising point is on
 * the branch that rising weights gave: nothing of the loop is in it. A point at 20 N.m that came down from 30 N.m is on
 * the falling branch of the smaller loop: 0.1 N.m times 4 times the mean of 0.6^2 2/3 (1 - 2/3) and 0.8 (1 - 0.8),
 * calib/cell/cellcal.h. */
static void a_point_lies_on_the_branch_of_its_history(void **state)
{
	struct made m = plain(14);
	const struct made_step back = { 20, 85, 47.8, 5.5, 0.5, 1, false };
	(void)state;

	m.perfect = true;
	m.loop_Nm = 0.1;
	m.step[m.n_steps++] = back;
	struct curve *c = reduced(&m);
	static const double expect[] = { 5, 10, 20, 30, 20 - 0.4 * (0.08 + 0.16) / 2 };
	assert_int_equal(c->n, 5);
	for (size_t i = 0; i < c->n; i++)
		if (!(fabs(c->points[i].torque_Nm.value - expect[i]) < 5e-4))
			fail_msg("point %zu: %.5f N.m, expected %.5f", i, c->points[i].torque_Nm.value, expect[i]);
	double doubt = part_by_name(c, c->points[4].torque_Nm, "loop of the cell at this turn");
	assert_true(fabs(doubt - 0.4 * (0.16 - 0.08) / 2) < 1e-4);
	curve_free(c);
	made_free(&m);
}

/* A bearing outside the cradle takes 0.02 N.m that the cell does not see; its own interval goes into the point. */
static void drag_outside_the_cradle_is_added(void **state)
{
	struct made m = plain(15);
	char *rig = with(made_rig, "min_slip = 5 rpm\n", "min_slip = 5 rpm\noutside_drag = 0.02 N.m ± 0.01 N.m\n");
	(void)state;

	m.perfect = true;
	m.rig_text = rig;
	struct curve *c = reduced(&m);
	assert_true(c->at_flange);
	for (size_t i = 0; i < c->n; i++) {
		assert_true(fabs(c->points[i].torque_Nm.value - m.step[i].torque_Nm - 0.02) < 1e-4);
		double u = part_by_name(c, c->points[i].torque_Nm, "drag of the bearing outside the cradle");
		assert_true(fabs(u - 0.01 / sqrt(3)) < 1e-9);
	}
	curve_free(c);
	made_free(&m);
	free(rig);
}

/* Each loading scatters by itself: in every point once, of a source of its own. */
static void repeatability_is_in_every_point_once(void **state)
{
	struct made m = plain(16);
	(void)state;

	struct curve *c = reduced(&m);
	assert_false(c->at_flange);
	for (size_t i = 0; i < c->n; i++) {
		size_t found = 0;
		for (uint32_t s = 0; s < unc_source_count(c->ctx); s++)
			if (strncmp(unc_source_name(c->ctx, s), "cell repeatability", 18) == 0 &&
			    unc_part_of(c->points[i].torque_Nm, s) > 0)
				found++;
		assert_int_equal(found, 1);
	}
	curve_free(c);
	made_free(&m);
}

/* Torque that fluctuates at a steady speed and input power: another window's shaft power differs by what its torque
 * differs, times the speed, and its efficiency by that over the input power. Two estimates of the same from the same
 * window, one of them from 20 stretches: alike on average within a third. */
static void scatter_of_power_is_that_of_torque_at_a_steady_speed(void **state)
{
	double torque = 0, shaft = 0, efficiency = 0;
	(void)state;

	for (unsigned long seed = 300; seed < 310; seed++) {
		struct made m = plain(seed);
		m.ripple_Nm = 0.5;
		struct curve *c = reduced(&m);
		for (size_t i = 0; i < c->n; i++) {
			const struct curve_point *p = &c->points[i];
			double omega = p->speed_rpm.value * UNITS_PI / 30;
			torque += p->scatter_Nm;
			shaft += p->scatter_shaft_W / omega;
			efficiency += p->scatter_efficiency * p->input_power_W.value / omega;
			assert_true(p->scatter_rpm < 0.01 && p->scatter_input_W < 0.1);
		}
		curve_free(c);
		made_free(&m);
	}
	assert_true(torque > 0.1);
	assert_true(fabs(shaft / torque - 1) < 0.33);
	assert_true(fabs(efficiency / torque - 1) < 0.33);
}

static void refuses_what_is_no_sweep(void **state)
{
	struct made m = plain(7);
	struct err err = { 0 };
	struct curve *c = NULL;
	(void)state;

	made_run(&m);
	assert_int_equal(curve_from_run(m.lb, 99, &c, &err) == RC_OK, 0);
	assert_null(c);
	logbook_close(m.lb);
	assert_int_equal(logbook_open(m.path, &m.lb, &err), RC_OK);
	struct run_head head = { .kind = "sweep",
				 .rig_text = made_rig,
				 .actuator_text = made_actuator,
				 .plan_text = made_plan,
				 .mono_ns = 1,
				 .wall_ns = 1,
				 .calibration_id = m.calibration_id };
	assert_int_equal(logbook_run_begin(m.lb, &head, &err), RC_OK);
	assert_int_equal(curve_from_run(m.lb, head.id, &c, &err), RC_ARG);
	assert_non_null(strstr(err.what, "no finished point"));
	/* A load point without any zero reading. */
	m.run_id = head.id;
	double begin_s = m.t_s;
	const struct made_step s = { 10, 85, 48, 3, 0.3, 1, false };
	made_stretch(&m, &s, 2, NULL);
	made_point(&m, 0, 0, 10, begin_s);
	assert_int_equal(curve_from_run(m.lb, head.id, &c, &err), RC_ARG);
	assert_non_null(strstr(err.what, "zero reading"));
	made_free(&m);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_perfect_rig_gives_back_what_was_put_in),
		cmocka_unit_test(the_arm_is_common_to_all_points),
		cmocka_unit_test(power_is_the_mean_of_products),
		cmocka_unit_test(power_inside_the_averages_is_told_or_owned_up_to),
		cmocka_unit_test(what_is_known_of_the_meters_is_taken_off),
		cmocka_unit_test(a_meter_at_the_supply_is_brought_to_the_actuator),
		cmocka_unit_test(only_fresh_conversions_count),
		cmocka_unit_test(intervals_cover_the_truth_as_often_as_they_say),
		cmocka_unit_test(a_resumed_sweep_is_one_curve),
		cmocka_unit_test(what_forced_a_run_is_told_however_much_else_is),
		cmocka_unit_test(a_zero_by_turning_both_ways_knows_the_drags_ratio),
		cmocka_unit_test(a_point_lies_on_the_branch_of_its_history),
		cmocka_unit_test(drag_outside_the_cradle_is_added),
		cmocka_unit_test(repeatability_is_in_every_point_once),
		cmocka_unit_test(forward_back_forward_takes_fading_drag_out),
		cmocka_unit_test(a_zero_at_rest_owns_up_to_locked_in_friction),
		cmocka_unit_test(a_zero_that_moved_is_doubted_and_u_holds_both),
		cmocka_unit_test(the_stretch_that_is_doubted_is_the_one_told),
		cmocka_unit_test(scatter_of_power_is_that_of_torque_at_a_steady_speed),
		cmocka_unit_test(refuses_what_is_no_sweep),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
