/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Series of readings that outgrow their room: expected values follow from what was put in, a mean and a standard
 * deviation over the root of the count. */
#include "reports/reduce/blocks.h"
#include "reports/reduce/window_private.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#define LONG 1000000 /* a multiple of 8, to which readings are merged: 2^17 entries hold no million */

static void a_short_series_is_kept_as_it_is(void **state)
{
	struct series s = { 0 };
	bool failed = false;

	(void)state;
	for (int i = 0; i < 5000; i++)
		series_push(&s, 0.1 * i, &failed);
	assert_false(failed);
	assert_int_equal(s.n, 5000);
	for (int i = 0; i < 5000; i++)
		assert_true(!(s.x[i] < 0.1 * i) && !(s.x[i] > 0.1 * i));
	free(s.x);
}

static void a_long_series_keeps_mean_and_error(void **state)
{
	const double mean = 3, sd = 2;
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct series s = { 0 };
	bool failed = false;
	double sum = 0;

	(void)state;
	gsl_rng_set(rng, 4021);
	printf("# seed 4021\n");
	for (int i = 0; i < LONG; i++) {
		double x = mean + gsl_ran_gaussian(rng, sd);
		sum += x;
		series_push(&s, x, &failed);
	}
	struct mean m = series_mean(&s);
	assert_false(failed);
	assert_true(s.n <= SERIES_MAX && s.room <= SERIES_MAX);
	assert_int_equal(m.n, LONG);
	assert_true(fabs(m.value - sum / LONG) < 1e-12);
	/* A variance from 125 000 entries scatters by 0.4 %, its root by half of that: five of these. */
	assert_true(fabs(m.u / (sd / sqrt(LONG)) - 1) < 0.01);
	/* An entry is a mean of eight readings. */
	assert_true(m.n_effective < 1.2 * LONG / 8);
	free(s.x);
	gsl_rng_free(rng);
}

static void moments_are_thinned_not_averaged(void **state)
{
	struct series s = { .thinned = true };
	bool failed = false;

	(void)state;
	for (int i = 0; i < LONG; i++)
		series_push(&s, i, &failed);
	assert_false(failed);
	assert_int_equal(s.n, LONG / 8);
	for (size_t i = 0; i < s.n; i++)
		assert_int_equal((size_t)s.x[i], 8 * i);
	free(s.x);
}

/* 60 rpm with 360 pulses a turn: 3.6 pulses in the 10 ms between two samples, the last edge 0 to 2.8 ms old. */
static struct sample turning(int i)
{
	double pulses = floor(3.6 * i);

	return (struct sample){
		.mono_ns = (int64_t)i * 10000000,
		.node_us = (uint64_t)i * 10000,
		.sample_no = (uint32_t)i,
		.cell_count = 1000,
		.cell_conversions = (uint32_t)i,
		.pulses = (int32_t)pulses,
		.edge_time_s = pulses / 360,
		.speed_rpm = 60,
		.voltage_V = 48,
		.current_A = 2 + 0.5 * (i % 2),
		.lines = 7,
	};
}

static void a_dwell_of_hours_fits_and_keeps_its_speed(void **state)
{
	struct window_rig limits = { .supply_V = 48, .supply_limit_A = 12, .cell_saturation_count = 8388607 };
	struct window w;

	(void)state;
	window_open(&w, &limits);
	for (int round = 0; round < 2; round++) { /* the second time in the room of the first */
		for (int i = 0; i < LONG; i++) {
			struct sample s = turning(i);
			window_inside(&w, &s);
		}
		struct mean speed = window_speed(&w, 360, LONG / 100.0, NULL);
		assert_false(w.out_of_memory);
		assert_true(fabs(speed.value - 60) < 1e-9 && speed.u < 1e-5);
		assert_true(w.edge_s.n == w.edge_pulse.n && w.edge_s.n <= SERIES_MAX);
		assert_true(fabs(series_mean(&w.amp).value - 2.25) < 1e-12);
		assert_true(fabs(series_mean(&w.power).value - 48 * 2.25) < 1e-9);
		assert_int_equal(w.amp.readings, LONG);
		window_reset(&w);
	}
	window_free(&w);
}

/* The supply's own word (bit 8 of lines) counts by itself: 2 A of 12 A and no sag would not say it. */
static void a_supply_that_says_so_is_at_its_limit(void **state)
{
	struct window_rig limits = { .supply_V = 48, .supply_limit_A = 12, .cell_saturation_count = 8388607 };

	(void)state;
	for (int says = 0; says < 2; says++) {
		struct window w;

		window_open(&w, &limits);
		for (int i = 0; i < 100; i++) {
			struct sample s = turning(i);
			s.lines = says ? 15 : 7;
			window_inside(&w, &s);
		}
		assert_int_equal(w.inside.supply_full, says ? 100 : 0);
		assert_int_equal(w.inside.strained, says ? 100 : 0);
		window_free(&w);
	}
}

/* A meter that tells five readings a second in a hundred rows a second, each with noise of its own: the standard error
 * of the mean is sd / sqrt(n) of the readings (textbook), not of the rows. Twenty rows of one reading would have made
 * it sqrt(20) times too small, and its neighbours, which are equal, far smaller still. */
static void a_slow_meter_in_fast_rows_counts_its_readings(void **state)
{
	struct window_rig limits = { .supply_V = 48, .supply_limit_A = 12, .cell_saturation_count = 8388607 };
	const uint32_t meter = 1u << CHANNEL_VOLTAGE | 1u << CHANNEL_CURRENT;
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	double ratio_sum = 0, off2 = 0;
	const int windows = 200, readings = 50;
	struct window w;

	(void)state;
	gsl_rng_set(rng, 11);
	window_open(&w, &limits);
	for (int round = 0; round < windows; round++) {
		double ampere = 0;
		for (int i = 0; i < 20 * readings; i++) {
			struct sample s = turning(i);
			if (i % 20 == 0)
				ampere = 2 + gsl_ran_gaussian(rng, 0.1);
			s.current_A = ampere;
			s.repeats = i % 20 == 0 ? 0 : meter;
			window_inside(&w, &s);
		}
		struct mean amp = series_mean(&w.amp);
		assert_int_equal(amp.n, readings);
		assert_int_equal(series_mean(&w.power).n, readings);
		ratio_sum += amp.u / (0.1 / sqrt(readings));
		off2 += pow((amp.value - 2) / amp.u, 2);
		window_reset(&w);
	}
	assert_true(fabs(ratio_sum / windows - 1) < 0.05);         /* 200 windows: the mean ratio is known to 1 % */
	assert_true(off2 / windows > 0.7 && off2 / windows < 1.3); /* chi-squared of 200: 1 +- 0.1 */
	window_free(&w);
	gsl_rng_free(rng);
}

/* Temperatures and the drive tell five times a second: the mean is that of the readings 1 to 5, whatever stood in the
 * rows before the first of them and however long each stood. A window too short for a reading has what stood. */
static void slow_channels_are_averaged_by_readings(void **state)
{
	struct window_rig limits = { .supply_V = 48, .supply_limit_A = 12, .cell_saturation_count = 8388607 };
	double told = 90, rotor_rpm, drive_A;
	struct window w;

	(void)state;
	window_open(&w, &limits);
	window_drive(&w, &rotor_rpm, &drive_A);
	assert_true(isnan(rotor_rpm) && isnan(drive_A) && isnan(window_temp(&w, TEMP_CASE)));
	for (int i = 0; i < 90; i++) {
		struct sample s = turning(i);
		bool fresh = i % 20 == 5;
		told = fresh ? 1 + i / 20 : told;
		s.temp_degC[TEMP_CASE] = s.drive_rotor_rpm = told;
		s.drive_A = -told;
		s.temp_degC[TEMP_BRAKE] = NAN;
		s.repeats = fresh ? 0 : 1u << CHANNEL_DRIVE | 1u << (CHANNEL_TEMP + (int)TEMP_CASE);
		window_inside(&w, &s);
		if (i != 3)
			continue;
		window_drive(&w, &rotor_rpm, &drive_A);
		assert_true(fabs(rotor_rpm - 90) < 1e-12 && fabs(window_temp(&w, TEMP_CASE) - 90) < 1e-12);
	}
	window_drive(&w, &rotor_rpm, &drive_A);
	assert_true(fabs(rotor_rpm - 3) < 1e-12 && fabs(drive_A + 3) < 1e-12);
	assert_true(fabs(window_temp(&w, TEMP_CASE) - 3) < 1e-12 && isnan(window_temp(&w, TEMP_BRAKE)));
	window_free(&w);
}

/* Its reading in a row that the node did not renew counts; in a file from before there were repeats it does not. */
static void a_meter_of_its_own_needs_no_fast_sample(void **state)
{
	struct window_rig limits = { .supply_V = 48, .supply_limit_A = 12, .cell_saturation_count = 8388607 };
	struct window w;

	(void)state;
	window_open(&w, &limits);
	for (int i = 0; i < 10; i++) {
		struct sample s = turning(i / 2); /* each fast sample stands in two rows */
		s.repeats = i % 2 ? 1u << CHANNEL_TURN : 0;
		window_inside(&w, &s);
		s.repeats = 0;
		window_inside(&w, &s);
	}
	assert_int_equal(series_mean(&w.amp).n, 10);
	window_free(&w);
}

/* 2000 samples, 20 s: a stretch is 100 of them. The cell counts up by 1 a sample, so stretch b has the mean 100 b
 * + 49.5 (the first sample only opens the window: half a count and a hundredth of a stretch are lost); 48 V times 2.25
 * A on average. */
static void stretches_keep_what_goes_together(void **state)
{
	struct window_rig limits = { .supply_V = 48, .supply_limit_A = 12, .cell_saturation_count = 8388607 };
	struct window w;

	(void)state;
	window_open(&w, &limits);
	for (int i = 0; i < 2000; i++) {
		struct sample s = turning(i);
		s.cell_count = i;
		window_inside(&w, &s);
	}
	struct blocks b = window_blocks(&w, 360);
	assert_int_equal(b.n, WINDOW_BLOCKS);
	assert_true(b.has_watt);
	for (size_t i = 0; i < b.n; i++) {
		assert_true(fabs(b.count[i] - (100.0 * (double)i + 50)) <= 1.5);
		assert_true(fabs(b.rpm[i] - 60) < 1e-9);
		assert_true(fabs(b.watt[i] - 108) < 1e-9);
	}
	window_reset(&w);
	for (int i = 0; i < 15; i++) {
		struct sample s = turning(i);
		window_inside(&w, &s);
	}
	assert_int_equal(window_blocks(&w, 360).n, 0);
	window_free(&w);
}

/* A wheel of 60 teeth that are off by 0.02 of a pitch (standard deviation), at 90 rpm with a speed that swings by 0.2 %
 * once a turn, looked at each 10 ms; edges are noticed up to 10 us late. The true mean speed over the window is known.
 * Over 200 wheels the errors have to agree with their u: the mean of (error/u)^2 has the standard error sqrt(2/200) =
 * 0.1 when u is right; u may be too large where the edges are finer than the clock, never too small. And teeth alone,
 * taken from the outer edges, would be off by 0.02 sqrt 2 / 185. */
static void unevenly_spaced_teeth_fall_out_over_whole_turns(void **state)
{
	const double pi = 3.14159265358979, rev_per_s = 1.5, swing = 0.002;
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	const int wheels = 200;
	double sum = 0, worst = 0;

	(void)state;
	gsl_rng_set(rng, 77);
	for (int wheel = 0; wheel < wheels; wheel++) {
		struct window_rig limits = { .supply_V = 48, .supply_limit_A = 12, .cell_saturation_count = 8388607 };
		double tooth[60], start = gsl_rng_uniform(rng), edge_s = NAN, begin_rev = NAN, end_rev = NAN;
		struct window w;
		int pulses = 0;

		for (int i = 0; i < 60; i++)
			tooth[i] = gsl_ran_gaussian(rng, 0.02);
		window_open(&w, &limits);
		for (int i = 0, k = -1; i <= 206; i++) { /* a little more than three turns */
			double t = i * 0.01,
			       rev = start + rev_per_s * t + swing / (2 * pi) * sin(2 * pi * rev_per_s * t);

			while (rev * 60 >= k + 1 + tooth[((k + 1) % 60 + 60) % 60]) {
				double at = (k + 1 + tooth[((k + 1) % 60 + 60) % 60]) / 60 - start;
				double when = at / rev_per_s; /* then Newton for the swing */

				for (int n = 0; n < 5; n++)
					when -= (rev_per_s * when + swing / (2 * pi) * sin(2 * pi * rev_per_s * when) -
						 at) /
						(rev_per_s * (1 + swing * cos(2 * pi * rev_per_s * when)));
				k++;
				if (when > 0)
					pulses++;
				edge_s = floor((when + 10e-6 * gsl_rng_uniform(rng)) * 1e6) * 1e-6;
			}
			struct sample s = { .mono_ns = (int64_t)i * 10000000,
					    .node_us = (uint64_t)i * 10000,
					    .sample_no = (uint32_t)i,
					    .cell_conversions = (uint32_t)i,
					    .pulses = pulses,
					    .edge_time_s = pulses > 0 ? edge_s : NAN,
					    .speed_rpm = 90,
					    .voltage_V = 48,
					    .current_A = 2,
					    .lines = 7 };
			begin_rev = i == 0 ? rev : begin_rev;
			end_rev = rev;
			if (i > 0)
				window_inside(&w, &s);
		}
		struct mean speed = window_speed(&w, 60, 2.06, NULL);
		double error = (speed.value - (end_rev - begin_rev) / 2.06 * 60) / speed.u;
		sum += error * error;
		worst = fmax(worst, speed.u / 90);
		window_free(&w);
	}
	print_message("# mean square of error/u %.2f, largest relative u %.2g\n", sum / wheels, worst);
	assert_true(sum / wheels < 1.45);
	assert_true(worst < 2e-4); /* less than the teeth alone would leave: 2.4e-4 from edge to edge */
	gsl_rng_free(rng);
}

/* A steady value anywhere between two steps, with noise of so many steps: the stated u is what the means are off by. */
static void a_coarse_step_is_part_of_a_mean(void **state)
{
	static const double sd[] = { 0, 0.1, 0.3, 0.45, 0.6, 2 };
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	for (size_t k = 0; k < sizeof sd / sizeof sd[0]; k++) {
		double off2 = 0, u2 = 0;

		for (int rig = 0; rig < 3000; rig++) {
			double value = 100 + gsl_rng_uniform(rng), x[64];
			for (int i = 0; i < 64; i++)
				x[i] = round(value + gsl_ran_gaussian(rng, sd[k]));
			struct mean m = mean_with_step(mean_of(x, 64));
			off2 += (m.value - value) * (m.value - value);
			u2 += m.u * m.u;
		}
		if (!(sqrt(off2) < 1.1 * sqrt(u2)))
			fail_msg("sd %g: off by %g, stated %g", sd[k], sqrt(off2 / 3000), sqrt(u2 / 3000));
	}
	gsl_rng_free(rng);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_short_series_is_kept_as_it_is),
		cmocka_unit_test(a_long_series_keeps_mean_and_error),
		cmocka_unit_test(moments_are_thinned_not_averaged),
		cmocka_unit_test(stretches_keep_what_goes_together),
		cmocka_unit_test(a_slow_meter_in_fast_rows_counts_its_readings),
		cmocka_unit_test(a_supply_that_says_so_is_at_its_limit),
		cmocka_unit_test(slow_channels_are_averaged_by_readings),
		cmocka_unit_test(a_meter_of_its_own_needs_no_fast_sample),
		cmocka_unit_test(unevenly_spaced_teeth_fall_out_over_whole_turns),
		cmocka_unit_test(a_coarse_step_is_part_of_a_mean),
		cmocka_unit_test(a_dwell_of_hours_fits_and_keeps_its_speed),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
