/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A scripted node at the far end of a real socket, and a clock that the test owns: no threads, no waiting. */
#include "instrument/node.h"
#include "node/tether.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cmocka.h>

/* cmocka's own compares in single precision */
#define assert_near(a, b, tolerance) assert_true(fabs((double)(a) - (double)(b)) <= (tolerance))

#define KEPT 400

struct fake {
	char folder[40], path[60];
	int listen_fd, fd;
	struct link *link;
	struct clock_src clock;
	int64_t now_us;      /* host's */
	int64_t node_ahead_us; /* node's clock less host's */
	struct tether_reader reader;
	char heard[KEPT][TETHER_LINE_MAX]; /* bodies of requests, in order */
	size_t n;
	/* behaviour */
	const char *hello, *caps, *refuse_set, *refuse_power;
	int deaf;            /* so many requests are not heard */
	bool sets_silent;    /* sets are obeyed but not acknowledged */
	uint8_t ack, number, conversion, event;
	uint16_t pulses;
	int32_t cell;
	unsigned lines;
};

static void say_bytes(struct fake *f, const char *bytes, size_t n)
{
	assert_int_equal(send(f->fd, bytes, n, MSG_NOSIGNAL), (ssize_t)n);
}

static void say(struct fake *f, const char *body)
{
	char line[200];
	int n = snprintf(line, sizeof line, "%s =%04X\n", body, tether_crc(body, strlen(body)));

	say_bytes(f, line, (size_t)n);
}

static uint32_t node_t(const struct fake *f)
{
	return (uint32_t)(f->now_us + f->node_ahead_us);
}

/* A fast sample taken back_us ago. */
static void say_fast(struct fake *f, int64_t back_us)
{
	char body[120];

	snprintf(body, sizeof body, "F %02x %08x %d %02x %04x 1000 150 24000 412 %02x", f->number,
		 (uint32_t)(node_t(f) - back_us), f->cell, f->conversion, f->pulses, f->ack);
	say(f, body);
}

static void say_slow(struct fake *f, const char *state, const char *reason)
{
	char body[120];

	snprintf(body, sizeof body, "S %02x %x %s %s 03 6000 1500 512 - 300 -", f->number, f->lines, state, reason);
	say(f, body);
}

static void reply(struct fake *f, int seq, const char *words)
{
	char body[120];

	snprintf(body, sizeof body, "!%d %s", seq, words);
	say(f, body);
}

static void hear(struct fake *f, const char *body)
{
	int seq, at = 0;
	const char *verb;

	assert_true(f->n < KEPT);
	strcpy(f->heard[f->n++], body);
	assert_int_equal(sscanf(body, "?%d %n", &seq, &at), 1);
	verb = body + at;
	if (f->deaf > 0) {
		f->deaf--;
		return;
	}
	if (strncmp(verb, "hello", 5) == 0) {
		size_t n = strcspn(f->hello, "*"); /* which stands for the node's clock */
		char words[80];

		if (f->hello[n] == '*')
			snprintf(words, sizeof words, "%.*s%08x", (int)n, f->hello, node_t(f));
		else
			snprintf(words, sizeof words, "%s", f->hello);
		reply(f, seq, words);
	} else if (strcmp(verb, "caps") == 0) {
		reply(f, seq, f->caps);
	} else if (strcmp(verb, "info cell") == 0) {
		reply(f, seq, "ok 24 80");
	} else if (strcmp(verb, "info pick") == 0) {
		reply(f, seq, "ok quad");
	} else if (strcmp(verb, "info brake") == 0) {
		reply(f, seq, "ok 1200");
	} else if (strcmp(verb, "info meter") == 0) {
		reply(f, seq, "ok");
	} else if (strcmp(verb, "info drive") == 0) {
		reply(f, seq, "ok speed current");
	} else if (strcmp(verb, "info temp") == 0) {
		reply(f, seq, "ok brake winding case");
	} else if (strcmp(verb, "info lines") == 0) {
		reply(f, seq, "ok estop guard contactor");
	} else if (strcmp(verb, "info clock") == 0) {
		reply(f, seq, "ok 1000");
	} else if (strncmp(verb, "set", 3) == 0) {
		if (f->refuse_set != NULL)
			reply(f, seq, f->refuse_set);
		else if (!f->sets_silent)
			f->ack = (uint8_t)seq;
	} else if (strncmp(verb, "power on", 8) == 0 && f->refuse_power != NULL) {
		reply(f, seq, f->refuse_power);
	} else if (strncmp(verb, "rate", 4) == 0 || strncmp(verb, "power", 5) == 0 || strcmp(verb, "clear") == 0) {
		reply(f, seq, "ok");
	} else if (strcmp(verb, "status") == 0) {
		reply(f, seq, "ok idle none 3");
	} else {
		reply(f, seq, "no verb");
	}
}

static void act(struct fake *f)
{
	char buf[4096];
	ssize_t n;

	while ((n = recv(f->fd, buf, sizeof buf, MSG_DONTWAIT)) > 0)
		for (ssize_t i = 0; i < n; i++)
			if (tether_feed(&f->reader, buf[i]))
				hear(f, f->reader.line);
}

static struct mono fake_now(void *ctx)
{
	const struct fake *f = ctx;

	return (struct mono){ f->now_us * 1000 };
}

static enum rc fake_sleep_until(void *ctx, struct mono t, struct err *err)
{
	struct fake *f = ctx;

	(void)err;
	act(f);
	if (t.ns / 1000 > f->now_us)
		f->now_us = t.ns / 1000;
	return RC_OK;
}

static int set_up(void **state)
{
	struct fake *f = calloc(1, sizeof *f);
	struct sockaddr_un to = { .sun_family = AF_UNIX };
	char address[80];

	strcpy(f->folder, "/tmp/bridle-node-XXXXXX");
	assert_non_null(mkdtemp(f->folder));
	snprintf(f->path, sizeof f->path, "%s/s", f->folder);
	strcpy(to.sun_path, f->path);
	f->listen_fd = socket(AF_UNIX, SOCK_STREAM, 0);
	assert_int_equal(bind(f->listen_fd, (struct sockaddr *)&to, sizeof to), 0);
	assert_int_equal(listen(f->listen_fd, 1), 0);
	snprintf(address, sizeof address, "unix:%s", f->path);
	assert_int_equal(link_open(address, 0, NULL, 1000, &f->link, NULL), RC_OK);
	f->fd = accept(f->listen_fd, NULL, NULL);
	f->clock = (struct clock_src){ .now = fake_now, .sleep_until = fake_sleep_until, .ctx = f };
	f->now_us = 5000000;
	f->node_ahead_us = 123456789;
	f->hello = "ok 1 lock-7 3f2a *";
	f->caps = "ok cell pick brake meter drive temp lines clock";
	f->lines = 3;
	*state = f;
	return 0;
}

static int tear_down(void **state)
{
	struct fake *f = *state;

	link_close(f->link);
	close(f->fd);
	close(f->listen_fd);
	unlink(f->path);
	rmdir(f->folder);
	free(f);
	return 0;
}

static const struct node_config config = {
	.fast_Hz = 100, .slow_every = 20, .lease_ms = 300, .pulses_per_rev = 360, .gear_ratio = 7.5, .direction = 1,
};

static struct node *greeted(struct fake *f)
{
	struct node *node = NULL;
	struct err err = { 0 };

	if (node_open(f->link, &f->clock, &config, &node, &err) != RC_OK)
		fail_msg("%s", err.what);
	return node;
}

/* One tick of 10 ms: the node has sent its sample, the host looks. */
static void tick(struct fake *f, struct node *node, struct snapshot *snap)
{
	f->now_us += 10000;
	act(f);
	f->number++;
	say_fast(f, 0);
	node_poll(node, snap);
}

static size_t count_heard(const struct fake *f, const char *words)
{
	size_t n = 0;

	for (size_t i = 0; i < f->n; i++)
		n += strcmp(strchr(f->heard[i], ' ') + 1, words) == 0;
	return n;
}

static const char *last_heard(const struct fake *f)
{
	return strchr(f->heard[f->n - 1], ' ') + 1;
}

static void greets_and_learns_what_there_is(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	const struct node_caps *c = node_caps(node);

	assert_string_equal(c->name, "lock-7");
	assert_string_equal(c->boot, "3f2a");
	assert_true(c->cell && c->pick && c->brake && c->meter && c->drive && c->temp && c->lines);
	assert_true(c->pick_quad && c->drive_speed && c->drive_current);
	assert_true(c->line_estop && c->line_guard && c->line_contactor);
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
	static const struct { const char *name, *hello, *caps; enum rc rc; const char *says; } rows[] = {
		{ "version 2, politely", "no version 2", NULL, RC_PROTOCOL, "version 2 of the tether, this program speaks version 1" },
		{ "version 3, boldly", "ok 3 lock-7 3f2a *", NULL, RC_PROTOCOL, "version 3 of the tether" },
		{ "no clock", "ok 1 lock-7 3f2a", NULL, RC_PROTOCOL, "expected \"ok 1 NAME BOOT T\"" },
		{ "long boot", "ok 1 lock-7 3f2a0 *", NULL, RC_PROTOCOL, "expected \"ok 1 NAME BOOT T\"" },
		{ "long name", "ok 1 abcdefghijklmnopq 3f2a *", NULL, RC_PROTOCOL, "expected" },
		{ "no", "no args", NULL, RC_PROTOCOL, "expected" },
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
	struct node_config bad[7];
	struct err err = { 0 };

	for (int i = 0; i < 7; i++)
		bad[i] = config;
	bad[0].lease_ms = 9;
	bad[1].lease_ms = 5001;
	bad[2].slow_every = 0;
	bad[3].gear_ratio = NAN;
	bad[4].direction = 0;
	bad[5].fast_Hz = -1;
	bad[6].fast_Hz = 1001; /* beyond the node's own */
	for (int i = 0; i < 7; i++)
		assert_int_equal(node_open(f->link, &f->clock, &bad[i], &node, &err), RC_ARG);
	assert_non_null(strstr(err.what, "asks for 1001 samples a second, the node \"lock-7\" gives at most 1000"));
	assert_null(node);
}

static void fills_the_snapshot(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = { .now = { 77 }, .torque_Nm = 1.5, .operator_stop = true };

	node_poll(node, &snap);
	assert_true(isinf(snap.sample_age_s) && isnan(snap.speed_rpm) && isnan(snap.brake_A) && snap.lines_seen == 0);
	assert_int_equal(snap.node_state, NODE_UNKNOWN);
	f->cell = -1204;
	f->lines = 5;
	tick(f, node, &snap);
	say_slow(f, "live", "none");
	node_poll(node, &snap);
	assert_int_equal(snap.sample_total, 1);
	assert_int_equal(snap.cell_count, -1204);
	assert_int_equal(snap.cell_conversions, 1);
	assert_false(snap.cell_saturated);
	assert_near(snap.edge_age_s, 0.001, 1e-12);
	assert_near(snap.brake_A, 0.150, 1e-12);
	assert_near(snap.voltage_V, 24.0, 1e-12);
	assert_near(snap.current_A, 0.412, 1e-12);
	assert_true(snap.lines_seen && snap.estop_ok && !snap.guard_ok && snap.contactor_closed);
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
	assert_true(!snap.estop_ok && snap.guard_ok && !snap.contactor_closed);
	assert_int_equal(snap.node_state, NODE_STOPPING);
	assert_int_equal(snap.drive_flags, DRIVE_UNDERVOLTAGE);
	node_close(node);
}

static void tells_fresh_repeated_and_saturated(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = { 0 };

	f->conversion = 254;
	f->cell = 100;
	tick(f, node, &snap);
	assert_int_equal(snap.cell_same, 1);
	tick(f, node, &snap); /* the same conversion again */
	assert_int_equal(snap.cell_same, 1);
	assert_int_equal(snap.cell_conversions, 1);
	assert_near(snap.cell_fresh_age_s, 0.010, 1e-9);
	f->conversion = (uint8_t)(f->conversion + 3); /* wraps to 1 */
	tick(f, node, &snap);
	assert_int_equal(snap.cell_conversions, 4);
	assert_int_equal(snap.cell_same, 2);
	assert_near(snap.cell_fresh_age_s, 0, 1e-9);
	f->cell = 8388607;
	f->conversion++;
	tick(f, node, &snap);
	assert_true(snap.cell_saturated && snap.cell_same == 1);
	f->cell = 8388606;
	tick(f, node, &snap);
	assert_false(snap.cell_saturated);
	f->cell = -8388608;
	tick(f, node, &snap);
	assert_true(snap.cell_saturated);
	node_close(node);
}

static void counts_lost_doubled_and_late(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = { 0 };

	for (int i = 0; i < 300; i++) /* the number wraps */
		tick(f, node, &snap);
	assert_int_equal(snap.sample_total, 300);
	assert_int_equal(snap.sample_lost + snap.sample_doubled + snap.sample_late + snap.line_bad, 0);
	say_fast(f, 0);
	node_poll(node, &snap);
	assert_int_equal(snap.sample_doubled, 1);
	f->number = (uint8_t)(f->number + 3); /* three samples do not come */
	f->now_us += 30000;
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
	assert_int_equal(snap.sample_late, 2); /* taken 30 ms ago, and 20 ms ago it was due; the others may still pass */
	assert_int_equal(snap.sample_lost, 3);
	assert_false(snap.node_reset);
	/* more than 256 lost */
	f->number = (uint8_t)(f->number + 300);
	f->now_us += 3000000;
	tick(f, node, &snap);
	assert_int_equal(snap.sample_lost, 303);
	assert_false(snap.node_reset);
	node_close(node);
}

static void drops_and_counts_garbage(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = { 0 };
	char flood[300];

	tick(f, node, &snap);
	say_bytes(f, "\x80\x81 =0000\n", 9);
	say_bytes(f, "F 02 00000000 1 ", 16); /* half a line, then a whole one: both gone */
	tick(f, node, &snap);
	memset(flood, 'x', sizeof flood);
	say_bytes(f, flood, sizeof flood);
	say_bytes(f, "\n", 1);
	say(f, "F 00 00000000 1 00 0000 0 0 0 0");      /* a field short */
	say(f, "F 00 00000000 9999999 00 0000 0 0 0 0 00"); /* beyond 24 bits */
	say(f, "F 0 00000000 1 00 0000 0 0 0 0 00");     /* one digit */
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

static void unwraps_the_nodes_clock(void **state)
{
	struct fake *f = *state;
	struct node *node;
	struct snapshot snap = { 0 };
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
	struct snapshot snap = { 0 };
	struct node *node = NULL;

	c.direction = -1;
	f->pulses = 0xfff0;
	assert_int_equal(node_open(f->link, &f->clock, &c, &node, NULL), RC_OK);
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
	static const char *const how[] = { "B line", "clock back", "clock ahead", "number", "boot after silence" };
	struct fake *f = *state;

	for (int way = 0; way < 5; way++) {
		struct node *node = greeted(f);
		struct snapshot snap = { 0 };

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
	struct snapshot snap = { 0 };

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

static void a_silent_node_that_did_not_restart_is_only_silent(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = { 0 };

	tick(f, node, &snap);
	for (int i = 0; i < 200; i++) {
		f->now_us += 10000;
		act(f);
		node_poll(node, &snap);
	}
	assert_near(snap.sample_age_s, 2.0, 1e-9);
	assert_false(snap.node_reset || snap.node_lost);
	assert_in_range(count_heard(f, "hello 1"), 4, 6); /* one greeting, then every half second */
	node_close(node);
}

static void sends_set_points_on_change_and_by_lease(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = { 0 };
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
	static const struct { struct wish wish; const char *sends; } rows[] = {
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
	struct snapshot snap = { 0 };

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

static void holds_the_drive_off_until_the_contactor_is_closed(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = { 0 };
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
	assert_int_equal(snap.lines_seen, 0);
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
	struct snapshot snap = { 0 };
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

static void an_unacknowledged_set_point_makes_the_node_silent(void **state)
{
	struct fake *f = *state;
	struct node *node = greeted(f);
	struct snapshot snap = { 0 };
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
	struct snapshot snap = { 0 };
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
	assert_true(snap.sample_age_s < 0.011); /* refused is not silent */
	f->refuse_set = "no range"; /* never obeyed: as silent */
	for (int i = 0; i < 100; i++) {
		node_set(node, &wish);
		tick(f, node, &snap);
	}
	assert_true(snap.sample_age_s > 0.3);
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
	struct snapshot snap = { 0 };
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

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
	static const struct CMUnitTest tests[] = {
		TEST(greets_and_learns_what_there_is),
		TEST(repeats_a_request_under_its_number),
		TEST(waits_3_s_for_a_board_that_starts),
		TEST(gives_up_on_a_silent_node),
		TEST(refuses_what_it_cannot_work_with),
		TEST(refuses_a_bad_config),
		TEST(fills_the_snapshot),
		TEST(tells_fresh_repeated_and_saturated),
		TEST(counts_lost_doubled_and_late),
		TEST(drops_and_counts_garbage),
		TEST(unwraps_the_nodes_clock),
		TEST(turns_pulses_into_speed_with_the_sign_of_the_profile),
		TEST(notices_a_restart),
		TEST(a_busy_node_that_catches_up_did_not_restart),
		TEST(a_silent_node_that_did_not_restart_is_only_silent),
		TEST(sends_set_points_on_change_and_by_lease),
		TEST(clamps_what_cannot_be),
		TEST(holds_the_drive_off_until_the_contactor_is_closed),
		TEST(without_lines_the_contactor_is_what_was_told), TEST(asks_for_power_until_it_is_answered),
		TEST(an_unacknowledged_set_point_makes_the_node_silent),
		TEST(a_refused_set_point_tells_the_state),
		TEST(requests_are_answered_refused_or_time_out),
		TEST(a_waiting_request_keeps_the_lease),
		TEST(a_hang_up_is_told_and_what_came_before_it_counts),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
