/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The node of the virtual bench against docs/tether.md: requests, leases, safe action, samples, the wire's time. */
#include "bench/draw.h"
#include "bench/node_side.h"
#include "tests/unit/bench/world_kit.h"

struct rig {
	struct node_side node;
	struct node_side_senses senses;
	gsl_rng *rng;
	int64_t t_us;
	uint8_t seq;
	char text[8192]; /* what came out since the last look */
	size_t n;
};

static int begin(void **state)
{
	static struct rig rig;
	const struct node_side_config config = {
		.baud = 115200, .brake_mA = 1200, .cell_bits = 24, .cell_sps = 80, .clock_ppm = 0, .clock_s = 0
	};

	memset(&rig, 0, sizeof rig);
	rig.rng = draw_new(1, "test.node");
	rig.senses = (struct node_side_senses){ .estop_ok = true, .cage_closed = true, .edge_us = -1 };
	node_side_init(&rig.node, &config, rig.rng, &rig.senses);
	*state = &rig;
	return 0;
}

static int finish(void **state)
{
	gsl_rng_free(((struct rig *)*state)->rng);
	return 0;
}

/* Go on by whole milliseconds, with samples as the world would take them. */
static void go(struct rig *r, int ms)
{
	for (int i = 0; i < ms * 20; i++) {
		r->t_us += 50;
		if (r->t_us % 1000 == 0)
			node_side_tick(&r->node, r->t_us, &r->senses);
		if (node_side_due(&r->node, r->t_us))
			node_side_sample(&r->node, r->t_us, &r->senses);
		r->n += node_side_take(&r->node, r->t_us, r->text + r->n, sizeof r->text - 1 - r->n);
	}
	r->text[r->n] = '\0';
}

static void forget(struct rig *r)
{
	r->n = 0;
	r->text[0] = '\0';
}

static void send_seq(struct rig *r, const char *body)
{
	struct tether_writer w;

	tether_begin_seq(&w, '?', r->seq);
	tether_put_words(&w, body);
	node_side_receive(&r->node, w.line, tether_end(&w), r->t_us, &r->senses);
}

static void send(struct rig *r, const char *body)
{
	r->seq++;
	send_seq(r, body);
}

/* What a request is answered, without number and checksum; "" when nothing came in 20 ms. */
static const char *ask(struct rig *r, const char *body)
{
	static char answer[TETHER_LINE_MAX + 1];
	char head[8];
	char *at, *end;

	forget(r);
	send(r, body);
	go(r, 20);
	snprintf(head, sizeof head, "!%u ", r->seq);
	at = strstr(r->text, head);
	if (at == NULL)
		return "";
	at += strlen(head);
	end = strstr(at, " =");
	snprintf(answer, sizeof answer, "%.*s", (int)(end - at), at);
	return answer;
}

static bool came(const struct rig *r, const char *text)
{
	return strstr(r->text, text) != NULL;
}

static void power_up(struct rig *r)
{
	assert_string_equal(ask(r, "power on"), "ok");
	assert_true(r->node.orders.contactor);
	r->senses.contactor_closed = true;
	go(r, 5);
}

static void answers_as_the_page_says(void **state)
{
	static const struct {
		const char *request, *answer;
	} rows[] = {
		{ "caps", "ok cell pick brake meter drive temp lines clock" },
		{ "info cell", "ok 24 80" },
		{ "info pick", "ok quad" },
		{ "info brake", "ok 1200" },
		{ "info meter", "ok product" },
		{ "info drive", "ok speed current torque position angle" },
		{ "info temp", "ok brake case winding ambient" },
		{ "info lines", "ok estop guard contactor" },
		{ "info clock", "ok 165" },
		{ "info oven", "no args" },
		{ "hello 2", "no version 1" },
		{ "hello", "no args" },
		{ "fly", "no verb" },
		{ "rate fast 1", "no args" },
		{ "rate 100", "no args" },
		{ "rate 100000 20", "no range" },
		{ "rate 10 0", "no range" },
		{ "rate -1 1", "no range" },
		{ "power", "no args" },
		{ "power up", "no args" },
		{ "clear", "ok" },
		{ "restart", "ok" },
		{ "restart now", "no args" },
		{ "status", "ok idle none 0" },
		{ "set 300 off 0", "no args" },
		{ "set 300 fly 0 0", "no args" },
		{ "set 9 off 0 0", "no range" },
		{ "set 5001 off 0 0", "no range" },
		{ "set 300 off 1 0", "no range" },
		{ "set 300 off 0 -1", "no range" },
		{ "set 300 off 0 1201", "no range" },
		{ "set 300 speed 1000000 0", "no range" },
		{ "set 300 speed 100 0", "no power" },
		{ "set 300 speed 100 0 600", "no args" },
		{ "set 300 torque 8000 0", "no args" },
		{ "set 300 torque 8000 0 600 1", "no args" },
		{ "set 300 torque 8000 0 x", "no args" },
		{ "set 300 torque 1000000 0 600", "no range" },
		{ "set 300 torque 8000 0 0", "no range" },
		{ "set 300 torque 8000 0 -600", "no range" },
		{ "set 300 torque 8000 0 1000000", "no range" },
		{ "set 300 torque 8000 0 600", "no power" },
		{ "set 300 position 675 0", "no args" },
		{ "set 300 position -675 0 600", "no power" },
		{ "set 300 off 0 0", "ok" },
		{ "set 10 off 0 1200", "ok" },
	};
	struct rig *r = *state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		assert_string_equal(ask(r, rows[i].request), rows[i].answer);
	go(r, 500);
	assert_int_equal(strncmp(ask(r, "hello 1"), "ok 1 virtual ", 13), 0);
}

static void says_b_when_it_starts(void **state)
{
	struct rig *r = *state;
	uint16_t boot = r->node.boot;

	go(r, 10);
	assert_true(came(r, " power ="));
	node_side_boot(&r->node, r->t_us, "watchdog");
	forget(r);
	go(r, 10);
	assert_true(came(r, "B ") && came(r, " watchdog ="));
	assert_int_not_equal(r->node.boot, boot);
	assert_int_equal(r->node.rate_Hz, 0);
}

static void drops_and_counts_what_is_no_good_line(void **state)
{
	struct rig *r = *state;
	static const char bad[] = "?1 hello 1 =5120\n?1 hello 1\n?1 hello 1 =512d\n\n?1 hel";

	node_side_receive(&r->node, bad, sizeof bad - 1, r->t_us, &r->senses);
	go(r, 10);
	assert_false(came(r, "!"));
	assert_string_equal(ask(r, "status"), ""); /* completes the half line and goes down with it */
	assert_string_equal(ask(r, "status"), "ok idle none 4");
}

static void obeys_once_and_answers_twice(void **state)
{
	struct rig *r = *state;

	assert_string_equal(ask(r, "set 500 off 0 100"), "ok");
	go(r, 400);
	forget(r);
	send_seq(r, "set 500 off 0 100"); /* the same number again: does not renew the lease */
	go(r, 20);
	assert_true(came(r, " ok ="));
	go(r, 100);
	assert_int_equal(r->node.state, NODE_SIDE_STOPPING);
}

static void acks_in_samples_while_they_flow(void **state)
{
	struct rig *r = *state;
	char ack[8];

	assert_string_equal(ask(r, "rate 100 5"), "ok");
	assert_string_equal(ask(r, "set 300 off 0 100"), "");
	snprintf(ack, sizeof ack, " %02x =", r->seq);
	assert_true(came(r, ack));
	assert_string_equal(ask(r, "set 300 off 0 5000"), "no range");
}

static void lease_runs_out_into_the_safe_action(void **state)
{
	struct rig *r = *state;

	power_up(r);
	assert_string_equal(ask(r, "set 300 speed 6000 150"), "ok");
	assert_int_equal(r->node.state, NODE_SIDE_LIVE);
	forget(r);
	go(r, 270);
	assert_int_equal(r->node.state, NODE_SIDE_LIVE);
	go(r, 15);
	assert_int_equal(r->node.state, NODE_SIDE_STOPPING);
	assert_int_equal(r->node.orders.mode, BENCH_OFF);
	assert_false(r->node.orders.contactor);
	assert_int_equal(r->node.orders.brake_mA, 600);
	assert_true(came(r, "state stopping"));
	r->senses.contactor_closed = false;
	for (int i = 0; i < 100; i++) { /* still turning for a second */
		r->senses.pulses++;
		go(r, 10);
	}
	assert_int_equal(r->node.orders.brake_mA, 600);
	assert_string_equal(ask(r, "set 300 off 0 0"), "no stopping");
	assert_string_equal(ask(r, "clear"), "no moving");
	assert_string_equal(ask(r, "power on"), "no safe");
	go(r, 270);
	assert_int_equal(r->node.state, NODE_SIDE_SAFE);
	assert_int_equal(r->node.orders.brake_mA, 0);
	assert_string_equal(ask(r, "set 300 off 0 0"), "no safe");
	assert_string_equal(ask(r, "status"), "ok safe lease 0");
	assert_string_equal(ask(r, "clear"), "ok");
	assert_string_equal(ask(r, "status"), "ok idle none 0");
}

static void brake_is_let_go_after_a_minute_at_most(void **state)
{
	struct rig *r = *state;

	assert_string_equal(ask(r, "set 300 off 0 900"), "ok");
	assert_string_equal(ask(r, "safe"), "ok");
	assert_int_equal(r->node.orders.brake_mA, 900); /* the larger of set-point and half of the most */
	for (int i = 0; i < 5985; i++) {
		r->senses.pulses++;
		go(r, 10);
		forget(r);
	}
	assert_int_equal(r->node.orders.brake_mA, 900);
	for (int i = 0; i < 20; i++) {
		r->senses.pulses++;
		go(r, 10);
	}
	assert_int_equal(r->node.orders.brake_mA, 0);
	assert_string_equal(ask(r, "status"), "ok safe host 0");
}

static void lines_stop_it(void **state)
{
	static const char *const reason[] = { "estop", "guard", "contactor" };
	struct rig *r = *state;
	char want[40];

	for (int i = 0; i < 3; i++) {
		power_up(r);
		assert_string_equal(ask(r, "set 5000 speed 100 0"), "ok");
		forget(r);
		*(bool *[]){ &r->senses.estop_ok, &r->senses.cage_closed, &r->senses.contactor_closed }[i] = false;
		go(r, 5);
		snprintf(want, sizeof want, " %s 0 ", reason[i]);
		assert_true(came(r, want));
		assert_int_equal(r->node.state, NODE_SIDE_STOPPING);
		r->senses.contactor_closed = false;
		go(r, 400);
		snprintf(want, sizeof want, "ok safe %s 0", reason[i]);
		assert_string_equal(ask(r, "status"), want);
		if (i < 2) {
			snprintf(want, sizeof want, "no %s", reason[i]);
			assert_string_equal(ask(r, "clear"), want);
			snprintf(want, sizeof want, "no safe");
			assert_string_equal(ask(r, "power on"), want);
		}
		r->senses.estop_ok = r->senses.cage_closed = true;
		assert_string_equal(ask(r, "clear"), "ok");
	}
	r->senses.estop_ok = false;
	assert_string_equal(ask(r, "power on"), "no estop");
	assert_int_equal(r->node.state, NODE_SIDE_IDLE); /* nothing to make safe: only reported */
	r->senses.estop_ok = true;
	r->senses.cage_closed = false;
	assert_string_equal(ask(r, "power on"), "no guard");
}

static void contactor_that_does_not_follow_is_noticed(void **state)
{
	struct rig *r = *state;

	assert_string_equal(ask(r, "power on"), "ok");
	go(r, 150);
	assert_int_equal(r->node.state, NODE_SIDE_IDLE);
	go(r, 60);
	assert_int_equal(r->node.state, NODE_SIDE_STOPPING);
	assert_string_equal(r->node.reason, "contactor");
}

/* L2. docs/tether.md: a closed contactor lives no longer than the last set, also while nothing is driven. */
static void a_closed_contactor_has_a_lease(void **state)
{
	struct rig *r = *state;

	power_up(r); /* 25 ms */
	go(r, 900);
	assert_true(r->node.orders.contactor);
	assert_string_equal(ask(r, "set 300 off 0 0"), "ok");
	go(r, 270);
	assert_true(r->node.orders.contactor);
	assert_int_equal(r->node.state, NODE_SIDE_IDLE);
	assert_string_equal(ask(r, "set 300 off 0 0"), "ok");
	go(r, 300);
	assert_false(r->node.orders.contactor);
	r->senses.contactor_closed = false;
	go(r, 400);
	assert_string_equal(ask(r, "status"), "ok safe lease 0");
	assert_string_equal(ask(r, "clear"), "ok");

	power_up(r); /* and without any set at all */
	go(r, 1000);
	assert_int_equal(r->node.state, NODE_SIDE_STOPPING);
	r->senses.contactor_closed = false;
	go(r, 400);
	assert_string_equal(ask(r, "clear"), "ok");

	power_up(r);
	assert_string_equal(ask(r, "power off"), "ok");
	r->senses.contactor_closed = false;
	go(r, 6000);
	assert_string_equal(ask(r, "status"), "ok idle none 0");
}

static void power_off_takes_the_mode_away(void **state)
{
	struct rig *r = *state;

	power_up(r);
	assert_string_equal(ask(r, "set 5000 current 1000 100"), "ok");
	assert_string_equal(ask(r, "restart"), "no live");
	assert_string_equal(ask(r, "power off"), "ok");
	assert_int_equal(r->node.orders.mode, BENCH_OFF);
	assert_int_equal(r->node.orders.brake_mA, 100);
}

static void sample_has_the_fields_of_the_page(void **state)
{
	struct rig *r = *state;
	char *line;

	r->senses.cell_count = -1204;
	r->senses.cell_conversion = 0x5a;
	r->senses.pulses = -2;
	r->senses.brake_A = 0.1484;
	r->senses.meter_V = 24.0064;
	r->senses.meter_A = -0.412;
	r->senses.drive_flags = 0x29;
	r->senses.rotor_rpm = 571.23;
	r->senses.temp_degC[0] = 23.64;
	r->senses.temp_degC[3] = -1.25;
	r->senses.meter_ripple_W = -0.25;
	r->senses.rotor_deg = 359.996; /* rounds to a whole turn, which is 0 */
	assert_string_equal(ask(r, "rate 100 1"), "ok");
	r->senses.edge_us = (double)r->t_us + 1000;
	go(r, 8); /* what is still on the wire */
	forget(r);
	r->t_us = 5000000 - 50;
	r->node.sample_us = 5000000;
	go(r, 10);
	line = strstr(r->text, "F ");
	assert_non_null(line);
	assert_int_equal(strncmp(line + 5, "004c4b40 -1204 5a fffe 999999 148 24006 -412 00 =", 48),
			 0); /* T = 5 000 000 us */
	line = strstr(r->text, "S ");
	assert_non_null(line);
	assert_int_equal(strncmp(line + 5, "3 idle none 29 5712 0 236 0 0 -12 -250 0 =", 42), 0);
}

static void sample_numbers_and_clock_count_on(void **state)
{
	struct rig *r = *state;
	unsigned number, last = 0, t_last = 0, seen = 0;

	ask(r, "rate 100 1000");
	forget(r);
	go(r, 1000);
	for (char *at = strstr(r->text, "F "); at != NULL; at = strstr(at + 1, "\nF ")) {
		unsigned t;

		at += *at == '\n';
		assert_int_equal(sscanf(at, "F %x %x", &number, &t), 2);
		if (seen++ > 0) {
			assert_int_equal((number - last) & 0xff, 1);
			assert_int_equal(t - t_last, 10000);
		}
		last = number;
		t_last = t;
	}
	assert_in_range(seen, 99, 100);
}

/* A byte takes ten bits: 115200 baud give 11520 bytes a second, whatever is waiting. */
static void the_wire_takes_its_time(void **state)
{
	struct rig *r = *state;

	go(r, 100);
	forget(r);
	for (int i = 0; i < 30; i++)
		send(r, "caps"); /* 30 answers of some 56 bytes: 146 ms */
	go(r, 50);
	assert_in_range(r->n, 574, 577);
	go(r, 50);
	assert_in_range(r->n, 1150, 1153);
	forget(r);
	go(r, 100);
	forget(r);
	send(r, "status"); /* "!NN ok idle none 0 =XXXX" and its newline, 25 bytes: 2.17 ms */
	go(r, 2);
	assert_in_range(r->n, 22, 23);
	go(r, 1);
	assert_int_equal(r->n, 25);
}

static void a_full_wire_drops_whole_lines(void **state)
{
	struct rig *r = *state;
	struct tether_reader reader = { 0 };
	int good = 0;

	go(r, 100);
	forget(r);
	for (int i = 0; i < 100; i++)
		send(r, "caps");
	assert_true(r->node.tx_dropped > 50);
	go(r, 300);
	for (size_t i = 0; i < r->n; i++)
		good += tether_feed(&reader, r->text[i]);
	assert_int_equal(reader.bad, 0);
	assert_in_range(good, 30, 40);
}

/* The wire's time does not depend on how often somebody takes the bytes: a pause stays a pause. */
static void the_wire_flows_whether_or_not_it_is_read(void **state)
{
	struct rig *r = *state;
	char buf[4000];
	size_t n;

	go(r, 100);
	ask(r, "rate 100 20");
	for (int i = 0; i < 5000; i++) { /* 250 ms without a look: 25 samples of some 45 bytes */
		r->t_us += 50;
		if (r->t_us % 1000 == 0)
			node_side_tick(&r->node, r->t_us, &r->senses);
		if (node_side_due(&r->node, r->t_us))
			node_side_sample(&r->node, r->t_us, &r->senses);
	}
	assert_int_equal(r->node.tx_dropped, 0);
	/* 1 ms after the sample at its end only 11 bytes of it have left. */
	while (!node_side_due(&r->node, r->t_us + 50))
		r->t_us += 50;
	r->t_us += 50;
	node_side_take(&r->node, r->t_us, buf, sizeof buf);
	node_side_sample(&r->node, r->t_us, &r->senses);
	n = node_side_take(&r->node, r->t_us + 1000, buf, sizeof buf);
	assert_int_equal(n, 11);
}

/* More samples than the line carries: some are lost whole, but no event and no answer. */
static void an_overloaded_wire_loses_samples_only(void **state)
{
	struct rig *r = *state;

	assert_string_equal(ask(r, "rate 165 1"), "ok"); /* some 19 kB a second for 11.5 */
	go(r, 500);
	for (int i = 0; i < 20; i++) {
		forget(r);
		r->senses.cage_closed = i % 2 != 0;
		send(r, "status");
		go(r, 100);
		assert_true(came(r, i % 2 != 0 ? " guard 1 " : " guard 0 "));
		assert_true(came(r, " ok idle none 0 ="));
	}
	assert_true(r->node.tx_dropped > 100);
}

static void faults_of_the_line(void **state)
{
	struct rig *r = *state;
	struct tether_reader reader = { 0 };
	int lines = 0;

	ask(r, "rate 100 1000");
	r->node.faults.doubled_percent = 100;
	forget(r);
	go(r, 300);
	for (char *at = strstr(r->text, "F "); at != NULL; at = strstr(at + 1, "F "))
		lines++;
	assert_in_range(lines, 55, 61);
	r->node.faults = (struct node_side_faults){ .lost_percent = 100 };
	go(r, 20);
	forget(r);
	go(r, 200);
	assert_int_equal(r->n, 0);
	r->node.faults = (struct node_side_faults){ .garbage_permille = 30 };
	go(r, 1000);
	for (size_t i = 0; i < r->n; i++)
		tether_feed(&reader, r->text[i]);
	assert_in_range(reader.bad, 30, 100); /* 62 bytes: 85 % of a hundred lines are hit */
	r->node.faults = (struct node_side_faults){ .silent_until_us = INT64_MAX };
	go(r, 20);
	assert_string_equal(ask(r, "status"), "");
	assert_int_equal(r->n, 0);
}

static void tells_of_the_drive_by_events(void **state)
{
	struct rig *r = *state;

	r->senses.drive_flags = BENCH_DRIVE_ENABLED;
	go(r, 10);
	assert_true(came(r, " drive 01 "));
	r->senses.drive_flags |= BENCH_DRIVE_LIMITED; /* comes and goes: not told */
	forget(r);
	go(r, 10);
	assert_int_equal(r->n, 0);
	r->senses.drive_flags = BENCH_DRIVE_UNDERVOLTAGE;
	go(r, 10);
	assert_true(came(r, " drive 08 "));
}

static int count_of(const struct rig *r, const char *word)
{
	int n = 0;

	for (const char *at = r->text; (at = strstr(at, word)) != NULL; at++)
		n++;
	return n;
}

/* A switch that bounces and a fault that chatters every millisecond, for half a second: at most 20 events a second,
 * the first at once, the last one true; the drive's limits are no events at all. */
static void what_chatters_does_not_flood_the_line(void **state)
{
	struct rig *r = *state;

	forget(r);
	for (int i = 0; i < 501; i++) {
		r->senses.cage_closed = i % 2 != 0;
		r->senses.drive_flags = i % 2 ? 0 : BENCH_DRIVE_FAULT;
		go(r, 1);
		if (i == 3)
			assert_int_equal(count_of(r, " guard 0 "), 1);
	}
	go(r, 110);
	assert_in_range(count_of(r, " guard "), 5, 12);
	assert_in_range(count_of(r, " drive "), 5, 12);
	const char *last = NULL;
	for (const char *at = r->text; (at = strstr(at, " guard ")) != NULL; at++)
		last = at;
	assert_memory_equal(last, " guard 0 ", 9);
	r->senses.drive_flags = 0;
	r->senses.cage_closed = true;
	go(r, 110);
	forget(r);
	for (int i = 0; i < 200; i++) {
		r->senses.drive_flags = i % 2 ? BENCH_DRIVE_LIMITED : BENCH_DRIVE_DERATING;
		go(r, 1);
	}
	assert_int_equal(count_of(r, " drive "), 0);
}

static void power_off_while_live(void **state)
{
	struct rig *r = *state;

	power_up(r);
	assert_string_equal(ask(r, "set 1000 speed 100 300"), "ok");
	assert_string_equal(ask(r, "power off"), "ok");
	assert_int_equal(r->node.state, NODE_SIDE_LIVE); /* the brake has its lease still */
	assert_int_equal(r->node.orders.mode, BENCH_OFF);
	assert_int_equal(r->node.orders.brake_mA, 300);
	r->senses.contactor_closed = false;
	go(r, 1100);
	assert_int_equal(r->node.state, NODE_SIDE_STOPPING);
	go(r, 400);
	assert_string_equal(ask(r, "clear"), "ok");
	power_up(r);
	assert_string_equal(ask(r, "set 300 speed 100 0"), "ok");
	assert_string_equal(ask(r, "power off"), "ok");
	assert_int_equal(r->node.state, NODE_SIDE_IDLE);
	r->senses.contactor_closed = false;
	go(r, 2000);
	assert_int_equal(r->node.state, NODE_SIDE_IDLE); /* and no lease */
}

static void the_first_refusal_in_the_page_s_order(void **state)
{
	static const struct {
		const char *request, *answer;
	} rows[] = {
		{ "set 9 off 5", "no args" },
		{ "set 9 off 5 0", "no range" },
		{ "set 300 off 5 0", "no range" },
		{ "set 300 speed 1000000 0", "no range" },
		{ "set 300 speed 1 0", "no safe" },
		{ "power on", "no safe" },
		{ "clear", "no estop" },
	};
	struct rig *r = *state;

	assert_string_equal(ask(r, "safe"), "ok");
	go(r, 400);
	r->senses.estop_ok = r->senses.cage_closed = false;
	go(r, 5);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		assert_string_equal(ask(r, rows[i].request), rows[i].answer);
}

/* 300 ms from the stop, when the last pulse is older; from the last pulse, when it is younger. */
static void the_quiet_counts_from_the_later_of_stop_and_pulse(void **state)
{
	struct rig *r = *state;

	for (int pulse_ms = 0; pulse_ms <= 100; pulse_ms += 100) {
		assert_string_equal(ask(r, "set 5000 off 0 300"), "ok");
		go(r, 1000);
		send(r, "safe");
		go(r, pulse_ms);
		r->senses.pulses += pulse_ms > 0;
		go(r, 297);
		assert_int_equal(r->node.state, NODE_SIDE_STOPPING);
		go(r, 6);
		assert_int_equal(r->node.state, NODE_SIDE_SAFE);
		assert_string_equal(ask(r, "clear"), "ok");
	}
}

static void numbers_go_on_after_a_new_rate(void **state)
{
	struct rig *r = *state;

	assert_string_equal(ask(r, "rate 100 20"), "ok");
	go(r, 100);
	int before = r->node.sample;
	assert_true(before >= 9);
	assert_string_equal(ask(r, "rate 50 20"), "ok");
	assert_in_range(r->node.sample, before, before + 3);
}

#define NODE_TEST(f) cmocka_unit_test_setup_teardown(f, begin, finish)

/* docs/tether.md: `safe` said again, while it stops or when it is safe, changes nothing: the brake is not applied
 * anew and the reason stays. */
static void safe_said_twice_changes_nothing(void **state)
{
	struct rig *r = *state;

	power_up(r);
	assert_string_equal(ask(r, "set 300 speed 30 200"), "ok");
	r->senses.estop_ok = false;
	go(r, 10);
	assert_int_equal(r->node.state, NODE_SIDE_STOPPING);
	assert_string_equal(ask(r, "safe"), "ok");
	assert_string_equal(r->node.reason, "estop");
	go(r, 1000);
	assert_int_equal(r->node.state, NODE_SIDE_SAFE);
	assert_string_equal(ask(r, "safe"), "ok");
	assert_int_equal(r->node.state, NODE_SIDE_SAFE);
	assert_int_equal(r->node.orders.brake_mA, 0);
	assert_string_equal(r->node.reason, "estop");
}

/* The largest value that a set may have is taken, the next is not; a fault in the upper digit is told by it. */
static void the_edges_of_a_set_and_of_a_flag(void **state)
{
	struct rig *r = *state;

	power_up(r);
	assert_string_equal(ask(r, "set 5000 speed 999999 1200"), "ok");
	assert_string_equal(ask(r, "set 10 speed -999999 0"), "ok");
	assert_string_equal(ask(r, "set 300 speed 1000000 0"), "no range");
	assert_string_equal(ask(r, "set 5001 speed 0 0"), "no range");
	assert_string_equal(ask(r, "set 9 speed 0 0"), "no range");
	forget(r);
	r->senses.drive_flags = BENCH_DRIVE_FAULT | BENCH_DRIVE_ENABLED;
	go(r, 5);
	assert_true(came(r, " drive 11 "));
}

/* Power off ends a lease that has nothing left to end: the node stays idle and does not go safe when it would have
 * run out. With the brake still on it goes on. */
static void power_off_ends_the_lease_of_an_idle_node(void **state)
{
	struct rig *r = *state;

	power_up(r);
	assert_string_equal(ask(r, "set 300 speed 30 0"), "ok");
	assert_string_equal(ask(r, "power off"), "ok");
	r->senses.contactor_closed = false;
	go(r, 1000);
	assert_int_equal(r->node.state, NODE_SIDE_IDLE);
	r->senses.contactor_closed = false;
	power_up(r);
	assert_string_equal(ask(r, "set 300 off 0 200"), "ok");
	assert_string_equal(ask(r, "power off"), "ok");
	r->senses.contactor_closed = false;
	go(r, 100);
	assert_int_equal(r->node.state, NODE_SIDE_LIVE);
	go(r, 300);
	assert_int_not_equal(r->node.state, NODE_SIDE_LIVE);
	assert_string_equal(r->node.reason, "lease");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		NODE_TEST(answers_as_the_page_says),
		NODE_TEST(says_b_when_it_starts),
		NODE_TEST(drops_and_counts_what_is_no_good_line),
		NODE_TEST(obeys_once_and_answers_twice),
		NODE_TEST(acks_in_samples_while_they_flow),
		NODE_TEST(lease_runs_out_into_the_safe_action),
		NODE_TEST(safe_said_twice_changes_nothing),
		NODE_TEST(the_edges_of_a_set_and_of_a_flag),
		NODE_TEST(power_off_ends_the_lease_of_an_idle_node),
		NODE_TEST(brake_is_let_go_after_a_minute_at_most),
		NODE_TEST(lines_stop_it),
		NODE_TEST(contactor_that_does_not_follow_is_noticed),
		NODE_TEST(a_closed_contactor_has_a_lease),
		NODE_TEST(power_off_takes_the_mode_away),
		NODE_TEST(sample_has_the_fields_of_the_page),
		NODE_TEST(sample_numbers_and_clock_count_on),
		NODE_TEST(the_wire_takes_its_time),
		NODE_TEST(a_full_wire_drops_whole_lines),
		NODE_TEST(the_wire_flows_whether_or_not_it_is_read),
		NODE_TEST(an_overloaded_wire_loses_samples_only),
		NODE_TEST(faults_of_the_line),
		NODE_TEST(tells_of_the_drive_by_events),
		NODE_TEST(what_chatters_does_not_flood_the_line),
		NODE_TEST(power_off_while_live),
		NODE_TEST(the_first_refusal_in_the_page_s_order),
		NODE_TEST(the_quiet_counts_from_the_later_of_stop_and_pulse),
		NODE_TEST(numbers_go_on_after_a_new_rate),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
