/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The live line at 60, 80 and 120 columns, and the time left. Expected lines by hand from the words of the page
 * (docs/how-to-sweep.md). */
#include "terminal/live_line.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#define DOT "\u00b7"

static struct live_line blank(void)
{
	return (struct live_line){ .title = "sweep",
				   .phase = "",
				   .phase_s = NAN,
				   .commanded_Nm = NAN,
				   .commanded_A = NAN,
				   .torque_Nm = NAN,
				   .speed_rpm = NAN,
				   .brake_A = NAN,
				   .voltage_V = NAN,
				   .current_A = NAN,
				   .count = NAN,
				   .left_low_s = NAN,
				   .left_high_s = NAN,
				   .frac = NAN,
				   .stop = "q stops" };
}

static int columns_of(const char *text)
{
	int n = 0;

	for (; *text; text++)
		n += ((unsigned char)*text & 0xC0) != 0x80;
	return n;
}

static void expect(const struct live_line *l, int columns, const char *expected)
{
	char text[400];

	live_line_text(l, columns, text, sizeof text);
	if (strcmp(text, expected) != 0)
		fail_msg("at %d columns\n  found    %s\n  expected %s", columns, text, expected);
	assert_true(columns_of(text) <= columns);
}

static void the_table(void **state)
{
	struct live_line sweep = blank(), hang = blank(), map = blank(), ready = blank(), probe = blank();

	(void)state;
	sweep.step = 8;
	sweep.steps = 9;
	sweep.direction = 1;
	sweep.phase = "average";
	sweep.phase_s = 3.9;
	sweep.commanded_Nm = 35;
	sweep.torque_Nm = 34.984;
	sweep.speed_rpm = 81.74;
	sweep.left_low_s = sweep.left_high_s = 250;
	sweep.frac = 0.75;
	expect(&sweep, 120,
	       "sweep  step 8 of 9 rising  commanded 35.00, measured 34.98 N" DOT
	       "m  81.7 rpm  averaging 3 s  4:10 left  q stops  [======...]");
	expect(&sweep, 79, "step 8 of 9 up  34.98 of 35.00 N" DOT "m  81.7 rpm  averaging 3 s  4:10 left  q stops");
	expect(&sweep, 60, "step 8/9 up  35.0/35 N" DOT "m  82 rpm  avg 3 s  4:10  q stops");
	sweep.direction = -1;
	sweep.phase = "settle";
	sweep.left_low_s = 170;
	sweep.left_high_s = 290;
	expect(&sweep, 120,
	       "sweep  step 8 of 9 falling  commanded 35.00, measured 34.98 N" DOT
	       "m  81.7 rpm  settling 3 s  2 to 5 min left  q stops");
	expect(&sweep, 79, "step 8 of 9 down 34.98 of 35.00 N" DOT "m 81.7 rpm settling 3 s 2-5 min left q stops");
	expect(&sweep, 60, "step 8/9 down 35.0/35 N" DOT "m 82 rpm settle 3 s 2-5min q stops");

	hang.title = "hang";
	hang.step = 3;
	hang.steps = 10;
	hang.direction = 1;
	hang.phase = "settle";
	hang.phase_s = 0;
	hang.commanded_Nm = 12.26;
	hang.hung = true;
	hang.count = -65234;
	expect(&hang, 79, "hang  step 3 of 10 rising  hung 12.26 N" DOT "m  settling 0 s  q stops");
	hang.torque_Nm = 12.244;
	expect(&hang, 79, "step 3 of 10 rising  hung 12.26, measured 12.24 N" DOT "m  settling 0 s  q stops");

	map.title = "map";
	map.step = 2;
	map.direction = -1;
	map.commanded_A = 0.45;
	map.torque_Nm = 18.2;
	map.speed_rpm = 30;
	map.phase = "lag";
	expect(&map, 79, "step 2 falling commanded 0.450 A, measured 18.20 N" DOT "m 30.0 rpm coil lag q stops");
	map.steps = 22;
	map.left_low_s = 130;
	map.left_high_s = 280;
	map.phase = "settle";
	map.phase_s = 1;
	expect(&map, 59, "step 2/22 down 0.45 A:18.2 N" DOT "m 30 rpm settle 2-5min q stops");
	map.steps = 0;
	map.left_low_s = map.phase_s = NAN;
	map.phase = "lag";
	expect(&map, 60, "step 2 down  0.450 A: 18.20 N" DOT "m  30.0 rpm  coil lag  q stops");

	ready.title = "ready";
	ready.phase = "zero";
	ready.speed_rpm = -0.04;
	ready.count = 12;
	expect(&ready, 79, "ready  12 counts  0.0 rpm  zero  q stops");

	probe.title = "probe";
	probe.phase = "watch";
	probe.stop = "";
	probe.brake_A = -0.0001;
	probe.voltage_V = 48.02;
	probe.current_A = 0.41;
	expect(&probe, 79, "probe  brake 0.000 A  48.0 V 0.41 A  watching");
	probe.power_age_s = 0.3; /* as a supply that tells five times a second may have it */
	expect(&probe, 79, "probe  brake 0.000 A  48.0 V 0.41 A  watching");
	probe.power_age_s = 1.24;
	expect(&probe, 79, "probe  brake 0.000 A  48.0 V 0.41 A 1.2 s old  watching");
	probe.phase = "";
	probe.brake_A = NAN;
	probe.voltage_V = NAN;
	expect(&probe, 79, "probe");
}

/* Whatever is known and whatever is not, at every width: never wider, never "nan", no word cut. */
static void any_values_at_any_width(void **state)
{
	static const double values[] = { NAN, INFINITY, 0, -0.001, -123.456, 5e20 };
	static const char *const phases[] = { "", "settle", "average", "a word of its own", NULL };

	(void)state;
	for (int i = 0; i < 6 * 6 * 5 * 3; i++) {
		struct live_line l = blank();
		double a = values[i % 6], b = values[i / 6 % 6];

		l.phase = phases[i / 36 % 5];
		l.step = (i / 180) * 60;
		l.steps = l.step * (i % 2);
		l.torque_Nm = l.current_A = l.phase_s = a;
		l.commanded_Nm = l.speed_rpm = l.voltage_V = b;
		l.commanded_A = l.brake_A = l.left_low_s = a;
		l.left_high_s = l.frac = b;
		for (int columns = 1; columns <= 130; columns++) {
			char text[400];

			live_line_text(&l, columns, text, sizeof text);
			if (columns_of(text) > columns || strstr(text, "nan") || strstr(text, "inf"))
				fail_msg("case %d at %d columns: %s", i, columns, text);
			size_t n = strlen(text);
			if (n > 0 && (text[n - 1] == ' ' || text[0] == ' '))
				fail_msg("case %d at %d columns: \"%s\"", i, columns, text);
		}
	}
}

static void time_left_in_words(void **state)
{
	static const struct {
		double low_s, high_s;
		const char *text;
	} rows[] = {
		{ 250, 250, "4:10 left" },
		{ 3850, 3850, "1:04:10 left" },
		{ 0, 0, "0:00 left" },
		{ 42, 75, "40 to 80 s left" },
		{ 170, 290, "2 to 5 min left" },
		{ 5000, 9000, "1 to 3 h left" },
		{ NAN, 5, "" },
		{ 5, NAN, "" },
		{ -1, 5, "" },
		{ 9, 3, "" },
		{ 595, 605, "10:00 left" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct live_line l = blank();
		char text[400];

		l.left_low_s = rows[i].low_s;
		l.left_high_s = rows[i].high_s;
		live_line_text(&l, 200, text, sizeof text);
		assert_non_null(strstr(text, rows[i].text));
		assert_int_equal(strstr(text, "left") != NULL, *rows[i].text != '\0');
	}
}

/* Estimates that jump and vanish: what is shown goes down by the clock and drifts. */
static void time_left_neither_vanishes_nor_jumps(void **state)
{
	struct live_left left = { 0 };
	double before_s;

	(void)state;
	live_left_step(&left, NAN, 0.5, 1);
	assert_false(left.known);
	live_left_step(&left, 100, 0.5, 1);
	assert_true(left.known && fabs(left.s - 100) < 1e-9);
	for (int i = 0; i < 50; i++) {
		before_s = left.s;
		live_left_step(&left, i < 25 ? NAN : 400, 0.2, 0.2);
		assert_true(left.known && left.s >= 0);
		assert_true(left.s - before_s < 5 && left.s - before_s > -0.5);
	}
	for (int i = 0; i < 2000; i++) /* by the clock, with an estimate that agrees */
		live_left_step(&left, fmax(0, 300 - 0.2 * i), 0, 0.2);
	assert_true(left.s < 0.5 && left.spread < 0.01);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_table),
		cmocka_unit_test(any_values_at_any_width),
		cmocka_unit_test(time_left_in_words),
		cmocka_unit_test(time_left_neither_vanishes_nor_jumps),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
