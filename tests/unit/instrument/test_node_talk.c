/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What goes to the node: greeting, set points under their lease, power, requests. */
#include "tests/unit/instrument/node_scene.h"

/* What the linker puts between the program's calls and their places (--wrap, tests/unit/meson.build). */
static bool no_memory, no_write;

void *__real_calloc(size_t n, size_t size);
enum rc __real_link_write(struct link *link, const char *buf, size_t n, int timeout_ms, struct err *err);
void *__wrap_calloc(size_t n, size_t size);
enum rc __wrap_link_write(struct link *link, const char *buf, size_t n, int timeout_ms, struct err *err);

void *__wrap_calloc(size_t n, size_t size)
{
	return no_memory ? NULL : __real_calloc(n, size);
}

enum rc __wrap_link_write(struct link *link, const char *buf, size_t n, int timeout_ms, struct err *err)
{
	if (no_write)
		return err_set(err, RC_TIMEOUT, 0, "takes no more bytes");
	return __real_link_write(link, buf, n, timeout_ms, err);
}

static void greets_and_learns_what_there_is(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	const struct node_caps *c = node_caps(node);

	assert_string_equal(c->name, "lock-7");
	assert_string_equal(c->boot, "3f2a");
	assert_true(c->cell && c->pick && c->brake && c->meter && c->drive && c->temp && c->lines);
	assert_true(c->pick_quad && c->drive_mode[DRIVE_SPEED] && c->drive_mode[DRIVE_CURRENT]);
	assert_true(c->line_estop && c->line_cage && c->line_contactor);
	assert_int_equal(c->cell_bits, 24);
	assert_int_equal(c->cell_sps, 80);
	assert_int_equal(c->brake_max_mA, 1200);
	assert_int_equal(c->max_rate_Hz, 1000);
	assert_string_equal(f->heard[0], "?1 hello 1");
	assert_string_equal(last_heard(f), "rate 100 20");
	assert_true(f->now_us - 5000000 < 100000);
	node_close(node);
}

static void repeats_a_request_under_its_number(void **state)
{
	struct fake *f = *state;
	struct node *node;
	int64_t begin_us = f->now_us;

	f->deaf = 2;
	node = greeted(f);
	for (int i = 0; i < 3; i++)
		assert_string_equal(f->heard[i], "?1 hello 1");
	assert_string_equal(f->heard[3], "?2 caps");
	assert_in_range(f->now_us - begin_us, 400000, 500000);
	node_close(node);
}

static void waits_3_s_for_a_board_that_starts(void **state)
{
	struct fake *f = *state;
	struct node *node;

	f->deaf = 13; /* 13 x 200 ms */
	node = greeted(f);
	node_close(node);
}

static void gives_up_on_a_silent_node(void **state)
{
	struct fake *f = *state;
	struct node *node = (struct node *)f;
	struct err err = { 0 };
	int64_t begin_us = f->now_us;

	f->deaf = 1000;
	say_bytes(f, "\xff\xfe garbage\nmore\n", 16);
	assert_int_equal(node_open(f->link, &f->clock, &config, &node, &err), RC_TIMEOUT);
	assert_ptr_equal(node, f);
	assert_in_range(f->now_us - begin_us, 3000000, 3700000);
	assert_non_null(strstr(err.what, "16 bytes came, 2 lines of them garbage"));
}

static void refuses_what_it_cannot_work_with(void **state)
{
	static const struct {
		const char *name, *hello, *caps;
		enum rc rc;
		const char *says;
	} rows[] = {
		{ "version 2, politely", "no version 2", NULL, RC_PROTOCOL,
		  "version 2 of the tether, this program has version 1" },
		{ "version 3, boldly", "ok 3 lock-7 3f2a *", NULL, RC_PROTOCOL, "version 3 of the tether" },
		{ "no clock", "ok 1 lock-7 3f2a", NULL, RC_PROTOCOL, "expected \"ok 1 NAME BOOT T\"" },
		{ "long boot", "ok 1 lock-7 3f2a0 *", NULL, RC_PROTOCOL, "expected \"ok 1 NAME BOOT T\"" },
		{ "long name", "ok 1 abcdefghijklmnopq 3f2a *", NULL, RC_PROTOCOL, "expected" },
		{ "no", "no args", NULL, RC_PROTOCOL, "expected" },
		{ "no version of its own", "no version", NULL, RC_PROTOCOL, "expected \"ok 1 NAME BOOT T\"" },
		{ "nothing said", "ok", NULL, RC_PROTOCOL, "expected \"ok 1 NAME BOOT T\"" },
		{ "a start that is no number", "ok 1 lock-7 new *", NULL, RC_PROTOCOL, "expected \"ok 1 NAME" },
		{ "a clock that is none", "ok 1 lock-7 3f2a noon", NULL, RC_PROTOCOL, "expected \"ok 1 NAME" },
		{ "busy", "no busy", NULL, RC_SAYS_NO, "another program drives this rig; end that one first" },
		{ "busy with more", "no busy yet", NULL, RC_PROTOCOL, "expected \"ok 1 NAME BOOT T\"" },
		{ "no clock channel", NULL, "ok cell brake", RC_PROTOCOL, "no channel clock" },
		{ "caps refused", NULL, "no verb", RC_PROTOCOL, "\"caps\" with \"verb\"" },
	};
	struct fake *f = *state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct node *node = NULL;
		struct err err = { 0 };

		f->hello = rows[i].hello != NULL ? rows[i].hello : "ok 1 lock-7 3f2a *";
		f->caps = rows[i].caps != NULL ? rows[i].caps : "ok clock";
		if (node_open(f->link, &f->clock, &config, &node, &err) != rows[i].rc || node != NULL ||
		    strstr(err.what, rows[i].says) == NULL)
			fail_msg("%s: %s", rows[i].name, err.what);
	}
}

static void refuses_a_bad_config(void **state)
{
	struct fake *f = *state;
	struct node *node = NULL;
	struct node_config bad[11];
	struct err err = { 0 };

	for (int i = 0; i < 11; i++)
		bad[i] = config;
	bad[0].lease_ms = 9;
	bad[1].lease_ms = 5001;
	bad[2].slow_every = 0;
	bad[3].gear_ratio = NAN;
	bad[4].direction = 0;
	bad[5].fast_Hz = -1;
	bad[6].fast_Hz = 0;
	bad[7].fast_Hz = 10001;
	bad[8].slow_every = 1001;
	bad[9].gear_ratio = 0;
	bad[10].fast_Hz = 1001; /* beyond the node's own */
	for (int i = 0; i < 11; i++)
		assert_int_equal(node_open(f->link, &f->clock, &bad[i], &node, &err), RC_ARG);
	assert_non_null(strstr(err.what, "asks for 1001 samples a second, the node \"lock-7\" gives at most 1000"));
	assert_null(node);
}

/* Each answer of the greeting that is not as docs/tether.md says, with what was expected. */
static void says_which_answer_it_cannot_use(void **state)
{
	static const struct {
		const char *request, *answer;
		enum rc rc;
		const char *says;
	} rows[] = {
		{ "info cell", "ok", RC_PROTOCOL, "2 whole number(s), the first from 8 to 24" },
		{ "info cell", "ok 7 80", RC_PROTOCOL, "2 whole number(s), the first from 8 to 24" },
		{ "info cell", "ok 24", RC_PROTOCOL, "2 whole number(s), the first from 8 to 24" },
		{ "info cell", "ok 24 0", RC_PROTOCOL, "2 whole number(s), the second from 1 to 10000" },
		{ "info brake", "ok 0", RC_PROTOCOL, "1 whole number(s), the first from 1 to 9999" },
		{ "info clock", "ok fast", RC_PROTOCOL, "1 whole number(s), the first from 1 to 10000" },
		{ "info pick", "ok", RC_PROTOCOL, "expected quad or single" },
		{ "info pick", "ok triple", RC_PROTOCOL, "expected the words of docs/tether.md" },
		{ "info pick", "no channel", RC_PROTOCOL, "\"info pick\" with \"channel\", expected ok" },
		{ "rate 100 20", "no range", RC_PROTOCOL, "\"rate 100 20\" with \"range\", expected ok" },
		{ "hello 1", NULL, RC_IO, "another program may drive this rig (the node hung up before it greeted)" },
		{ "caps", NULL, RC_IO, "the connection to the node is closed" },
		{ "info temp", NULL, RC_IO, "the connection to the node is closed" },
		{ "rate 100 20", NULL, RC_IO, "the connection to the node is closed" },
	};

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct node *node = NULL;
		struct err err = { 0 };

		set_up(state);
		struct fake *f = *state;
		f->odd_request = rows[i].request;
		f->odd_answer = rows[i].answer;
		enum rc rc = node_open(f->link, &f->clock, &config, &node, &err);
		assert_int_equal(rc == RC_OK, node != NULL);
		if (rc == RC_OK)
			rc = node_start(node, &err);
		if (rc != rows[i].rc || !strstr(err.what, rows[i].says))
			fail_msg("row %zu: %d %s", i, (int)rc, err.what);
		/* only before it greeted may it be another program's */
		assert_int_equal(strstr(err.what, "another program") != NULL, strcmp(rows[i].request, "hello 1") == 0);
		node_close(node);
		tear_down(state);
	}
}

/* A second host is told under no number of its own; a node that greeted once is not busy. */
static void busy_is_told_under_any_number(void **state)
{
	struct fake *f = *state;
	struct node *node = NULL;
	struct err err = { 0 };

	say(f, "!200 no busy");
	assert_int_equal(node_open(f->link, &f->clock, &config, &node, &err), RC_SAYS_NO);
	assert_non_null(strstr(err.what, "another program drives this rig; end that one first"));
	say(f, "!200 no busy 1"); /* these are no such answer: it goes on waiting for its own */
	say(f, "!200 no room");
	say(f, "!200");
	say(f, "!x ok");
	say(f, "!200 well");
	node = greeted(f);
	say(f, "!200 no busy");
	assert_int_equal(node_request(node, "clear", NULL, 0, &err), RC_OK);
	node_close(node);
}

static void the_clock_may_end_while_it_waits(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f), *other = NULL;
	struct err err = { 0 };

	f->clock_fails = true;
	f->deaf = 1;
	assert_int_equal(node_request(node, "status", NULL, 0, &err), RC_PROTOCOL);
	assert_string_equal(err.what, "the bench cannot go on");
	node_close(node);
	assert_int_equal(node_open(f->link, &f->clock, &config, &other, &err), RC_PROTOCOL);
	assert_null(other);
}

/* What a node may have beside what this program knows: one channel of the pick-up, places and lines of its own. */
static void what_it_does_not_know_has_its_place_all_the_same(void **state)
{
	struct fake *f = *state;
	struct snapshot snap = snapshot_blank();

	f->odd_request = "info pick";
	f->odd_answer = "ok single 5 volts";
	f->lines_info = "ok lamp guard contactor horn estop"; /* S tells four */
	f->temp_info = "ok brake moon case ambient cell";
	f->caps = "ok pick temp siren lines clock";
	struct node *node = greeted(f);
	assert_false(node_caps(node)->pick_quad);
	assert_true(node_caps(node)->line_cage && node_caps(node)->line_contactor && !node_caps(node)->line_estop);
	tick(f, node, &snap);
	f->lines = 2;
	say_slow(f, "idle", "none"); /* 51.2, -, 30.0, - */
	tick(f, node, &snap);
	assert_true(snap.cage_closed && !snap.contactor_closed && !snap.estop_ok);
	assert_true(fabs(snap.temp_degC[TEMP_BRAKE] - 51.2) < 1e-9 && fabs(snap.temp_degC[TEMP_CASE] - 30) < 1e-9);
	assert_true(isnan(snap.temp_degC[TEMP_WINDING]) && isnan(snap.temp_degC[TEMP_AMBIENT]));
	assert_false(is_told(&snap, CHANNEL_TEMP + (int)TEMP_WINDING) || is_told(&snap, CHANNEL_TEMP + (int)TEMP_CELL));
	assert_false(is_told(&snap, CHANNEL_ESTOP) || is_told(&snap, CHANNEL_CELL));
	node_close(node);
}

/* Without a pick-up of its own the node's pulses are nobody's. */
static void without_a_pick_up_nothing_turns(void **state)
{
	struct fake *f = *state;
	struct snapshot snap = snapshot_blank();

	f->caps = "ok cell clock";
	struct node *node = greeted(f);
	for (int i = 0; i < 10; i++) {
		f->pulses += 30;
		tick(f, node, &snap);
	}
	assert_int_equal(snap.pulses, 0);
	assert_false(is_told(&snap, CHANNEL_TURN));
	assert_true(snap.channel[CHANNEL_CELL].fresh > 0);
	node_close(node);
}

/* A line that takes nothing more is as good as gone. */
static void a_write_that_fails_loses_the_node(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();
	const struct wish wish = { .brake_A = 0.1 };

	tick(f, node, &snap);
	assert_false(snap.node_lost);
	no_write = true;
	node_set(node, &wish);
	no_write = false;
	tick(f, node, &snap);
	assert_true(snap.node_lost);
	node_close(node);
}

static void without_memory_there_is_no_node(void **state)
{
	struct fake *f = *state;
	struct node *node = NULL;
	struct err err = { 0 };

	no_memory = true;
	assert_int_equal(node_open(f->link, &f->clock, &config, &node, &err), RC_NOMEM);
	no_memory = false;
	assert_string_equal(err.what, "out of memory for the node");
	assert_null(node);
	assert_int_equal(node_open(f->link, &f->clock, &config, &node, &err), RC_OK);
	node_close(node);
	no_write = true;
	node = NULL;
	assert_int_equal(node_open(f->link, &f->clock, &config, &node, &err), RC_TIMEOUT);
	no_write = false;
	assert_null(node);
}

static void sends_set_points_on_change_and_by_lease(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();
	struct wish wish = { .mode = DRIVE_SPEED, .speed_rpm = 80, .brake_A = 0.25, .power = true };
	size_t before;

	f->lines = 7;
	tick(f, node, &snap);
	say_slow(f, "idle", "none");
	node_poll(node, &snap);
	node_set(node, &wish);
	act(f);
	/* 80 rev/min of the output by 7.5 is 600.0 of the rotor: 6000 tenths. Power first. */
	assert_string_equal(last_heard(f), "set 300 speed 6000 250");
	assert_string_equal(strchr(f->heard[f->n - 2], ' ') + 1, "power on");
	before = f->n;
	for (int i = 0; i < 30; i++) { /* 300 ms unchanged: each third of the lease */
		tick(f, node, &snap);
		node_set(node, &wish);
	}
	act(f);
	assert_int_equal(f->n - before, 3);
	before = f->n;
	for (int i = 0; i < 30; i++) { /* changes each tick */
		wish.brake_A += 0.001;
		tick(f, node, &snap);
		node_set(node, &wish);
	}
	act(f);
	assert_int_equal(f->n - before, 30);
	assert_string_equal(last_heard(f), "set 300 speed 6000 280");
	wish = (struct wish){ .mode = DRIVE_CURRENT, .drive_A = -1.5, .power = true };
	node_set(node, &wish);
	act(f);
	assert_string_equal(last_heard(f), "set 300 current -1500 0");
	/* off: the drive's torque first, then the contactor */
	wish = (struct wish){ .brake_A = 0.6 };
	node_set(node, &wish);
	act(f);
	assert_string_equal(strchr(f->heard[f->n - 2], ' ') + 1, "set 300 off 0 600");
	assert_string_equal(last_heard(f), "power off");
	tick(f, node, &snap);
	assert_true(snap.sample_age_s < 0.02);
	node_close(node);
}

static void clamps_what_cannot_be(void **state)
{
	static const struct {
		struct wish wish;
		const char *sends;
	} rows[] = {
		{ { .brake_A = NAN }, "set 300 off 0 0" },
		{ { .brake_A = -1 }, "set 300 off 0 0" },
		{ { .brake_A = 99 }, "set 300 off 0 1200" },
		{ { .brake_A = INFINITY }, "set 300 off 0 1200" },
		{ { .mode = DRIVE_SPEED, .speed_rpm = NAN, .brake_A = 0.1 }, "set 300 off 0 100" },
		{ { .mode = DRIVE_CURRENT, .drive_A = NAN, .brake_A = 0.1 }, "set 300 off 0 100" },
		{ { .mode = DRIVE_SPEED, .speed_rpm = 1e9 }, "set 300 speed 999999 0" },
		{ { .mode = DRIVE_SPEED, .speed_rpm = -INFINITY }, "set 300 speed -999999 0" },
		{ { .mode = DRIVE_CURRENT, .drive_A = -1e300 }, "set 300 current -999999 0" },
		{ { .mode = DRIVE_CURRENT, .drive_A = 0.0004 }, "set 300 current 0 0" },
	};
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();

	f->lines = 7;
	say_slow(f, "idle", "none");
	node_poll(node, &snap);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct wish wish = rows[i].wish;

		wish.power = true;
		f->now_us += 200000;
		node_set(node, &wish);
		act(f);
		assert_string_equal(last_heard(f), rows[i].sends);
	}
	node_close(node);
}

/* 7.5 rotor turns for one of the output: 90 degrees are 675.0, 8 rpm are 60.0. A node that does not tell a mode never
 * hears of it. */
static void sends_no_mode_that_the_node_does_not_know(void **state)
{
	static const struct {
		struct wish wish;
		const char *sends;
	} rows[] = {
		{ { .mode = DRIVE_TORQUE, .torque_Nm = 8, .speed_rpm = 8, .brake_A = 0.25 },
		  "set 300 torque 8000 250 600" },
		{ { .mode = DRIVE_TORQUE, .torque_Nm = -1e300, .speed_rpm = 1e9 }, "set 300 torque -999999 0 999999" },
		{ { .mode = DRIVE_TORQUE, .torque_Nm = 8, .speed_rpm = NAN }, "set 300 off 0 0" },
		{ { .mode = DRIVE_TORQUE, .torque_Nm = NAN, .speed_rpm = 8 }, "set 300 off 0 0" },
		{ { .mode = DRIVE_POSITION, .angle_deg = -90, .speed_rpm = 8 }, "set 300 position -6750 0 600" },
	};
	struct fake *f = *state;

	for (int knows = 0; knows < 2; knows++) {
		f->drive_info = knows ? "ok speed current torque soaring position" : "ok speed current";
		struct node *node = greeted(f);
		struct snapshot snap = snapshot_blank();

		f->lines = 7;
		say_slow(f, "idle", "none");
		node_poll(node, &snap);
		for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
			struct wish wish = rows[i].wish;

			wish.power = true;
			f->now_us += 200000;
			node_set(node, &wish);
			act(f);
			assert_string_equal(last_heard(f), knows              ? rows[i].sends
							   : wish.brake_A > 0 ? "set 300 off 0 250"
									      : "set 300 off 0 0");
		}
		node_close(node);
	}
}

static void holds_the_drive_off_until_the_contactor_is_closed(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();
	const struct wish wish = { .mode = DRIVE_SPEED, .speed_rpm = 80, .power = true };

	say_slow(f, "idle", "none");
	node_poll(node, &snap);
	node_set(node, &wish);
	act(f);
	assert_string_equal(last_heard(f), "set 300 off 0 0");
	say(f, "E 00 contactor 1 00000000");
	tick(f, node, &snap);
	node_set(node, &wish);
	act(f);
	assert_string_equal(last_heard(f), "set 300 speed 6000 0");
	node_close(node);
}

/* A rig without sensed lines could else never begin: every sequence waits for the contactor. */
static void without_lines_the_contactor_is_what_was_told(void **state)
{
	struct fake *f = *state;
	const struct wish on = { .power = true }, off = { 0 };
	struct snapshot snap = { .now = { 0 } };

	f->caps = "ok cell pick brake meter drive temp clock";
	struct node *node = greeted(f);
	tick(f, node, &snap);
	assert_false(snap.contactor_closed);
	for (int i = 0; i < 5; i++) {
		node_set(node, &on);
		tick(f, node, &snap);
	}
	assert_true(snap.contactor_closed);
	assert_false(is_told(&snap, CHANNEL_ESTOP));
	for (int i = 0; i < 5; i++) {
		node_set(node, &off);
		tick(f, node, &snap);
	}
	assert_false(snap.contactor_closed);
	node_close(node);
}

static void asks_for_power_until_it_is_answered(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();
	struct wish wish = { .power = true };

	f->refuse_power = "no estop";
	node_set(node, &wish);
	for (int i = 0; i < 100; i++) {
		tick(f, node, &snap);
		node_set(node, &wish);
	}
	assert_int_equal(count_heard(f, "power on"), 1); /* refused: the contactor that stays open tells */
	wish.power = false;
	f->deaf = 8;
	node_set(node, &wish);
	for (int i = 0; i < 200; i++) {
		tick(f, node, &snap);
		node_set(node, &wish);
	}
	assert_true(count_heard(f, "power off") > 1);
	/* answered, but the contactor is still seen closed: again */
	f->lines = 7;
	say_slow(f, "idle", "none");
	f->n = 0;
	for (int i = 0; i < 120; i++) {
		tick(f, node, &snap);
		node_set(node, &wish);
	}
	assert_in_range(count_heard(f, "power off"), 2, 3);
	node_close(node);
}

/* A node with the emergency stop alone: closed is what it was told and has granted. */
static void a_contactor_that_is_not_sensed_is_what_was_granted(void **state)
{
	struct fake *f = *state;
	f->lines_info = "ok estop";
	f->lines = 1;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();
	struct wish wish = { .power = true };

	assert_true(node_caps(node)->line_estop && !node_caps(node)->line_cage && !node_caps(node)->line_contactor);
	for (int i = 0; i < 60; i++) {
		tick(f, node, &snap);
		if (i % 20 == 0)
			say_slow(f, "idle", "none");
		node_set(node, &wish);
	}
	assert_true(snap.contactor_closed && snap.estop_ok && !snap.cage_closed);
	wish.power = false;
	for (int i = 0; i < 60; i++) {
		tick(f, node, &snap);
		node_set(node, &wish);
	}
	assert_false(snap.contactor_closed);
	node_close(node);
}

static void an_unacknowledged_set_point_makes_the_node_silent(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();
	struct wish wish = { .brake_A = 0.1 };

	for (int i = 0; i < 50; i++) {
		tick(f, node, &snap);
		node_set(node, &wish);
	}
	assert_true(snap.sample_age_s < 0.011);
	f->sets_silent = true;
	for (int i = 0; i < 1000; i++) { /* more than 256 numbers: changes each tick */
		wish.brake_A = 0.1 + 0.001 * (i % 10);
		tick(f, node, &snap);
		node_set(node, &wish);
		f->n = 0;
		if (i > 45)
			assert_true(snap.sample_age_s > 0.3);
	}
	f->sets_silent = false;
	for (int i = 0; i < 5; i++) {
		tick(f, node, &snap);
		node_set(node, &wish);
		wish.brake_A += 0.001;
	}
	assert_true(snap.sample_age_s < 0.011);
	node_close(node);
}

static void a_refused_set_point_tells_the_state(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();
	struct wish wish = { .brake_A = 0.1 };

	f->refuse_set = "no stopping";
	node_set(node, &wish);
	tick(f, node, &snap);
	assert_int_equal(snap.node_state, NODE_STOPPING);
	f->refuse_set = "no safe";
	for (int i = 0; i < 100; i++) {
		node_set(node, &wish);
		tick(f, node, &snap);
	}
	assert_int_equal(snap.node_state, NODE_SAFE);
	assert_true(snap.sample_age_s < 0.011);                         /* refused is not silent */
	static const char *const never_obeyed[] = { "no range", "no" }; /* as silent */
	for (int k = 0; k < 2; k++) {
		f->refuse_set = never_obeyed[k];
		for (int i = 0; i < 100; i++) {
			node_set(node, &wish);
			tick(f, node, &snap);
		}
		assert_true(snap.sample_age_s > 0.3);
		f->refuse_set = NULL;
		for (int i = 0; i < 100; i++) {
			node_set(node, &wish);
			tick(f, node, &snap);
		}
		assert_true(snap.sample_age_s < 0.011);
	}
	node_close(node);
}

static void requests_are_answered_refused_or_time_out(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct err err = { 0 };
	char words[40] = "x";
	int64_t begin_us;

	assert_int_equal(node_request(node, "status", words, sizeof words, &err), RC_OK);
	assert_string_equal(words, "idle none 3");
	assert_int_equal(node_request(node, "clear", NULL, 0, &err), RC_OK);
	assert_int_equal(node_request(node, "fly high", words, sizeof words, &err), RC_SAYS_NO);
	assert_string_equal(err.what, "the node refuses \"fly high\": verb");
	assert_int_equal(node_request(node, "two  spaces", words, sizeof words, &err), RC_ARG);
	begin_us = f->now_us;
	f->deaf = 100;
	f->n = 0;
	strcpy(words, "x");
	assert_int_equal(node_request(node, "status", words, sizeof words, &err), RC_TIMEOUT);
	assert_string_equal(words, "x");
	assert_int_equal(count_heard(f, "status"), 3);
	assert_in_range(f->now_us - begin_us, 590000, 610000);
	node_close(node);
}

/* What another instrument commands is not commanded here: no power, the drive off, the brake without current. */
static void what_is_not_its_role_is_not_commanded(void **state)
{
	static const struct {
		unsigned roles;
		const char *sets;
		size_t powers;
	} rows[] = {
		{ ROLE_ALL, "set 300 speed 6000 250", 1 },
		{ ROLE_ALL & ~ROLE_POWER, "set 300 speed 6000 250", 0 },
		{ ROLE_ALL & ~ROLE_DRIVE, "set 300 off 0 250", 1 },
		{ ROLE_ALL & ~ROLE_BRAKE, "set 300 speed 6000 0", 1 },
		{ ROLE_CELL, "set 300 off 0 0", 0 },
	};
	const struct wish wish = { .mode = DRIVE_SPEED, .speed_rpm = 80, .brake_A = 0.25, .power = true };
	struct fake *f = *state;

	f->lines = 7;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0] + 1; i++) {
		const bool no_brake = i == sizeof rows / sizeof rows[0]; /* a node that has none */
		struct node_config part = config;
		struct snapshot snap = snapshot_blank();

		part.roles = rows[no_brake ? 0 : i].roles;
		f->caps = no_brake ? "ok cell pick meter drive temp lines clock" : f->caps;
		struct node *node = greeted_as(f, &part);
		say_slow(f, "idle", "none");
		tick(f, node, &snap);
		f->n = 0;
		node_set(node, &wish);
		act(f);
		assert_string_equal(last_heard(f), no_brake ? "set 300 speed 6000 0" : rows[i].sets);
		assert_int_equal(count_heard(f, "power on"), rows[no_brake ? 0 : i].powers);
		node_close(node);
	}
}

static void a_waiting_request_keeps_the_lease(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	const struct wish wish = { .brake_A = 0.1 };

	node_set(node, &wish);
	f->deaf = 100;
	f->n = 0;
	assert_int_equal(node_request(node, "status", NULL, 0, NULL), RC_TIMEOUT);
	/* A deaf node answers no set: in the request's 600 ms one goes out each sixth of the lease of 300 ms. */
	assert_in_range(count_heard(f, "set 300 off 0 100"), 11, 13);
	node_close(node);
}

static void a_hang_up_is_told_and_what_came_before_it_counts(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();
	const struct wish wish = { .brake_A = 0.1 };

	tick(f, node, &snap);
	assert_false(snap.node_lost);
	f->cell = 4711;
	f->now_us += 10000;
	f->number++;
	say_fast(f, 0);
	close(f->fd);
	node_poll(node, &snap);
	node_poll(node, &snap);
	assert_true(snap.node_lost);
	assert_int_equal(snap.cell_count, 4711);
	node_set(node, &wish);
	assert_int_equal(node_request(node, "status", NULL, 0, NULL), RC_IO);
	node_poll(node, &snap);
	assert_true(snap.node_lost);
	f->fd = dup(0);
	node_close(node);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		TEST(greets_and_learns_what_there_is),
		TEST(repeats_a_request_under_its_number),
		TEST(waits_3_s_for_a_board_that_starts),
		TEST(gives_up_on_a_silent_node),
		TEST(refuses_what_it_cannot_work_with),
		TEST(refuses_a_bad_config),
		cmocka_unit_test(says_which_answer_it_cannot_use),
		TEST(busy_is_told_under_any_number),
		TEST(the_clock_may_end_while_it_waits),
		TEST(what_it_does_not_know_has_its_place_all_the_same),
		TEST(without_a_pick_up_nothing_turns),
		TEST(a_write_that_fails_loses_the_node),
		TEST(without_memory_there_is_no_node),
		TEST(sends_set_points_on_change_and_by_lease),
		TEST(clamps_what_cannot_be),
		TEST(sends_no_mode_that_the_node_does_not_know),
		TEST(holds_the_drive_off_until_the_contactor_is_closed),
		TEST(without_lines_the_contactor_is_what_was_told),
		TEST(asks_for_power_until_it_is_answered),
		TEST(a_contactor_that_is_not_sensed_is_what_was_granted),
		TEST(an_unacknowledged_set_point_makes_the_node_silent),
		TEST(a_refused_set_point_tells_the_state),
		TEST(requests_are_answered_refused_or_time_out),
		TEST(what_is_not_its_role_is_not_commanded),
		TEST(a_waiting_request_keeps_the_lease),
		TEST(a_hang_up_is_told_and_what_came_before_it_counts),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
