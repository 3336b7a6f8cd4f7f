/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The search for the limit in a sweep of the tiny rig, whose limits are known: its motor's torque, its supply's power.
 */
#include "run/seq_sweep.h"

#include "channel/limit_found.h"
#include "run/sweep_search.h"
#include "tests/unit/run/tiny_rig.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#include "tests/unit/run/tiny_sweep.h"

struct seen {
	struct seq_point limit; /* the point with the mark */
	int limits, found, searched;
	double most_Nm;     /* commanded of a search */
	double least_share; /* of a try's load that is set on the way to it */
	struct limit_found told[4];
	char order[400], note[200];
};

static void watch(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;
	const struct seq_point *p = &out->event.point;
	size_t used = strlen(s->order);

	(void)rig;
	if (sweep.phase == SWEEP_LOAD && sweep.item[sweep.at].search && sweep.item[sweep.at].direction > 0)
		s->least_share = fmin(s->least_share, sweep.set / sweep.item[sweep.at].set);
	if (out->event.kind == SEQ_EVENT_NOTE && s->found < 4 &&
	    limit_found_read(out->event.text, &s->told[s->found])) {
		snprintf(s->note, sizeof s->note, "%s", out->event.text);
		s->found++;
	}
	if (out->event.kind != SEQ_EVENT_POINT)
		return;
	if (p->flags & POINT_AT_LIMIT) {
		s->limit = *p;
		s->limits++;
	}
	if (p->flags & POINT_SEARCH) {
		s->searched++;
		s->most_Nm = fmax(s->most_Nm, p->setpoint_Nm);
	}
	snprintf(s->order + used, sizeof s->order - used, "%s%.4g%s%s", used ? " " : "", fabs(p->setpoint_Nm),
		 p->direction > 0   ? "u"
		 : p->direction < 0 ? "d"
				    : "",
		 p->flags & POINT_REPEAT ? "r" : "");
}

static struct plan_profile four_loads(void)
{
	return (struct plan_profile){ .load = LOAD_TORQUE,
				      .drive = PLAN_SPEED,
				      .n_speeds = 1,
				      .speed_rpm = { 60 },
				      .n = 4,
				      .step = { 0, 8, 16, 24 },
				      .down = true,
				      .repeat_first = true };
}

static struct sweep_config config_of(const struct plan_profile *p, double ceiling)
{
	struct sweep_config c = tiny_sweep_config();

	c.top_rpm = plan_top_rpm(p);
	c.timeout_s = 30;
	c.search = (struct sweep_search_config){
		.n = p->n_speeds, .step = 8, .fine = 1, .first_step = (int)p->n, .down = p->down
	};
	for (int i = 0; i < TEMP_COUNT; i++)
		c.search.hot_degC[i] = INFINITY;
	for (size_t k = 0; k < p->n_speeds; k++) {
		c.search.at[k].rpm = p->speed_rpm[k];
		c.search.at[k].ceiling = ceiling;
		c.search.at[k].ceiling_why = "90 % of the brake torque";
	}
	return c;
}

static void run(struct tiny_rig *rig, const struct plan_profile *p, const struct sweep_config *c, struct seen *seen)
{
	struct sweep_item items[SWEEP_ITEMS];
	size_t n = sweep_order(p, NULL, items);
	struct sweep_leg leg[SWEEP_WAYS];
	size_t legs = sweep_legs(items, n, leg);

	*seen = (struct seen){ .least_share = INFINITY };
	rig->tare_count = rig->zero_count;
	for (size_t i = 0; i < legs; i++) {
		assert_true(seq_sweep_begin(&sweep, c, items + leg[i].first, leg[i].n));
		assert_true(tiny_run(rig, seq_sweep_step, &sweep, 1500, watch, seen).done);
	}
}

/* 30 N·m: 28 holds, 32 and 30 do not (the motor has its own friction to carry), 29 is decided by that friction. */
static void finds_where_the_actuator_no_longer_holds(void **state)
{
	struct tiny_rig rig = tiny_rig_make(101);
	struct plan_profile p = four_loads();
	struct sweep_config c = config_of(&p, 40);
	struct seen seen;

	(void)state;
	rig.motor_most_Nm = 28.6;
	run(&rig, &p, &c, &seen);
	assert_string_equal(seen.order, "0u 8u 16u 24u 28u 28ur 24d 16d 8d 0d 0r");
	assert_int_equal(seen.limits, 1);
	assert_int_equal(seen.found, 1);
	assert_true(fabs(seen.told[0].held - 28) < 1e-6 && fabs(seen.told[0].failed - 29) < 1e-6);
	assert_true(seen.limit.flags & POINT_SEARCH);
	assert_true(fabs(seen.limit.mean_torque_Nm - 28) < 0.6);
	assert_non_null(strstr(seen.note, "the speed fell"));
}

/* A supply of 200 W: 31.83 N·m at 60 rpm. A heavier load settles at a lower speed, which is no holding. */
static void a_speed_that_is_not_held_ends_it(void **state)
{
	struct tiny_rig rig = tiny_rig_make(102);
	struct plan_profile p = four_loads();
	struct sweep_config c = config_of(&p, 40);
	struct seen seen;

	(void)state;
	rig.motor_most_W = 200;
	run(&rig, &p, &c, &seen);
	assert_int_equal(seen.found, 1);
	assert_true(seen.told[0].held < 31.84 * 1.01 && seen.told[0].failed > 31.83 && seen.told[0].failed < 33.1);
	assert_true(strstr(seen.note, "the speed was not held") || strstr(seen.note, "the speed fell"));
	assert_int_equal(seen.limits, 1);
	/* 32 N·m were set and 30 are next: met from 26, half a step of 8 below, and not from nothing */
	assert_true(seen.least_share > 0.8 && seen.least_share < 0.9);
}

static void nothing_is_tried_above_the_ceiling(void **state)
{
	struct tiny_rig rig = tiny_rig_make(103);
	struct plan_profile p = four_loads();
	struct sweep_config c = config_of(&p, 34.5);
	struct seen seen;

	(void)state;
	run(&rig, &p, &c, &seen);
	assert_string_equal(seen.order, "0u 8u 16u 24u 28u 32u 34.5u 32d 28d 24d 16d 8d 0d 0r");
	assert_int_equal(seen.limits, 0);
	assert_true(isnan(seen.told[0].failed) && fabs(seen.told[0].held - 34.5) < 1e-6);
	assert_non_null(strstr(seen.note, "90 % of the brake torque"));
}

/* tiny_rig.h draws 1 A; the square of 28 by 24 of it is more than 90 % of 1.2 A, of 2 A it is less. */
static void the_supply_allows_no_more(void **state)
{
	struct tiny_rig rig = tiny_rig_make(104);
	struct plan_profile p = four_loads();
	struct sweep_config c = config_of(&p, 40);
	struct seen seen;

	(void)state;
	c.search.supply_A = 1.2;
	run(&rig, &p, &c, &seen);
	assert_string_equal(seen.order, "0u 8u 16u 24u 16d 8d 0d 0r");
	assert_non_null(strstr(seen.note, "90 % of the supply's current"));
	c.search.supply_A = 2;
	rig = tiny_rig_make(104);
	run(&rig, &p, &c, &seen);
	assert_true(seen.searched > 0);
}

/* The case of tiny_rig.h is at 30 °C: too near to 34. */
static void heat_allows_no_more(void **state)
{
	struct tiny_rig rig = tiny_rig_make(105);
	struct plan_profile p = four_loads();
	struct sweep_config c = config_of(&p, 40);
	struct seen seen;

	(void)state;
	c.search.hot_degC[TEMP_CASE] = 34;
	run(&rig, &p, &c, &seen);
	assert_string_equal(seen.order, "0u 8u 16u 24u 16d 8d 0d 0r");
	assert_non_null(strstr(seen.note, "a temperature is near its limit"));
}

/* The case of tiny_rig.h is at 30 °C; here it is no longer read on the way up, and the winding never was. */
static void a_temperature_that_is_lost_allows_no_more(void **state)
{
	struct plan_profile p = four_loads();
	struct sweep_config c = config_of(&p, 40);
	struct seen seen;

	(void)state;
	for (int lost = 0; lost < 2; lost++) {
		struct tiny_rig rig = tiny_rig_make(105);
		c.search.hot_degC[TEMP_CASE] = c.search.hot_degC[TEMP_WINDING] = 120;
		rig.case_lost_s = lost ? 5 : 0;
		run(&rig, &p, &c, &seen);
		assert_int_equal(seen.searched > 0, !lost);
		assert_int_equal(strstr(seen.note, "a temperature is no longer measured") != NULL, lost);
	}
}

static void each_speed_and_way_has_its_own(void **state)
{
	struct tiny_rig rig = tiny_rig_make(106);
	struct plan_profile p = four_loads();
	struct seen seen;

	(void)state;
	p.n_speeds = 3;
	p.speed_rpm[0] = 30;
	p.speed_rpm[1] = 60;
	p.speed_rpm[2] = -60;
	p.down = false;
	p.repeat_first = false;
	struct sweep_config c = config_of(&p, 40);
	rig.motor_most_W = 200; /* 63.7 N·m at 30 rpm, 31.8 N·m at 60 rpm */
	run(&rig, &p, &c, &seen);
	assert_int_equal(seen.found, 3);
	assert_true(isnan(seen.told[0].failed) && fabs(seen.told[0].rpm - 30) < 1e-6);
	for (int i = 1; i < 3; i++)
		assert_true(seen.told[i].failed > 31.8 && seen.told[i].held < 32.2);
	assert_true(fabs(seen.told[2].rpm + 60) < 1e-6);
	assert_int_equal(seen.limits, 2);
}

/* What held, at which current, is not known of the first run: no limit is told where it took a load. */
static void a_resumed_run_does_not_take_the_search_up(void **state)
{
	struct plan_profile p = four_loads();
	struct sweep_config c = config_of(&p, 40);

	(void)state;
	for (int came = 0; came < 3; came++) {
		struct sweep_item items[SWEEP_ITEMS];
		size_t n = sweep_order(&p, NULL, items);
		for (int i = 0; i < 4; i++)
			assert_true(sweep_cross_off(items, n, i, +1, 60, 0));
		if (came == 1)
			assert_true(sweep_cross_off(items, n, 2, -1, 60, 0));
		if (came == 2)
			assert_false(sweep_cross_off(items, n, 6, +1, 60, POINT_SEARCH | POINT_AT_LIMIT));
		assert_true(seq_sweep_begin(&sweep, &c, items, n));
		assert_false(sweep.item[sweep.at].search);
		assert_int_equal(strstr(sweep.found_text, "start a new one") != NULL, came == 0);
	}
}

static void the_sentence_reads_back(void **state)
{
	const struct limit_found all[] = { { 60, 23.75, 24.375 }, { -30, 45, NAN }, { 60, NAN, NAN } };
	char text[120];
	struct limit_found r;

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		limit_found_write(&all[i], "N\u00b7m", "the speed fell", text, sizeof text);
		assert_true(limit_found_read(text, &r));
		assert_true(fabs(r.rpm - all[i].rpm) < 1e-9 && isnan(r.failed) == isnan(all[i].failed));
		assert_true(isnan(all[i].held) ? isnan(r.held) : fabs(r.held - all[i].held) < 1e-9);
	}
	assert_string_equal(text, "no limit found at 60 rpm: the speed fell");
	/* as an older logbook has it */
	assert_true(limit_found_read("no limit at 60 rpm up to 0 N\u00b7m: no load held", &r));
	assert_true(r.rpm > 59 && isnan(r.held) && isnan(r.failed));
	assert_false(limit_found_read("step 4: torque moves by 0.1", &r));
}

/* A search at 60 rpm alone, its way up as far as a test says. */
static struct sweep_search *begun(struct sweep_config *c)
{
	struct plan_profile p = four_loads();
	struct sweep_item items[SWEEP_ITEMS];

	*c = config_of(&p, 40);
	assert_true(seq_sweep_begin(&sweep, c, items, sweep_order(&p, NULL, items)));
	return &sweep.search[0];
}

/* One point on the way up: at this speed, with its torque reached or not. */
static bool point(double set, double rpm, bool reached, int direction)
{
	const struct sweep_item it = { .direction = direction, .set = set, .rpm = 60 };

	stats_run_begin(&sweep.speed);
	stats_run_begin(&sweep.ampere);
	stats_run_add(&sweep.speed, rpm);
	stats_run_add(&sweep.ampere, set / 10);
	return sweep_search_point(&sweep, &it, reached);
}

/* A load holds with its torque and its speed; where the lightest was short of its speed already, with its torque. */
static void what_holding_means(void **state)
{
	static const struct {
		double lightest_rpm, rpm;
		bool reached, holds;
		const char *why;
	} rows[] = {
		{ 60, 60, true, true, "" },
		{ 60, 59.5, true, true, "" }, /* within 1 % */
		{ 60, 59, true, false, "the speed was not held" },
		{ 60, 60, false, false, "the torque was not reached" },
		{ 50, 45, true, true, "" },
		{ 50, 45, false, false, "the torque was not reached" },
	};
	struct sweep_config c;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct sweep_search *k = begun(&c);
		point(0, rows[i].lightest_rpm, true, 1);
		point(8, rows[i].rpm, rows[i].reached, 1);
		assert_true(fabs(k->limit.held - (rows[i].holds ? 8 : 0)) < 1e-9);
		assert_string_equal(k->limit.why, rows[i].why);
		assert_true(fabs(k->held_A - (rows[i].holds ? 0.8 : 0)) < 1e-9);
	}
	struct sweep_search *k = begun(&c);
	point(8, 60, true, 1);
	point(5, 60, true, 1); /* a lighter one later says nothing of the current of the heaviest */
	assert_true(fabs(k->held_A - 0.8) < 1e-9 && fabs(k->limit.held - 8) < 1e-9);
	const struct sweep_item falling = { .direction = -1, .set = 3, .rpm = 60 },
				other = { .direction = 1, .set = 3, .rpm = 30 };
	point(3, 10, false, -1); /* nor does the way down, nor another speed */
	sweep_search_failed(&sweep, &falling, "the speed fell");
	sweep_search_failed(&sweep, &other, "the speed fell");
	assert_true(isnan(k->limit.failed));
}

/* Without a current of the supply no try is made where a limit of it is watched. */
static void what_is_not_measured_allows_no_try(void **state)
{
	struct sweep_config c;
	struct sweep_search *k = begun(&c);

	(void)state;
	sweep.config.search.supply_A = 2;
	point(0, 60, true, 1);
	for (size_t i = 0; i < sweep.n; i++)
		sweep.item[i].done |= sweep.item[i].direction > 0;
	k->held_A = NAN;
	sweep.at = 4;
	sweep_search_go_on(&sweep);
	assert_true(k->limit.over);
	assert_non_null(strstr(sweep.found_text, "the supply's current is not measured"));
	/* a load of nothing has a current of its own, which a heavier one is not reckoned from */
	k = begun(&c);
	sweep.config.search.supply_A = 2;
	point(0, 60, true, 1);
	k->held_A = 1;
	for (size_t i = 0; i < sweep.n; i++)
		sweep.item[i].done |= sweep.item[i].direction > 0;
	sweep.at = 4;
	sweep_search_go_on(&sweep);
	assert_true(!k->limit.over && sweep.item[4].search);
}

/* A list that is full takes no try more. */
static void a_list_that_is_full_stays_as_it_is(void **state)
{
	struct sweep_config c;
	struct sweep_search *k = begun(&c);

	(void)state;
	point(24, 60, true, 1);
	for (size_t i = 0; i < sweep.n; i++)
		sweep.item[i].done |= sweep.item[i].direction > 0;
	for (size_t i = sweep.n; i < SWEEP_ITEMS; i++)
		sweep.item[i] = (struct sweep_item){ .direction = -1, .rpm = 30, .done = true };
	sweep.n = SWEEP_ITEMS;
	sweep.at = 4;
	sweep_search_go_on(&sweep);
	assert_int_equal(sweep.n, SWEEP_ITEMS);
	assert_int_equal(k->limit.tries, 1);
	assert_int_equal(sweep.item[4].direction, -1);
}

/* By the coil's current the limit is told in amperes. Of what held the way down takes what falls no more by the plan:
 * nothing that falls at another speed, or that was taken already, counts. */
static void the_way_down_of_what_held(void **state)
{
	struct sweep_config c;
	struct sweep_search *k = begun(&c);

	(void)state;
	sweep.config.load = LOAD_CURRENT;
	for (int i = 0; i < 4; i++)
		point(8 * i, 60, true, 1);
	for (size_t i = 0; i < sweep.n; i++) {
		sweep.item[i].done = sweep.item[i].direction > 0;
		if (sweep.item[i].direction < 0 && sweep.item[i].step == 2)
			sweep.item[i].rpm = 30; /* 16 falls at another speed */
		if (sweep.item[i].direction < 0 && sweep.item[i].step == 1)
			sweep.item[i].done = true; /* and 8 was taken */
	}
	memmove(sweep.item + 5, sweep.item + 4, (sweep.n++ - 4) * sizeof sweep.item[0]);
	sweep.item[4] = (struct sweep_item){ .step = 9, .direction = 1, .set = 12, .rpm = 30, .done = true };
	limit_search_end(&k->limit, "enough");
	size_t n = sweep.n;
	sweep.at = 5;
	sweep_search_go_on(&sweep);
	assert_non_null(strstr(sweep.found_text, " A"));
	assert_null(strstr(sweep.found_text, "N\u00b7m"));
	assert_int_equal(sweep.n, n + 2); /* 16 and 8, heaviest first; 0 falls by the plan */
	assert_true(fabs(sweep.item[5].set - 16) < 1e-9 && fabs(sweep.item[6].set - 8) < 1e-9);
	assert_true(sweep.item[5].direction < 0 && !sweep.item[5].done && sweep.item[5].rpm > 59);
	sweep_search_go_on(&sweep); /* told once */
	assert_int_equal(sweep.n, n + 2);
}

/* The repeat alone was taken by the run before: the way up is whole still. */
static void a_repeat_that_was_taken_ends_no_search(void **state)
{
	struct plan_profile p = four_loads();
	struct sweep_config c = config_of(&p, 40);
	struct sweep_item items[SWEEP_ITEMS];
	size_t n = sweep_order(&p, NULL, items);

	(void)state;
	assert_true(sweep_cross_off(items, n, 0, 0, 60, POINT_REPEAT));
	assert_true(seq_sweep_begin(&sweep, &c, items, n));
	assert_false(sweep.search[0].limit.over || sweep.search[0].told);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(finds_where_the_actuator_no_longer_holds),
		cmocka_unit_test(a_speed_that_is_not_held_ends_it),
		cmocka_unit_test(nothing_is_tried_above_the_ceiling),
		cmocka_unit_test(the_supply_allows_no_more),
		cmocka_unit_test(heat_allows_no_more),
		cmocka_unit_test(a_temperature_that_is_lost_allows_no_more),
		cmocka_unit_test(each_speed_and_way_has_its_own),
		cmocka_unit_test(a_resumed_run_does_not_take_the_search_up),
		cmocka_unit_test(the_sentence_reads_back),
		cmocka_unit_test(what_holding_means),
		cmocka_unit_test(what_is_not_measured_allows_no_try),
		cmocka_unit_test(a_list_that_is_full_stays_as_it_is),
		cmocka_unit_test(the_way_down_of_what_held),
		cmocka_unit_test(a_repeat_that_was_taken_ends_no_search),
	};

	return cmocka_run_group_tests(tests, make_map, NULL);
}
