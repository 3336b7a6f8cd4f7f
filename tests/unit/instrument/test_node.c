/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What comes from the node: samples, their order and age, its clock, restarts. */
#include "tests/unit/instrument/node_scene.h"

static void fills_the_snapshot(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();

	snap.now.ns = 77;
	snap.torque_Nm = 1.5;
	snap.operator_stop = true;

	node_poll(node, &snap);
	assert_true(isinf(snap.sample_age_s) && isnan(snap.speed_rpm) && isnan(snap.brake_A) &&
		    !is_told(&snap, CHANNEL_ESTOP));
	assert_int_equal(snap.node_state, NODE_UNKNOWN);
	f->cell = -1204;
	f->lines = 5;
	tick(f, node, &snap);
	say_slow(f, "live", "none");
	node_poll(node, &snap);
	assert_int_equal(snap.sample_total, 1);
	assert_int_equal(snap.cell_count, -1204);
	assert_int_equal(snap.channel[CHANNEL_CELL].fresh, 1);
	assert_false((snap.channel[CHANNEL_CELL].quality == QUALITY_SATURATED));
	assert_near(snap.edge_age_s, 0.001, 1e-12);
	assert_near(snap.brake_A, 0.150, 1e-12);
	assert_near(snap.voltage_V, 24.0, 1e-12);
	assert_near(snap.current_A, 0.412, 1e-12);
	assert_true(is_told(&snap, CHANNEL_ESTOP) && snap.estop_ok && !snap.cage_closed && snap.contactor_closed);
	assert_int_equal(snap.node_state, NODE_LIVE);
	assert_string_equal(snap.node_reason, "none");
	assert_int_equal(snap.drive_flags, DRIVE_ENABLED | DRIVE_CURRENT_LIMITED);
	assert_near(snap.drive_rotor_rpm, 600.0, 1e-9);
	assert_near(snap.drive_A, 1.5, 1e-12);
	/* info temp said: brake winding case */
	assert_near(snap.temp_degC[TEMP_BRAKE], 51.2, 1e-9);
	assert_true(isnan(snap.temp_degC[TEMP_WINDING]));
	assert_near(snap.temp_degC[TEMP_CASE], 30.0, 1e-9);
	assert_true(isnan(snap.temp_degC[TEMP_AMBIENT]));
	assert_near(snap.sample_age_s, 0, 1e-9);
	assert_true(isnan(snap.ripple_W)); /* twelve fields: the node does not tell */
	say(f, "S 00 7 live none 03 6000 1500 512 - 300 - -246");
	node_poll(node, &snap);
	assert_near(snap.ripple_W, -0.246, 1e-12);
	/* what is not the node's is left alone */
	assert_int_equal(snap.now.ns, 77);
	assert_near(snap.torque_Nm, 1.5, 0);
	assert_true(snap.operator_stop);
	/* events at once */
	say(f, "E 00 estop 0 00000000");
	say(f, "E 01 guard 1 00000000");
	say(f, "E 02 contactor 0 00000000");
	say(f, "E 03 state stopping 00000000");
	say(f, "E 04 drive 08 00000000");
	node_poll(node, &snap);
	assert_true(!snap.estop_ok && snap.cage_closed && !snap.contactor_closed);
	assert_int_equal(snap.node_state, NODE_STOPPING);
	assert_int_equal(snap.drive_flags, DRIVE_UNDERVOLTAGE);
	node_close(node);
}

/* What another instrument fills: its channels and fields stay as they are, whatever the node can do. */
static void what_is_not_its_role_is_left_alone(void **state)
{
	static const struct {
		unsigned role;
		enum channel_id first, last;
	} rows[] = {
		{ ROLE_CELL, CHANNEL_CELL, CHANNEL_CELL },          { ROLE_PICK, CHANNEL_TURN, CHANNEL_TURN },
		{ ROLE_BRAKE, CHANNEL_BRAKE, CHANNEL_BRAKE },       { ROLE_VOLTAGE, CHANNEL_VOLTAGE, CHANNEL_VOLTAGE },
		{ ROLE_CURRENT, CHANNEL_CURRENT, CHANNEL_CURRENT }, { ROLE_DRIVE, CHANNEL_DRIVE, CHANNEL_DRIVE },
		{ ROLE_LINES, CHANNEL_ESTOP, CHANNEL_CONTACTOR },   { ROLE_TEMP, CHANNEL_TEMP, CHANNEL_COUNT - 1 },
	};
	struct fake *f = *state;

	f->lines = 7;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct node_config part = config;
		struct snapshot snap = snapshot_blank();

		part.roles = ROLE_ALL & ~rows[i].role;
		struct node *node = greeted_as(f, &part);
		for (int c = 0; c < CHANNEL_COUNT; c++)
			snap.channel[c].fresh = 4711;
		snap.cell_count = 17;
		snap.pulses = 18;
		snap.brake_A = snap.voltage_V = snap.current_A = snap.drive_A = snap.temp_degC[TEMP_CASE] = 19;
		tick(f, node, &snap);
		say_slow(f, "idle", "none");
		tick(f, node, &snap);
		for (int c = 0; c < CHANNEL_COUNT; c++)
			if ((snap.channel[c].fresh == 4711) != (c >= (int)rows[i].first && c <= (int)rows[i].last))
				fail_msg("without role %x channel %d: %u", rows[i].role, c, snap.channel[c].fresh);
		assert_int_equal(snap.cell_count == 17, rows[i].role == ROLE_CELL);
		assert_int_equal(snap.pulses == 18, rows[i].role == ROLE_PICK);
		assert_int_equal(snap.brake_A > 18, rows[i].role == ROLE_BRAKE);
		assert_int_equal(snap.voltage_V < 20, rows[i].role == ROLE_VOLTAGE);
		assert_int_equal(snap.current_A > 18, rows[i].role == ROLE_CURRENT);
		assert_int_equal(snap.drive_A > 18, rows[i].role == ROLE_DRIVE);
		assert_int_equal(snap.estop_ok, rows[i].role != ROLE_LINES);
		assert_int_equal(snap.temp_degC[TEMP_CASE] < 20, rows[i].role == ROLE_TEMP);
		node_close(node);
	}
}

/* Samples that an earlier host had asked for: nobody takes them, and a silence is none. */
static void before_it_is_started_nothing_is_taken(void **state)
{
	struct fake *f = *state;
	struct node *node = NULL;
	struct snapshot snap = snapshot_blank();

	assert_int_equal(node_open(f->link, &f->clock, &config, &node, NULL), RC_OK);
	for (int i = 0; i < 100; i++) {
		f->now_us += 10000;
		act(f);
		if (i < 5)
			say_fast(f, 0);
		node_poll(node, &snap);
	}
	assert_int_equal(snap.sample_total, 0);
	assert_true(isinf(snap.sample_age_s));
	assert_int_equal(count_heard(f, "hello 1"), 1);
	node_close(node);
}

/* A ripple of nothing: whoever has no meter is not believed about its product. */
static void no_meter_no_ripple(void **state)
{
	struct fake *f = *state;

	f->caps = "ok cell pick brake drive temp lines clock";
	struct node *node = greeted(f);
	struct snapshot snap = { 0 };

	tick(f, node, &snap);
	say(f, "S 00 7 live none 03 6000 1500 512 - 300 - -246");
	node_poll(node, &snap);
	assert_int_equal(snap.node_state, NODE_LIVE); /* the line was taken */
	assert_true(isnan(snap.ripple_W));
	node_close(node);
}

/* The lines have an age of their own: fast samples that go on do not keep them young. */
static void slow_samples_have_an_age(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();

	tick(f, node, &snap);
	assert_true(snap.channel[CHANNEL_STATE].fresh == 0 && isinf(snap.channel[CHANNEL_STATE].age_s));
	say_slow(f, "live", "none");
	node_poll(node, &snap);
	assert_int_equal(snap.channel[CHANNEL_STATE].fresh, 1);
	assert_near(snap.channel[CHANNEL_STATE].age_s, 0, 1e-9);
	for (int i = 0; i < 200; i++)
		tick(f, node, &snap);
	assert_near(snap.channel[CHANNEL_STATE].age_s, 2, 0.011);
	assert_true(snap.sample_age_s < 0.02);
	say_slow(f, "live", "none");
	node_poll(node, &snap);
	assert_near(snap.channel[CHANNEL_STATE].age_s, 0, 0.011);
	node_close(node);
}

static void tells_fresh_repeated_and_saturated(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();

	f->conversion = 254;
	f->cell = 100;
	tick(f, node, &snap);
	assert_int_equal(snap.cell_same, 1);
	tick(f, node, &snap); /* the same conversion again */
	assert_int_equal(snap.cell_same, 1);
	assert_int_equal(snap.channel[CHANNEL_CELL].fresh, 1);
	assert_near(snap.channel[CHANNEL_CELL].age_s, 0.010, 1e-9);
	f->conversion = (uint8_t)(f->conversion + 3); /* wraps to 1 */
	tick(f, node, &snap);
	assert_int_equal(snap.channel[CHANNEL_CELL].fresh, 4);
	assert_int_equal(snap.cell_same, 2);
	assert_near(snap.channel[CHANNEL_CELL].age_s, 0, 1e-9);
	f->cell = 8388607;
	f->conversion++;
	tick(f, node, &snap);
	assert_true((snap.channel[CHANNEL_CELL].quality == QUALITY_SATURATED) && snap.cell_same == 1);
	f->cell = 8388606;
	tick(f, node, &snap);
	assert_false((snap.channel[CHANNEL_CELL].quality == QUALITY_SATURATED));
	f->cell = -8388608;
	tick(f, node, &snap);
	assert_true((snap.channel[CHANNEL_CELL].quality == QUALITY_SATURATED));
	node_close(node);
}

/* So many ticks without a sample. */
static void look(struct fake *f, struct node *node, struct snapshot *snap, int ticks)
{
	while (ticks-- > 0) {
		f->now_us += 10000;
		act(f);
		node_poll(node, snap);
	}
}

/* One place judges saturation: the ends of a converter of 20 bits, and a narrower figure of the profile. */
static void saturation_goes_by_the_node_s_bits_and_the_profile(void **state)
{
	static const struct {
		int32_t limit, count;
		bool saturated;
	} rows[] = {
		{ 8388607, 524287, true }, { 8388607, -524288, true }, { 8388607, 524286, false }, { 0, 524287, true },
		{ 0, -524287, false },     { 1000, 1000, true },       { 1000, -1000, true },      { 1000, 999, false },
	};
	struct fake *f = *state;

	f->cell_info = "ok 20 80";
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct node_config c = config;
		struct snapshot snap = snapshot_blank();
		struct node *node = NULL;

		c.cell_saturation = rows[i].limit;
		assert_int_equal(node_open(f->link, &f->clock, &c, &node, NULL), RC_OK);
		assert_int_equal(node_start(node, NULL), RC_OK);
		f->cell = rows[i].count;
		tick(f, node, &snap);
		if ((snap.channel[CHANNEL_CELL].quality == QUALITY_SATURATED) != rows[i].saturated)
			fail_msg("limit %d, count %d: %d", rows[i].limit, rows[i].count,
				 (snap.channel[CHANNEL_CELL].quality == QUALITY_SATURATED));
		node_close(node);
	}
}

static void equal_neighbours_are_counted(void **state)
{
	static const int32_t counts[] = { 5, 6, 6, 7, 8, 8, 8, 8 };
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();

	for (int i = 0; i < 8; i++) {
		f->cell = counts[i];
		f->conversion++;
		tick(f, node, &snap);
	}
	/* before the row of 8: 5-6, 6-6, 6-7, 7-8: one of four is equal */
	assert_near(snap.cell_equal_chance, 2.0 / 6, 1e-12);
	assert_int_equal(snap.cell_same, 4);
	assert_near(snap.cell_same_s, 0.03, 1e-9);
	node_close(node);
}

static void counts_lost_doubled_and_late(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();

	for (int i = 0; i < 300; i++) /* the number wraps */
		tick(f, node, &snap);
	assert_int_equal(snap.sample_total, 300);
	assert_int_equal(snap.sample_lost + snap.sample_doubled + snap.sample_late + snap.line_bad, 0);
	say_fast(f, 0);
	node_poll(node, &snap);
	assert_int_equal(snap.sample_doubled, 1);
	f->number = (uint8_t)(f->number + 3); /* three samples do not come */
	look(f, node, &snap, 3);
	tick(f, node, &snap);
	assert_int_equal(snap.sample_lost, 3);
	/* an older one overtaken by the newest: not used */
	f->number = (uint8_t)(f->number - 2);
	f->cell = 4711;
	say_fast(f, 20000);
	f->number = (uint8_t)(f->number + 2);
	node_poll(node, &snap);
	assert_int_equal(snap.sample_late, 1);
	assert_int_not_equal(snap.cell_count, 4711);
	/* four held up on the way while the host looked, then they come at once */
	for (int i = 0; i < 4; i++) {
		f->now_us += 10000;
		node_poll(node, &snap);
	}
	assert_near(snap.sample_age_s, 0.040, 1e-9);
	for (int i = 3; i >= 0; i--) {
		f->number++;
		say_fast(f, i * 10000);
	}
	node_poll(node, &snap);
	assert_int_equal(snap.sample_late,
			 2); /* taken 30 ms ago, and 20 ms ago it was due; the others may still pass */
	assert_int_equal(snap.sample_lost, 3);
	assert_false(snap.node_reset);
	/* more than 256 lost */
	f->number = (uint8_t)(f->number + 300);
	look(f, node, &snap, 300);
	tick(f, node, &snap);
	assert_int_equal(snap.sample_lost, 303);
	assert_int_equal(snap.sample_missed, 0);
	assert_false(snap.node_reset);
	node_close(node);
}

static void drops_and_counts_garbage(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();
	char flood[300];

	tick(f, node, &snap);
	say_bytes(f, "\x80\x81 =0000\n", 9);
	say_bytes(f, "F 02 00000000 1 ", 16); /* half a line, then a whole one: both gone */
	tick(f, node, &snap);
	memset(flood, 'x', sizeof flood);
	say_bytes(f, flood, sizeof flood);
	say_bytes(f, "\n", 1);
	say(f, "F 00 00000000 1 00 0000 0 0 0 0");          /* a field short */
	say(f, "F 00 00000000 9999999 00 0000 0 0 0 0 00"); /* beyond 24 bits */
	say(f, "F 0 00000000 1 00 0000 0 0 0 0 00");        /* one digit */
	say(f, "S 00 7 dancing none 00 0 0 - - - -");
	say(f, "S 00 7 idle because 00 0 0 - - - -");
	say(f, "E 00 estop 2 00000000");
	say(f, "F 00  1");
	say(f, "X something of a later version"); /* unknown first character: ignored */
	node_poll(node, &snap);
	assert_int_equal(snap.line_bad, 10);
	assert_int_equal(snap.sample_total, 1);
	tick(f, node, &snap);
	assert_int_equal(snap.sample_lost, 1);
	assert_int_equal(snap.cell_count, f->cell);
	assert_false(snap.node_reset || snap.node_lost);
	node_close(node);
}

/* docs/tether.md, Growth: what a newer node says more, in every place where it may, changes nothing of what is known
 * here. */
static void a_newer_node_may_say_more(void **state)
{
	struct fake *f = *state;
	struct node *node;
	struct snapshot snap = snapshot_blank();
	char line[120];

	f->hello = "ok 1 lock-7 3f2a * colour blue";
	f->caps = "ok cell humidity pick brake meter drive temp lines clock";
	f->cell_info = "ok 24 80 3.3";
	f->lines_info = "ok fan estop guard contactor";
	node = greeted(f);
	tick(f, node, &snap);
	assert_int_equal(snap.line_bad, 0);
	f->now_us += 10000;
	snprintf(line, sizeof line, "F %02x %08x -7 02 0000 0 148 24006 412 00 77 more", (unsigned)++f->number & 0xff,
		 (unsigned)node_t(f));
	say(f, line);
	say(f, "S 01 c live none 03 6000 1500 512 - 300 - - 99");
	say(f, "E 00 fan 1 00000000");
	say(f, "E 01 guard 0 00000000 why");
	say(f, "H 12 humid");
	node_poll(node, &snap);
	assert_int_equal(snap.line_bad, 0);
	assert_near(snap.current_A, 0.412, 1e-12);
	assert_int_equal(snap.cell_count, -7);
	/* c hex: fan and estop not good, guard closed, contactor closed; then the guard opened */
	assert_true(is_told(&snap, CHANNEL_ESTOP) && !snap.estop_ok && !snap.cage_closed && snap.contactor_closed);
	assert_near(snap.temp_degC[TEMP_BRAKE], 51.2, 1e-9);
	assert_true(isnan(snap.ripple_W)); /* "-": none, though more follows */
	node_close(node);
}

static void unwraps_the_nodes_clock(void **state)
{
	struct fake *f = *state;
	struct node *node;
	struct snapshot snap = snapshot_blank();
	uint64_t before;

	f->node_ahead_us = (1LL << 32) - f->now_us - 200000; /* wraps in 0.2 s */
	node = greeted(f);
	tick(f, node, &snap);
	before = snap.node_us;
	for (int i = 0; i < 50; i++)
		tick(f, node, &snap);
	assert_int_equal(snap.node_us - before, 500000);
	assert_true(snap.node_us > UINT32_MAX);
	/* silence of an hour and a half: more than one wrap, and the host's clock still tells which */
	f->now_us += 5400000000;
	f->number = (uint8_t)(f->number + 540000);
	tick(f, node, &snap);
	assert_int_equal(snap.node_us - before, 500000 + 5400000000 + 10000);
	assert_false(snap.node_reset);
	node_close(node);
}

static void turns_pulses_into_speed_with_the_sign_of_the_profile(void **state)
{
	struct fake *f = *state;
	struct node_config c = config;
	struct snapshot snap = snapshot_blank();
	struct node *node = NULL;

	c.direction = -1;
	f->pulses = 0xfff0;
	assert_int_equal(node_open(f->link, &f->clock, &c, &node, NULL), RC_OK);
	assert_int_equal(node_start(node, NULL), RC_OK);
	tick(f, node, &snap);
	for (int i = 0; i < 20; i++) {
		f->pulses = (uint16_t)(f->pulses - 6); /* wraps; 6 pulses in 10 ms of 360 = 100 rev/min */
		tick(f, node, &snap);
	}
	assert_near(snap.speed_rpm, 100.0, 1e-9);
	assert_int_equal(snap.pulses, 120);
	assert_near(snap.angle_rev, 120.0 / 360, 1e-12);
	node_close(node);
}

static void notices_a_restart(void **state)
{
	static const char *const how[] = { "B line", "clock back",          "clock ahead",
					   "number", "clock after silence", "boot after silence" };
	struct fake *f = *state;

	for (int way = 0; way < 6; way++) {
		struct node *node = greeted(f);
		struct snapshot snap = snapshot_blank();

		for (int i = 0; i < 20; i++)
			tick(f, node, &snap);
		assert_false(snap.node_reset);
		switch (way) {
		case 0:
			say(f, "B 3f2a power");
			node_poll(node, &snap);
			break;
		case 1:
			f->node_ahead_us -= 3000000;
			tick(f, node, &snap);
			break;
		case 2:
			f->node_ahead_us += 400000;
			tick(f, node, &snap);
			break;
		case 3:
			f->number = (uint8_t)(f->number + 100);
			tick(f, node, &snap);
			break;
		default:
			if (way == 4)
				f->node_ahead_us -= 3000000;
			else
				f->hello = "ok 1 lock-7 3f2b *";
			for (int i = 0; i < 100; i++) {
				f->now_us += 10000;
				act(f);
				node_poll(node, &snap);
			}
			f->hello = "ok 1 lock-7 3f2a *";
		}
		if (!snap.node_reset)
			fail_msg("%s was not noticed", how[way]);
		/* it stays */
		tick(f, node, &snap);
		assert_true(snap.node_reset);
		node_close(node);
	}
}

static void a_busy_node_that_catches_up_did_not_restart(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();

	for (int i = 0; i < 20; i++)
		tick(f, node, &snap);
	f->now_us += 150000; /* fifteen samples late, then all in a row */
	for (int i = 0; i < 15; i++) {
		f->number++;
		say_fast(f, 15 - i);
	}
	tick(f, node, &snap);
	assert_false(snap.node_reset);
	assert_int_equal(snap.sample_lost, 0);
	node_close(node);
}

/* L8. Absences of the host of any length, with what the node sent meanwhile still in the buffer, in part, or not at
 * all: the node is not silent, did not restart and lost nothing. */
static void the_host_s_own_absence_is_not_the_node_s(void **state)
{
	static const int away[] = { 5, 10, 40, 120, 500, 1000 }, kept[] = { 100, 50, 0 }; /* ticks; % in the buffer */
	struct fake *f = *state;

	for (size_t i = 0; i < 18; i++) {
		struct node *node = greeted(f);
		struct snapshot snap = snapshot_blank();
		int n = away[i / 3], whole = n < 200 ? n : 200,
		    in_buffer = whole * kept[i % 3] / 100; /* a socket takes no more */

		for (int k = 0; k < 20; k++) {
			f->conversion++;
			tick(f, node, &snap);
		}
		uint32_t taken = snap.channel[CHANNEL_CELL].fresh;
		for (int k = 0; k < n; k++) {
			f->now_us += 10000;
			f->number++;
			f->conversion++;
			if (k < in_buffer)
				say_fast(f, 0);
		}
		node_poll(node, &snap);
		if (!(snap.sample_age_s <= 0.0101) || !(snap.channel[CHANNEL_CELL].age_s <= 0.0301) ||
		    snap.node_reset || snap.sample_lost)
			fail_msg("away %d, %d in the buffer: age %g, conversion's %g, reset %d, lost %u", n, in_buffer,
				 snap.sample_age_s, snap.channel[CHANNEL_CELL].age_s, snap.node_reset,
				 snap.sample_lost);
		for (int k = 0; k < 10; k++)
			tick(f, node, &snap);
		assert_false(snap.node_reset);
		assert_int_equal(snap.sample_lost + snap.sample_late, 0);
		if ((int)snap.sample_missed != n - in_buffer)
			fail_msg("away %d, %d in the buffer: missed %u", n, in_buffer, snap.sample_missed);
		assert_true(snap.channel[CHANNEL_CELL].fresh > taken || in_buffer == 0);
		/* and from then on it is judged again */
		look(f, node, &snap, 16);
		assert_near(snap.sample_age_s, 0.16, 1e-9);
		node_close(node);
		f->hello = "ok 1 lock-7 3f2a *";
	}
}

/* The very first sample waited for the host: the clock's offset is not known better than that. */
static void a_first_sample_that_waited_is_no_restart(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();

	f->now_us += 10000;
	say_fast(f, 0);
	f->now_us += 1190000;
	for (int k = 0; k < 10; k++)
		tick(f, node, &snap);
	assert_false(snap.node_reset);
	assert_true(snap.sample_age_s <= 0.0101);
	node_close(node);
}

/* A host that is away again and again still finds out that the node is silent. */
static void a_silent_node_is_found_by_a_slow_host(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();

	tick(f, node, &snap);
	for (int k = 0; k < 20; k++) {
		f->now_us += 100000;
		act(f);
		node_poll(node, &snap);
	}
	if (!(snap.sample_age_s > 0.15))
		fail_msg("age %g", snap.sample_age_s);
	node_close(node);
}

static void a_set_point_s_age_leaves_out_the_absence(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = snapshot_blank();
	const struct wish wish = { .brake_A = 0.2 };

	tick(f, node, &snap);
	node_set(node, &wish);
	f->sets_silent = true;
	f->now_us += 1000000;
	tick(f, node, &snap);
	assert_true(snap.sample_age_s <= 0.0101);
	for (int k = 0; k < 40; k++)
		tick(f, node, &snap);
	assert_true(snap.sample_age_s > 0.3);
	node_close(node);
}

/* Nor does one that answers with what says nothing of its start or its clock. */
static void a_silent_node_that_did_not_restart_is_only_silent(void **state)
{
	static const char *const answers[] = { "ok 1 lock-7 3f2a *", "ok 1 lock-7 3f2a", "ok 1 lock-7 3f2b",
					       "ok 1 lock-7 3f2a noon", "no busy" };
	struct fake *f = *state;

	for (size_t k = 0; k < sizeof answers / sizeof answers[0]; k++) {
		struct snapshot snap = snapshot_blank();

		f->hello = answers[0];
		struct node *node = greeted(f);
		f->hello = answers[k];
		f->n = 0;
		tick(f, node, &snap);
		for (int i = 0; i < 200; i++) {
			f->now_us += 10000;
			act(f);
			node_poll(node, &snap);
		}
		assert_near(snap.sample_age_s, 2.0, 1e-9);
		assert_false(snap.node_reset || snap.node_lost);
		assert_in_range(count_heard(f, "hello 1"), 3, 5); /* every half second */
		node_close(node);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		TEST(fills_the_snapshot),
		TEST(what_is_not_its_role_is_left_alone),
		TEST(before_it_is_started_nothing_is_taken),
		TEST(no_meter_no_ripple),
		TEST(slow_samples_have_an_age),
		TEST(tells_fresh_repeated_and_saturated),
		TEST(counts_lost_doubled_and_late),
		TEST(drops_and_counts_garbage),
		TEST(a_newer_node_may_say_more),
		TEST(unwraps_the_nodes_clock),
		TEST(turns_pulses_into_speed_with_the_sign_of_the_profile),
		TEST(notices_a_restart),
		TEST(a_busy_node_that_catches_up_did_not_restart),
		TEST(a_silent_node_that_did_not_restart_is_only_silent),
		TEST(saturation_goes_by_the_node_s_bits_and_the_profile),
		TEST(equal_neighbours_are_counted),
		TEST(the_host_s_own_absence_is_not_the_node_s),
		TEST(a_first_sample_that_waited_is_no_restart),
		TEST(a_silent_node_is_found_by_a_slow_host),
		TEST(a_set_point_s_age_leaves_out_the_absence),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
