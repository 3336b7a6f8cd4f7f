/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a session says of its instruments. Written by hand: a node, and two devices beside it that share a line. */
#include "instrument/indicator.h"
#include "run/session.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

struct scene {
	struct session s;
	struct snapshot snap;
	char text[200];
};

static int begin(void **state)
{
	struct scene *t = calloc(1, sizeof *t);

	assert_non_null(t);
	t->snap = snapshot_blank();
	t->s.n_instruments = 3;
	t->s.rig.n_instruments = 2;
	t->s.instrument[0] = (struct instrument){ .name = "the node", .roles = ROLE_LINES, .stale_s = INFINITY };
	t->s.instrument[1] = (struct instrument){ .name = "modbus a", .roles = ROLE_METER, .stale_s = 1 };
	t->s.instrument[2] =
		(struct instrument){ .name = "modbus b", .roles = ROLE_TEMP, .stale_s = 1, .error = "too hot" };
	t->snap.channel[CHANNEL_CURRENT].instrument = 1;
	t->snap.channel[CHANNEL_VOLTAGE].instrument = 1;
	t->snap.channel[CHANNEL_TEMP].instrument = 2;
	*state = t;
	return 0;
}

static int end(void **state)
{
	free(*state);
	return 0;
}

static const char *silent(struct scene *t, int channel)
{
	session_name_silent(&t->s, &t->snap, channel, t->text, sizeof t->text);
	return t->text;
}

/* Who else is silent on the line says whether to look at the device or at the cable. */
static void who_is_silent(void **state)
{
	struct scene *t = *state;

	assert_string_equal(silent(t, CHANNEL_CURRENT), "modbus a, modbus b (one line)");
	assert_string_equal(silent(t, CHANNEL_TEMP), "modbus b, modbus a (one line)");
	t->snap.channel[CHANNEL_TEMP].age_s = 0.4; /* of what is believed for 1 s */
	assert_string_equal(silent(t, CHANNEL_CURRENT), "modbus a (the line itself answers)");
	t->snap.channel[CHANNEL_TEMP].age_s = 0.6; /* a second reading is missing already */
	assert_string_equal(silent(t, CHANNEL_CURRENT), "modbus a, modbus b (one line)");
	t->s.rig.instrument[1].line = 1;
	assert_string_equal(silent(t, CHANNEL_CURRENT), "modbus a");
	assert_string_equal(silent(t, CHANNEL_CELL), "the node");
	assert_string_equal(silent(t, -1), "the node");
	assert_string_equal(silent(t, CHANNEL_COUNT), "the node");
	t->snap.channel[CHANNEL_CURRENT].instrument = 7; /* of nobody */
	assert_string_equal(silent(t, CHANNEL_CURRENT), "the node");
}

static void a_name_is_cut_to_its_room(void **state)
{
	struct scene *t = *state;

	for (size_t size = 1; size < 40; size++) {
		memset(t->text, 'x', sizeof t->text);
		session_name_silent(&t->s, &t->snap, CHANNEL_CURRENT, t->text, size);
		assert_int_equal(t->text[size], 'x');
		assert_memory_equal(t->text, "modbus a, modbus b (one line)", size < 30 ? size - 1 : 30);
	}
}

static void what_is_beside_the_node(void **state)
{
	struct scene *t = *state;

	assert_true(session_is_beside(&t->snap, CHANNEL_CURRENT));
	assert_false(session_is_beside(&t->snap, CHANNEL_CELL));
	assert_false(session_is_beside(&t->snap, -1));
	assert_false(session_is_beside(&t->snap, CHANNEL_COUNT));
}

static void what_a_device_says_that_it_cannot_do(void **state)
{
	struct scene *t = *state;

	assert_string_equal(session_error_of(&t->s, &t->snap, CHANNEL_TEMP), "too hot");
	assert_string_equal(session_error_of(&t->s, &t->snap, CHANNEL_CURRENT), "");
	assert_string_equal(session_error_of(&t->s, &t->snap, -1), "");
	assert_string_equal(session_error_of(&t->s, &t->snap, CHANNEL_COUNT), "");
	t->snap.channel[CHANNEL_TEMP].instrument = 7;
	assert_string_equal(session_error_of(&t->s, &t->snap, CHANNEL_TEMP), "");
}

static void a_rig_without_drive_or_pick_up(void **state)
{
	struct scene *t = *state;
	struct err err = { 0 };

	assert_false(session_drive_knows(&t->s, DRIVE_SPEED) || session_pick_has_direction(&t->s));
	assert_int_equal(session_check_mode(&t->s, DRIVE_TORQUE, "obey", &err), RC_ARG);
	assert_non_null(strstr(err.what, "obey needs the drive mode torque; the drive of this rig has none."));
	t->s.instrument[1].roles = ROLE_DRIVE | ROLE_PICK;
	t->s.instrument[1].modes = 1u << DRIVE_TORQUE;
	assert_true(session_drive_knows(&t->s, DRIVE_TORQUE) && session_pick_has_direction(&t->s));
	assert_int_equal(session_check_mode(&t->s, DRIVE_TORQUE, "obey", &err), RC_OK);
	t->s.instrument[1].no_direction = true;
	assert_false(session_pick_has_direction(&t->s));
	t->s.instrument[0].lines = LINE_ESTOP;
	assert_int_equal(session_lines(&t->s), LINE_ESTOP);
	t->s.instrument[0].roles = 0;
	assert_int_equal(session_lines(&t->s), 0);
}

/* What rig.ini says of an indicator, as its instrument takes it. */
static void an_indicator_is_set_up(void **state)
{
	struct scene *t = *state;
	const struct instrument_profile p = { .ask = "P", .tell = { "{weight} kg", "", "ERR" }, .division = 0.01 };
	struct indicator_setup ret;

	t->s.rig.cell_saturation_count = 30000.4;
	session_indicator(&t->s, &p, &ret);
	assert_int_equal(ret.n_tell, 2); /* the empty one is left out */
	assert_int_equal(ret.saturation, 30000);
	assert_true(ret.ask.n_items > 0);
	const struct instrument_profile quiet = { .tell = { "{weight} kg" } };
	session_indicator(&t->s, &quiet, &ret);
	assert_true(ret.ask.n_items == 0 && ret.n_tell == 1);                     /* it sends by itself */
	const struct instrument_profile broken = { .ask = "{", .tell = { "{" } }; /* its reader lets none of them in */
	session_indicator(&t->s, &broken, &ret);
	assert_true(ret.ask.n_items == 0 && ret.n_tell == 0);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, begin, end)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(who_is_silent),
		TEST(a_name_is_cut_to_its_room),
		TEST(what_is_beside_the_node),
		TEST(what_a_device_says_that_it_cannot_do),
		TEST(a_rig_without_drive_or_pick_up),
		TEST(an_indicator_is_set_up),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
