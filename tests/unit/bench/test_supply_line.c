/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/supply_line.h"

#include "bench/draw.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdio.h>
#include <string.h>

static char said[200];

static const char *take(struct supply_line *l, int64_t t_us)
{
	size_t n = supply_line_take(l, t_us, said, sizeof said - 1);

	said[n] = '\0';
	return said;
}

static void ask(struct supply_line *l, const char *text)
{
	supply_line_receive(l, text, strlen(text));
}

static struct meter quiet(void)
{
	const struct meter_truth truth = { .volt_gain = 1, .amp_gain = 1 };
	struct meter m;

	meter_init(&m, &truth, draw_new(1, "meter"));
	meter_add(&m, 48, 2);
	return m;
}

static void answers(void **state)
{
	struct meter m = quiet();
	struct supply_line l;

	(void)state;
	supply_line_init(&l, 9600);
	supply_line_add(&l, 0, &m);
	ask(&l, "MEAS:VOLT?;CURR?\r\n");
	assert_string_equal(take(&l, 1000000), ""); /* measured now; 16 bytes take 16.7 ms at 9600 baud */
	assert_string_equal(take(&l, 1010000), "");
	assert_string_equal(take(&l, 1020000), "48.0000;2.00000\n");
	assert_string_equal(take(&l, 1500000), "");
	ask(&l, "*IDN?\n");
	assert_non_null(strstr(take(&l, 1600000), "bench supply"));
	ask(&l, "FLY\n");
	assert_string_equal(take(&l, 1700000), "");
	ask(&l, "syst:err?\n");
	assert_string_equal(take(&l, 1800000), "-113,\"Undefined header\"\n");
	ask(&l, ":SYST:ERR?\n");
	assert_string_equal(take(&l, 1900000), "0,\"No error\"\n");
	gsl_rng_free(m.rng);
}

/* Set, read back, refused, and the latched status behind a measurement. */
static void orders(void **state)
{
	struct meter m = quiet();
	struct supply_line l;

	(void)state;
	supply_line_init(&l, 115200);
	supply_line_add(&l, 0, &m);
	supply_orders_init(&l.orders, 60, 15);
	ask(&l, ":OUTP OFF;:VOLT 48.5;:CURR 12;:SYST:ERR?\n");
	assert_string_equal(take(&l, 1000000), "0,\"No error\"\n");
	ask(&l, "VOLT?;:CURR?;:OUTP?\n");
	assert_string_equal(take(&l, 1100000), "48.5000;12.0000;0\n");
	ask(&l, "OUTP ON;VOLT 60.1\n");
	assert_true(l.orders.on);
	ask(&l, "SYST:ERR?\n");
	assert_string_equal(take(&l, 1200000), "-222,\"Data out of range\"\n");
	ask(&l, "VOLT?\n");
	assert_string_equal(take(&l, 1300000), "48.5000\n");
	supply_orders_look(&l.orders, true); /* for a moment */
	supply_orders_look(&l.orders, false);
	ask(&l, "MEAS:VOLT?;CURR?;:STAT:QUES:EVEN?\n");
	take(&l, 2000000);
	assert_string_equal(take(&l, 2100000), "48.0000;2.00000;1\n");
	ask(&l, "STAT:QUES:EVEN?\n");
	assert_string_equal(take(&l, 2200000), "0\n");
	supply_orders_look(&l.orders, true); /* and lasts: its beginning is latched, once */
	supply_orders_look(&l.orders, true);
	for (int i = 0; i < 2; i++) {
		ask(&l, "MEAS:VOLT?;CURR?;:STAT:QUES:EVEN?;:STAT:QUES:COND?\n");
		take(&l, 3000000 + i * 1000000);
		assert_string_equal(take(&l, 3100000 + i * 1000000),
				    i ? "48.0000;2.00000;0;1\n" : "48.0000;2.00000;1;1\n");
		supply_orders_look(&l.orders, true);
	}
	ask(&l, "VOLT 1\n:OUTP OFF\n");
	assert_false(l.orders.on);
	gsl_rng_free(m.rng);
}

/* No more than five readings a second, each the mean since the one before. */
static void five_a_second(void **state)
{
	struct meter m = quiet();
	struct supply_line l;
	int readings = 0;

	(void)state;
	supply_line_init(&l, 115200);
	supply_line_add(&l, 0, &m);
	for (int64_t t_us = 0; t_us < 2000000; t_us += 1000) {
		meter_add(&m, 40 + readings, 1);
		if (!l.open)
			ask(&l, "MEAS:VOLT?\n");
		readings += take(&l, t_us)[0] != '\0';
	}
	assert_in_range(readings, 9, 10);
	l.silent = true;
	ask(&l, "MEAS:VOLT?\n");
	assert_string_equal(take(&l, 9000000), "");
	gsl_rng_free(m.rng);
}

/* Each output by itself; one that is silent leaves the other alone, and so does one that is not there. */
static void two_outputs(void **state)
{
	struct meter a = quiet(), b = quiet();
	struct supply_line l;

	(void)state;
	supply_line_init(&l, 115200);
	supply_line_add(&l, 1, &a);
	supply_line_add(&l, 3, &b);
	meter_add(&b, 46, 4); /* the mean is 47 V, 3 A */
	ask(&l, "INST:NSEL 3;NSEL?;:MEAS:VOLT?;CURR?\n");
	assert_string_equal(take(&l, 1000000), "");
	ask(&l, "");
	assert_string_equal(take(&l, 1010000), "3;47.0000;3.00000\n");
	ask(&l, "inst:nsel 1;nsel?;:meas:volt?;curr?\n");
	assert_string_equal(take(&l, 1020000), ""); /* its own measurement: no wait for the other's 0.2 s */
	assert_string_equal(take(&l, 1030000), "1;48.0000;2.00000\n");
	ask(&l, "INST:NSEL 2\n");
	assert_string_equal(take(&l, 1100000), "");
	ask(&l, "INST:NSEL?;:SYST:ERR?\n");
	assert_string_equal(take(&l, 1200000), "1;-113,\"Undefined header\"\n");
	supply_line_silence(&l, 3);
	ask(&l, "INST:NSEL 3;:MEAS:VOLT?\n");
	assert_string_equal(take(&l, 8900000), "");
	assert_string_equal(take(&l, 9000000), "");
	ask(&l, "INST:NSEL 1;:MEAS:VOLT?\n");
	(void)take(&l, 9100000);
	assert_string_equal(take(&l, 9200000), "48.0000\n");
	supply_line_silence(&l, 0);
	ask(&l, "INST:NSEL 1;:MEAS:VOLT?\n");
	assert_string_equal(take(&l, 9800000), "");
	assert_string_equal(take(&l, 9900000), "");
	gsl_rng_free(a.rng);
	gsl_rng_free(b.rng);
}

int main(void)
{
	const struct CMUnitTest tests[] = { cmocka_unit_test(answers), cmocka_unit_test(orders),
					    cmocka_unit_test(five_a_second), cmocka_unit_test(two_outputs) };

	return cmocka_run_group_tests(tests, NULL, NULL);
}
