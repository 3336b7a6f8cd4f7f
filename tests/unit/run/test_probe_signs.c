/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/probe_signs.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

static const struct probe_stated stated = {
	.saturation_count = 8388607, .conversions_Hz = 80, .has_cell = true, .two_channels = true
};

/* A rig at rest that is wired well, as a watch of 5 s sees it: each row spoils one thing. */
static struct probe sound(void)
{
	struct probe w = { .started = true, .begin = { 1000000000 }, .pulses_min = -3, .pulses_max = 40, .edges = 43 };

	w.last.now.ns = w.begin.ns + 5000000000;
	for (int i = 0; i < PROBE_CHANNELS; i++)
		w.sum[i] = (struct probe_sum){ .n = 50, .mean = 20, .m2 = 1, .min = 19, .max = 21 };
	w.sum[PROBE_CELL] = (struct probe_sum){ .n = 400, .mean = 41000, .m2 = 1e6, .min = 40900, .max = 41100 };
	return w;
}

static struct probe_sum fixed(uint64_t n, double value)
{
	return (struct probe_sum){ .n = n, .mean = value, .min = value, .max = value };
}

static void expect(const struct probe *w, enum probe_channel channel, enum probe_say say, const char *words)
{
	struct probe_verdict v = probe_judge(w, channel, &stated);

	if (v.say != say || (*words ? !strstr(v.words, words) : v.words[0] != 0))
		fail_msg("expected %s \"%s\", found %s \"%s\"", probe_say_word(say), words, probe_say_word(v.say),
			 v.words);
}

static void a_sound_rig_has_no_fault(void **state)
{
	struct probe w = sound();

	(void)state;
	for (int i = 0; i < PROBE_CHANNELS; i++)
		expect(&w, (enum probe_channel)i, PROBE_GOOD, "");
	w.sum[PROBE_TORQUE].n = 0;
	expect(&w, PROBE_TORQUE, PROBE_NONE, "");
}

static void the_cell(void **state)
{
	struct probe w = sound();
	static const struct {
		struct probe_sum sum;
		enum probe_say say;
		const char *words;
	} rows[] = {
		{ { 400, 8388607, 0, 8388607, 8388607 }, PROBE_FAULT, "full scale" },
		{ { 400, -8388608, 0, -8388608, -8388608 }, PROBE_FAULT, "full scale" },
		{ { 400, 8305000, 9, 8304990, 8305010 }, PROBE_FAULT, "full scale" },
		{ { 400, 8304000, 9, 8303990, 8304010 }, PROBE_GOOD, "" },
		{ { 400, NAN, NAN, NAN, NAN }, PROBE_FAULT, "full scale" },
		{ { 0 }, PROBE_FAULT, "No conversion" },
		{ { 400, 7, 0, 7, 7 }, PROBE_FAULT, "400 conversions are all equal" },
		{ { 50, 7, 9, 6, 8 }, PROBE_FAULT, "10.0 conversions/s; the node states 80" },
		{ { 201, 7, 9, 6, 8 }, PROBE_GOOD, "" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		w.sum[PROBE_CELL] = rows[i].sum;
		expect(&w, PROBE_CELL, rows[i].say, rows[i].words);
	}
}

static void the_pickup(void **state)
{
	struct probe w = sound();

	(void)state;
	w.pulses_min = 3;
	w.pulses_max = 4;
	expect(&w, PROBE_SPEED, PROBE_FAULT, "43 edges, but the pulses go to and fro by one");
	w.pulses_max = 5;
	expect(&w, PROBE_SPEED, PROBE_GOOD, "");
	w.pulses_max = 4;
	w.edges = 7;
	expect(&w, PROBE_SPEED, PROBE_GOOD, "");
	w.pulses_max = 3;
	w.edges = 0;
	expect(&w, PROBE_SPEED, PROBE_LOOK, "No pulse came");
}

static void a_temperature(void **state)
{
	struct probe w = sound();
	struct probe_sum *sum = &w.sum[PROBE_TEMP_CASE];

	(void)state;
	*sum = fixed(50, 85);
	expect(&w, PROBE_TEMP_CASE, PROBE_FAULT, "85");
	*sum = fixed(50, -127);
	expect(&w, PROBE_TEMP_CASE, PROBE_FAULT, "-127.0 °C cannot be");
	*sum = (struct probe_sum){ .n = 50, .mean = 30, .m2 = 1, .min = 20, .max = 800 };
	expect(&w, PROBE_TEMP_CASE, PROBE_FAULT, "800.0 °C cannot be");
	*sum = fixed(50, 21.5); /* 5 s of one value are no fault of a sensor that tells tenths */
	expect(&w, PROBE_TEMP_CASE, PROBE_GOOD, "");
	w.last.now.ns = w.begin.ns + 60000000000;
	expect(&w, PROBE_TEMP_CASE, PROBE_LOOK, "60 s are equal");
}

/* By the watch itself: a dead channel lets the count go to and fro, a turning shaft does not. */
static void the_watch_counts_edges(void **state)
{
	(void)state;
	for (int turning = 0; turning < 2; turning++) {
		struct probe w = { .length_s = 10 };
		struct snapshot snap = snapshot_blank();
		struct seq_out out = { 0 };
		for (int i = 1; i <= 40; i++) {
			snap.now.ns = i * 10000000LL;
			snap.sample_total = (uint32_t)i;
			snap.speed_rpm = 1;
			snap.edge_time_s = 0.02 * (i / 2);
			snap.pulses = turning ? i / 2 : (i / 2) % 2;
			probe_step(&w, &snap, &out);
		}
		assert_int_equal(w.edges, 20);
		expect(&w, PROBE_SPEED, turning ? PROBE_GOOD : PROBE_FAULT, turning ? "" : "20 edges");
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_sound_rig_has_no_fault),
		cmocka_unit_test(the_cell),
		cmocka_unit_test(the_pickup),
		cmocka_unit_test(a_temperature),
		cmocka_unit_test(the_watch_counts_edges),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
