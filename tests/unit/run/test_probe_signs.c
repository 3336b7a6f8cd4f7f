/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/probe_signs.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
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

/* Conversions with noise of a fixed series (a linear congruential generator), at a rate, with a wave of the mains. */
static struct probe hum_watch(double rate_Hz, double mains_Hz, double amplitude, double s, unsigned seed)
{
	struct probe w = { .length_s = INFINITY };
	struct snapshot snap = snapshot_blank();
	struct seq_out out = { 0 };
	double at_s = 0;

	for (int i = 1; i <= (int)(100 * s); i++) {
		snap.now.ns = i * 10000000LL;
		snap.sample_total = (uint32_t)i;
		while (at_s < 0.01 * i) {
			double noise = 0;
			for (int k = 0; k < 12; k++)
				noise += (double)((seed = seed * 1664525u + 1013904223u) >> 8) / 16777216.0 - 0.5;
			snap.indication = 1000 + noise + amplitude * sin(2 * 3.14159265358979 * mains_Hz * at_s);
			snap.channel[CHANNEL_CELL].fresh++;
			at_s += 1 / rate_Hz;
		}
		probe_step(&w, &snap, &out);
	}
	return w;
}

/* Where the wave stands is by hand: 50 - 80 = -30, 60 - 80 = -20, 50 - 78.4 = -28.4, 60 - 3 * 23 = -9. */
static void hum_of_the_mains(void **state)
{
	static const struct {
		double rate_Hz, mains_Hz, s;
		const char *words;
	} rows[] = {
		{ 80, 50, 3, "at 30.0 Hz: 50 Hz" },   { 80, 60, 3, "at 20.0 Hz: 60 Hz" },
		{ 78.4, 50, 5, "at 28.4 Hz: 50 Hz" }, { 80, 50.05, 20, " Hz: 50 Hz of the mains" },
		{ 23, 60, 8, "at 9.0 Hz: 60 Hz" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct probe_stated as = { .saturation_count = 8388607, .has_cell = true };
		struct probe w = hum_watch(rows[i].rate_Hz, rows[i].mains_Hz, 1, rows[i].s, 7);
		struct probe_verdict v = probe_judge(&w, PROBE_CELL, &as);

		double found = 0;
		(void)sscanf(v.words, "A wave of %lf", &found);
		if (v.say != PROBE_LOOK || !strstr(v.words, rows[i].words) || !(fabs(found - 1) < 0.35))
			fail_msg("%zu: %s \"%s\"", i, probe_say_word(v.say), v.words);
	}
}

/* 400 watches of noise alone, of other lines, and at 10 conversions a second, where 50 and 60 Hz stand still. */
static void noise_is_no_hum(void **state)
{
	const struct probe_stated as = { .saturation_count = 8388607, .has_cell = true };

	(void)state;
	for (unsigned seed = 1; seed <= 400; seed++) {
		struct probe w = hum_watch(80, 50, 0, 3, seed);
		assert_int_equal(probe_judge(&w, PROBE_CELL, &as).say, PROBE_GOOD);
	}
	const double others[][2] = { { 80, 25 }, { 80, 5 }, { 80, 35 }, { 10, 50 }, { 10, 60 } };
	for (int i = 0; i < 5; i++) {
		struct probe w = hum_watch(others[i][0], others[i][1], 1, 15, 3);
		assert_int_equal(probe_judge(&w, PROBE_CELL, &as).say, PROBE_GOOD);
	}
}

/* Turned by hand at 20 rpm; the drive tells its rotor, the same way, the other, or sometimes so. */
static void a_reversed_sign(void **state)
{
	(void)state;
	for (int way = -1; way <= 1; way++) {
		struct probe w = { .length_s = 10 };
		struct snapshot snap = snapshot_blank();
		struct seq_out out = { 0 };

		for (int i = 1; i <= 100; i++) {
			snap.now.ns = i * 10000000LL;
			snap.sample_total = (uint32_t)i;
			snap.speed_rpm = 20;
			snap.pulses = i;
			snap.drive_rotor_rpm = way ? way * 720 : i < 50 ? 720 : -720;
			snap.channel[CHANNEL_DRIVE].fresh = (uint32_t)i / 10;
			probe_step(&w, &snap, &out);
		}
		expect(&w, PROBE_SPEED, way < 0 ? PROBE_FAULT : PROBE_GOOD, way < 0 ? "10 times that its rotor" : "");
	}
}

/* What is not there, or was watched too shortly, is not judged. */
static void too_little_says_nothing(void **state)
{
	const struct probe_stated no_cell = { .saturation_count = 8388607, .conversions_Hz = 80 };
	struct probe w = sound();

	(void)state;
	assert_int_equal(probe_judge(&w, PROBE_CELL, &no_cell).say, PROBE_NONE);
	w.last.now.ns = w.begin.ns + 200000000;
	w.sum[PROBE_CELL] = fixed(19, 7); /* 0.2 s: neither stuck nor slow yet */
	expect(&w, PROBE_CELL, PROBE_GOOD, "");
	w.sum[PROBE_SPEED].n = w.sum[PROBE_TEMP_CASE].n = 0;
	expect(&w, PROBE_SPEED, PROBE_NONE, "");
	expect(&w, PROBE_TEMP_CASE, PROBE_NONE, "");
	w.last.now.ns = w.begin.ns + 60000000000;
	w.sum[PROBE_TEMP_CASE] = fixed(29, 21.5);
	expect(&w, PROBE_TEMP_CASE, PROBE_GOOD, "");
	w.sum[PROBE_TEMP_CASE] = (struct probe_sum){ .n = 30, .mean = 21.5, .min = 21.4, .max = 21.6 };
	expect(&w, PROBE_TEMP_CASE, PROBE_GOOD, "");
}

/* One channel only counts: neither to and fro nor the other way can be told from it. */
static void a_single_channel_has_no_way(void **state)
{
	const struct probe_stated single = { .saturation_count = 8388607, .has_cell = true };
	struct probe w = sound();

	(void)state;
	w.pulses_min = 3;
	w.pulses_max = 4;
	w.other_way = 10;
	assert_int_equal(probe_judge(&w, PROBE_SPEED, &single).say, PROBE_GOOD);
	expect(&w, PROBE_SPEED, PROBE_FAULT, "to and fro");
}

static void each_verdict_has_a_word(void **state)
{
	(void)state;
	assert_string_equal(probe_say_word(PROBE_NONE), "none");
	assert_string_equal(probe_say_word(PROBE_GOOD), "good");
	assert_string_equal(probe_say_word(PROBE_LOOK), "look");
	assert_string_equal(probe_say_word(PROBE_FAULT), "fault");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_sound_rig_has_no_fault),
		cmocka_unit_test(the_cell),
		cmocka_unit_test(the_pickup),
		cmocka_unit_test(a_temperature),
		cmocka_unit_test(the_watch_counts_edges),
		cmocka_unit_test(hum_of_the_mains),
		cmocka_unit_test(noise_is_no_hum),
		cmocka_unit_test(a_reversed_sign),
		cmocka_unit_test(too_little_says_nothing),
		cmocka_unit_test(a_single_channel_has_no_way),
		cmocka_unit_test(each_verdict_has_a_word),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
