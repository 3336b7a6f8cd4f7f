/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes by hand: the virtual drive after CiA 402 is not taken at its own word. */
#include "bench/canopen_line.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

static const struct instrument_profile motor = {
	.kind = "canopen-drive",
	.baud = 1000000,
	.period_s = 0.02,
	.drive_sign = -1,
	.shaft = SHAFT_ROTOR,
	.node_id = 5,
	.encoder_counts = 4096,
	.rated_torque_Nm = 0.32,
	.rated_A = 6.5,
};

static struct drive_line l;
static struct drive_line_senses senses;
static int64_t t_us;

static const char *after(const char *text)
{
	static char buf[400];

	if (*text)
		drive_line_receive(&l, text, strlen(text), t_us);
	buf[drive_line_take(&l, &senses, t_us, buf, sizeof buf - 1)] = '\0';
	return buf;
}

static void pass(int ms)
{
	for (int i = 0; i < ms; i++) {
		t_us += 1000;
		drive_line_tick(&l, true, t_us);
	}
}

static void begin(void)
{
	senses = (struct drive_line_senses){ .powered = true };
	t_us = 0;
	canopen_line_init(&l, &motor, 36);
	(void)after("S6\rO\r");
	pass(1);
	assert_string_equal(after(""), "t705100\r"); /* it has come up */
}

/* 6041h by SDO. */
static void is_in(const char *status)
{
	char want[40] = "z\rt58584B416000";

	strcat(want, status);
	strcat(want, "0000\r");
	assert_string_equal(after("t60584041600000000000\r"), want);
}

static void it_answers_as_cia_301_says(void **state)
{
	static const struct {
		const char *question, *answer;
	} rows[] = {
		{ "t60584000100000000000\r", "z\rt5858430010009201"
					     "0200\r" },
		{ "t60584076600000000000\r", "z\rt585843766000"
					     "40010000\r" }, /* 320 mN.m */
		{ "t60584000200000000000\r", "z\rt585880002000"
					     "00000206\r" }, /* no such object */
		{ "t60582B41600000000000\r", "z\rt585880416000"
					     "02000106\r" }, /* only read */
		{ "t60582F40600006000000\r", "z\rt585880406000"
					     "10000706\r" }, /* another length */
		{ "t60582300160110004060\r", "z\rt585880001601"
					     "22000008\r" }, /* its map counts */
		{ "t60582300140105020080\r", "z\rt585860001401"
					     "00000000\r" }, /* off */
		{ "t60582F00160000000000\r", "z\rt585860001600"
					     "00000000\r" }, /* no entry */
		{ "t60582300160120007960\r", "z\rt585860001601"
					     "00000000\r" }, /* an object that it has not */
		{ "t60582F00160001000000\r", "z\rt585880001600"
					     "41000406\r" }, /* cannot be mapped */
	};

	(void)state;
	begin();
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		assert_string_equal(after(rows[i].question), rows[i].answer);
}

/* Controlword by RPDO 1 as it is delivered, in operational state. */
static void each_transition(void **state)
{
	(void)state;
	begin();
	(void)after("t20520600\r"); /* not operational: it takes none */
	is_in("5002");
	(void)after("t00020105\r");
	(void)after("t20520700\r"); /* not from switch on disabled */
	is_in("5002");
	(void)after("t20520600\r");
	is_in("3102");
	(void)after("t20520700\r");
	is_in("3302");
	(void)after("t20520F00\r");
	is_in("3702");
	assert_int_equal(l.orders.mode, BENCH_SPEED);
	(void)after("t20520700\r");
	is_in("3302");
	assert_int_equal(l.orders.mode, BENCH_OFF);
	(void)after("t20520000\r");
	is_in("5002");
}

static void enable(const char *mode)
{
	begin();
	(void)after("t00020105\r");
	(void)after(mode);
	(void)after("t20520600\rt20520700\rt20520F00\r");
	is_in("3702");
}

/* 40960 counts a second are 10 turns a second: 600 rpm of the rotor backwards by its sign, in tenths. -100 per mille of
 * 0.32 N.m, forwards by its sign, are 1.152 N.m at the output of a gear of 36; 180 rpm of the rotor. */
static void it_obeys_in_its_units(void **state)
{
	(void)state;
	enable("t60582F60600003000000\r");
	(void)after("t605823FF600000A00000\r");
	assert_int_equal(l.orders.mode, BENCH_SPEED);
	assert_true(fabs(l.orders.value + 6000) < 1e-6);
	enable("t60582F60600004000000\r");
	(void)after("t605823806000B4000000\r");
	(void)after("t60582B7160009CFF0000\r");
	assert_int_equal(l.orders.mode, BENCH_TORQUE);
	assert_true(fabs(l.orders.value - 1152) < 1e-6);
	assert_true(fabs(l.orders.limit - 1800) < 1e-6);
}

/* 1016h:1 = host 7Fh, 100 ms; 6007h = 2. The watching begins with the first heartbeat. */
static void it_goes_off_without_its_host(void **state)
{
	(void)state;
	enable("t60582F60600003000000\r");
	(void)after("t6058231610016400"
		    "7F00\r");
	(void)after("t60582B07600002000000\r");
	pass(300);
	is_in("3702");
	(void)after("t77F105\r");
	pass(99);
	is_in("3702");
	pass(1);
	is_in("5002");
	assert_int_equal(l.orders.mode, BENCH_OFF);
}

static void a_fault_stays_until_its_reset(void **state)
{
	(void)state;
	enable("t60582F60600003000000\r");
	senses.flags = BENCH_DRIVE_UNDERVOLTAGE;
	(void)after("");
	pass(1);
	is_in("1802");
	assert_string_equal(after("t6058403F600000000000\r"), "z\rt58584B3F600020320000\r");
	(void)after("t20520600\r");
	is_in("1802");
	(void)after("t20528000\r");
	pass(1);
	assert_true(l.orders.restart);
	is_in("5002");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(it_answers_as_cia_301_says),    cmocka_unit_test(each_transition),
		cmocka_unit_test(it_obeys_in_its_units),         cmocka_unit_test(it_goes_off_without_its_host),
		cmocka_unit_test(a_fault_stays_until_its_reset),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
