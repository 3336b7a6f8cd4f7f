// SPDX-License-Identifier: GPL-3.0-or-later
// The warden's decisions, over time and messages alone. Numbers: docs/invariants.md, W1 to W8.
#include "warden/warden.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#define MS 1000000LL
#define TAKES_POWER (ORDER_DRIVE_OFF | ORDER_OPEN)

static struct warden_bytes bytes(const char *text)
{
	struct warden_bytes b = { .n = (uint8_t)strlen(text) };

	memcpy(b.byte, text, b.n);
	return b;
}

static struct warden_config make(void)
{
	return (struct warden_config){
		.silence_ns = 100 * MS,
		.hold_ns = 8000 * MS,
		.hold_most_ns = 600000 * MS,
		.n_lines = 2,
		.line = { { .close = bytes("C"), .open = bytes("O") },
			  { .drive_off = bytes("D"),
			    .hold = bytes("B "),
			    .after = bytes("\n"),
			    .release = bytes("R") } },
	};
}

struct scene {
	struct warden_config config;
	struct warden w;
	struct warden_out out;
	int64_t now;
	uint32_t seq;
	bool deaf; // nothing can be written
};

static struct scene begin(void)
{
	return (struct scene){ .config = make(), .now = 1000 * MS };
}

static void step(struct scene *s, struct warden_in in)
{
	in.now_ns = s->now;
	in.written |= s->deaf ? 0 : s->out.orders;
	s->w = warden_step(s->w, &s->config, &in, &s->out);
}

static struct warden_in proof(struct scene *s, bool live, bool power)
{
	return (struct warden_in){
		.proof = true, .seq = ++s->seq, .at_ns = s->now, .live = live, .power = power, .brake_mA = 350
	};
}

static void drive(struct scene *s)
{
	step(s, proof(s, true, true));
	assert_int_equal(s->out.orders, ORDER_CLOSE);
	for (int i = 0; i < 100; i++) {
		s->now += 10 * MS;
		step(s, proof(s, true, true));
		assert_int_equal(s->out.orders, 0);
	}
}

/* W2 */
static void silence_is_a_stop_at_its_deadline_and_not_before(void **state)
{
	struct scene s = begin();

	(void)state;
	drive(&s);
	assert_int_equal(s.out.wake_ns, s.now + 100 * MS);
	s.now += 100 * MS - 1;
	step(&s, (struct warden_in){ 0 });
	assert_int_equal(s.out.orders, 0);
	s.now += 1;
	step(&s, (struct warden_in){ 0 });
	assert_int_equal(s.out.orders, TAKES_POWER | ORDER_HOLD);
	assert_int_equal(s.w.why, WARDEN_SILENT);
}

/* A CAN interface whose queue is full: the account waits for the order, and no longer than 0.2 s. */
static void an_order_that_waits_is_told_when_it_is_known(void **state)
{
	(void)state;
	for (int late = 0; late < 2; late++) {
		struct scene s = begin();
		char text[400];

		drive(&s);
		s.now += 100 * MS;
		step(&s, (struct warden_in){ 0 });
		assert_int_equal(s.out.wake_ns, s.now);
		s.deaf = true;
		for (int i = 0; i < 19; i++, s.now += 10 * MS) {
			step(&s, (struct warden_in){ .written = ORDER_OPEN | ORDER_HOLD, .waits = true });
			assert_false(s.out.tell);
			assert_true(s.out.wake_ns <= s.w.began_ns + 200 * MS);
		}
		s.now += late ? 10 * MS : 0;
		step(&s, (struct warden_in){ .written = late ? 0 : ORDER_DRIVE_OFF, .waits = late });
		assert_true(s.out.tell);
		warden_tell(&s.w, &s.config, text, sizeof text);
		assert_int_equal(strncmp(text, "NOT SAFE", 8) == 0, late);
		assert_non_null(strstr(text, late ? "The drive could NOT be commanded off." : "Drive commanded off."));
	}
}

static void an_end_of_file_a_signal_and_a_goodbye_under_power_are_stops_at_once(void **state)
{
	const struct warden_in ends[] = { { .gone = true }, { .asked = true }, { .proof = true, .bye = true } };

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		struct scene s = begin();
		struct warden_in in = ends[i];

		drive(&s);
		in.seq = ++s.seq;
		in.at_ns = s.now;
		step(&s, in);
		assert_int_equal(s.out.orders, TAKES_POWER | ORDER_HOLD);
		assert_int_equal(s.w.phase, WARDEN_HOLDS);
		assert_int_equal(s.w.why, i == 1 ? WARDEN_ASKED : WARDEN_GONE);
	}
}

/* W5 */
static void a_proof_that_is_not_newer_proves_nothing(void **state)
{
	(void)state;
	for (int kind = 0; kind < 4; kind++) { // the same number, an older number, an older moment, one of the future
		struct scene s = begin();

		drive(&s);
		int64_t last = s.now;
		while (s.now < last + 90 * MS) {
			s.now += 10 * MS;
			struct warden_in in = proof(&s, true, true);
			s.seq--;
			if (kind < 2)
				in.seq = s.seq - (uint32_t)kind;
			else
				in.at_ns = kind == 2 ? last : s.now + 1000 * MS;
			s.seq += kind >= 2;
			step(&s, in);
			assert_int_equal(s.out.orders, 0);
		}
		s.now = last + 100 * MS;
		step(&s, (struct warden_in){ 0 });
		assert_int_equal(s.w.phase, WARDEN_HOLDS);
	}
}

static void power_alone_and_a_brake_alone_are_live(void **state)
{
	(void)state;
	for (int i = 0; i < 2; i++) {
		struct scene s = begin();

		step(&s, proof(&s, i == 0, i == 1));
		s.now += 100 * MS;
		step(&s, (struct warden_in){ 0 });
		assert_int_equal(s.w.phase, WARDEN_HOLDS);
	}
}

static void a_current_that_no_brake_has_is_bounded(void **state)
{
	static const int32_t rows[][2] = { { -5, 0 }, { 0, 0 }, { 99999, 99999 }, { 100000, 99999 }, { INT32_MIN, 0 } };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct scene s = begin();
		struct warden_in in = proof(&s, true, true);

		in.brake_mA = rows[i][0];
		step(&s, in);
		assert_int_equal(s.w.brake_mA, rows[i][1]);
	}
}

static void at_rest_there_is_no_deadline_and_an_end_leaves_all_off(void **state)
{
	struct scene s = begin();

	(void)state;
	step(&s, proof(&s, false, false));
	assert_int_equal(s.out.wake_ns, INT64_MAX);
	s.now += 3600000 * MS;
	step(&s, (struct warden_in){ 0 });
	assert_int_equal(s.out.orders, 0);
	assert_false(s.out.end);
	step(&s, (struct warden_in){ .gone = true });
	assert_int_equal(s.out.orders, TAKES_POWER); // harmless when it is asked again
	assert_true(s.out.end);
	assert_int_equal(s.w.why, WARDEN_NO_STOP);
}

/* W4 */
static void nothing_closes_again_after_a_stop(void **state)
{
	struct scene s = begin();

	(void)state;
	drive(&s);
	s.now += 100 * MS;
	step(&s, (struct warden_in){ 0 });
	for (int i = 0; i < 20000; i++) { // the host runs again, for 20 s
		s.now += 1 * MS;
		step(&s, proof(&s, true, true));
		assert_int_equal(s.out.orders & ORDER_CLOSE, 0);
		assert_true(s.w.phase >= WARDEN_HOLDS);
	}
	assert_false(s.out.end); // the host is there and is told
	step(&s, (struct warden_in){ .gone = true });
	assert_true(s.out.end);
}

// W3: the brake is held for the stated time, repeated, and released after it, once.
static void the_brake_is_held_then_released_by_the_stated_rule(void **state)
{
	struct scene s = begin();
	int holds = 0, releases = 0;

	(void)state;
	drive(&s);
	step(&s, (struct warden_in){ .gone = true });
	int64_t began = s.now;
	while (!s.out.end) {
		s.now = s.out.wake_ns;
		step(&s, (struct warden_in){ 0 });
		if (s.out.orders & ORDER_HOLD) {
			assert_true(s.now < began + 8000 * MS);
			holds++;
		}
		if (s.out.orders & ORDER_RELEASE) {
			assert_int_equal(s.now, began + 8000 * MS);
			assert_int_equal(s.out.orders, TAKES_POWER | ORDER_RELEASE);
			releases++;
		}
	}
	assert_int_equal(releases, 1);
	assert_int_equal(holds, 31); // every 0.25 s
}

static void without_an_order_that_takes_the_power_the_brake_is_held_on(void **state)
{
	struct scene s = begin();

	(void)state;
	drive(&s);
	step(&s, (struct warden_in){ .written = ORDER_OPEN }); // one that was written before the stop is none
	s.deaf = true;
	step(&s, (struct warden_in){ .gone = true });
	int64_t began = s.now;
	while (!(s.out.orders & ORDER_RELEASE)) {
		s.now = s.out.wake_ns;
		step(&s, (struct warden_in){ 0 });
	}
	assert_int_equal(s.now, began + 600000 * MS);
	char text[1024];
	warden_tell(&s.w, &s.config, text, sizeof text);
	assert_non_null(strstr(text, "NOT SAFE: press the emergency stop"));
	assert_non_null(strstr(text, "contactor could NOT be commanded open"));
}

/* An order that no line has counts as written. */
static void an_order_that_nobody_has_takes_no_power(void **state)
{
	(void)state;
	for (unsigned order = ORDER_DRIVE_OFF; order <= ORDER_OPEN; order <<= 1) {
		struct scene s = begin();

		if (order == ORDER_DRIVE_OFF)
			s.config.line[1].drive_off.n = 0;
		else
			s.config.line[0].open.n = 0;
		drive(&s);
		s.deaf = true;
		step(&s, (struct warden_in){ .gone = true });
		int64_t began = s.now;
		while (!(s.out.orders & ORDER_RELEASE)) {
			s.now = s.out.wake_ns;
			step(&s, (struct warden_in){ .written = order });
		}
		assert_int_equal(s.now, began + 600000 * MS);
	}
}

static void one_order_that_takes_the_power_is_enough(void **state)
{
	(void)state;
	for (unsigned order = ORDER_DRIVE_OFF; order <= ORDER_OPEN; order <<= 1) {
		struct scene s = begin();

		drive(&s);
		s.deaf = true;
		step(&s, (struct warden_in){ .gone = true });
		int64_t began = s.now;
		while (!(s.out.orders & ORDER_RELEASE)) {
			s.now = s.out.wake_ns;
			step(&s, (struct warden_in){ .written = order });
		}
		assert_int_equal(s.now, began + 8000 * MS);
	}
}

static void the_account_tells_what_was_done(void **state)
{
	struct scene s = begin();
	char text[1024];
	int tells = 0;

	(void)state;
	drive(&s);
	s.now += 100 * MS;
	step(&s, (struct warden_in){ 0 });
	s.w.host_gone = true;
	while (!s.out.end) {
		s.now = s.out.wake_ns;
		step(&s, (struct warden_in){ 0 });
		tells += s.out.tell;
	}
	assert_int_equal(tells, 2); // when the stop began, for a warden that is killed in it, and at its end
	warden_tell(&s.w, &s.config, text, sizeof text);
	assert_string_equal(
		text, "The warden stopped the rig: the program sent no proof of life for 0.100 s. Drive commanded off. "
		      "Contactor commanded open. Brake held. Brake released after 8 s, by time alone.");
}

static void an_opening_is_said_three_times(void **state)
{
	struct scene s = begin();
	int opens = 0;

	(void)state;
	drive(&s);
	step(&s, proof(&s, false, false));
	for (int i = 0; i < 300; i++) {
		opens += (s.out.orders & ORDER_OPEN) != 0;
		s.now += 10 * MS;
		step(&s, proof(&s, false, false));
	}
	assert_int_equal(opens, 3);
	step(&s, proof(&s, true, true)); // closed again on purpose: no late opening
	for (int i = 0; i < 100; i++) {
		s.now += 10 * MS;
		step(&s, proof(&s, true, true));
		assert_int_equal(s.out.orders, 0);
	}
}

static void amperes_are_written_as_a_supply_reads_them(void **state)
{
	static const struct {
		int32_t mA;
		const char *text;
	} rows[] = { { 0, "B 0.000\n" },
		     { 7, "B 0.007\n" },
		     { 350, "B 0.350\n" },
		     { 1250, "B 1.250\n" },
		     { 99999, "B 99.999\n" } };
	struct warden_config config = make();
	char buf[WARDEN_BYTES * 2 + 8];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		size_t n = warden_put(&config.line[1], ORDER_HOLD, rows[i].mA, buf);

		assert_int_equal(n, strlen(rows[i].text));
		assert_memory_equal(buf, rows[i].text, n);
	}
	assert_int_equal(warden_put(&config.line[0], ORDER_HOLD, 350, buf), 0);
}

// Whatever comes in whatever order: while a stop holds, the brake is never released early and nothing is closed; a live
// warden is never silent beyond its deadline.
static void properties_over_random_messages(void **state)
{
	unsigned seed = 20261126;

	(void)state;
	print_message("# seed %u\n", seed);
	srand(seed);
	for (int run = 0; run < 400; run++) {
		struct scene s = begin();
		int64_t began = 0, proved = 0;

		for (int i = 0; i < 2000 && !s.out.end; i++) {
			bool power = rand() % 2, was_live = s.w.phase == WARDEN_GUARDS;
			struct warden_in in = { 0 };

			s.now += rand() % (rand() % 50 ? 30 : 200) * MS;
			if (rand() % 4)
				in = proof(&s, rand() % 3, power);
			in.bye = rand() % 500 == 0;
			in.asked = rand() % 500 == 0;
			in.gone = rand() % 500 == 0;
			s.deaf = rand() % 3 == 0;
			step(&s, in);
			if (in.proof)
				proved = s.now;
			if (!began && s.w.phase == WARDEN_HOLDS)
				began = s.now;
			if (began) {
				assert_int_equal(s.out.orders & ORDER_CLOSE, 0);
				if (s.out.orders & ORDER_RELEASE)
					assert_true(s.now >= began + 8000 * MS);
			} else if (was_live && s.now - proved >= 100 * MS) {
				fail_msg("run %d, message %d: live and silent for %lld ms", run, i,
					 (long long)((s.now - proved) / MS));
			}
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(silence_is_a_stop_at_its_deadline_and_not_before),
		cmocka_unit_test(an_order_that_waits_is_told_when_it_is_known),
		cmocka_unit_test(an_end_of_file_a_signal_and_a_goodbye_under_power_are_stops_at_once),
		cmocka_unit_test(a_proof_that_is_not_newer_proves_nothing),
		cmocka_unit_test(power_alone_and_a_brake_alone_are_live),
		cmocka_unit_test(a_current_that_no_brake_has_is_bounded),
		cmocka_unit_test(at_rest_there_is_no_deadline_and_an_end_leaves_all_off),
		cmocka_unit_test(nothing_closes_again_after_a_stop),
		cmocka_unit_test(the_brake_is_held_then_released_by_the_stated_rule),
		cmocka_unit_test(without_an_order_that_takes_the_power_the_brake_is_held_on),
		cmocka_unit_test(an_order_that_nobody_has_takes_no_power),
		cmocka_unit_test(one_order_that_takes_the_power_is_enough),
		cmocka_unit_test(the_account_tells_what_was_done),
		cmocka_unit_test(an_opening_is_said_three_times),
		cmocka_unit_test(amperes_are_written_as_a_supply_reads_them),
		cmocka_unit_test(properties_over_random_messages),
	};

	return cmocka_run_group_tests_name("warden", tests, NULL, NULL);
}
