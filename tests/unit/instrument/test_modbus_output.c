/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A supply by hand at the other end of a line: three holding registers, two input registers, RTU, and what such a
 * device may do wrong. */
#include "channel/modbus_private.h"
#include "instrument/modbus_meter.h"
#include "instrument/modbus_output.h"
#include "tests/unit/instrument/far_end.h"

#include <math.h>

#define UNIT 3
#define OUTPUT 18

static struct mono now;

static struct supply {
	struct far_end end;
	struct instrument in;
	struct snapshot snap;
	struct err err;
	uint16_t volt, ampere, output, nowhere; /* registers 0 and 1 in 0.01 V and mA, 18 */
	uint8_t buf[64];
	size_t n;
	int refuses, forgets; /* a register that it aborts; that it acknowledges and does not keep; -1 none */
	uint16_t limited;     /* input register 2: its current limit acts */
	bool hangs_up, clock_fails;
	bool deaf_to_output,
		quiet_on_output; /* it does not hear what is written there; it does that and does not answer */
	int n_orders;            /* of the output */
	bool is_mute, echoes;    /* says nothing; its line gives back what it is sent, and the device is not there */
	int n_offs;              /* times that it was written off */
} d;

static uint16_t *reg(unsigned address)
{
	return address == 0 ? &d.volt : address == 1 ? &d.ampere : address == OUTPUT ? &d.output : &d.nowhere;
}

static void say(uint8_t *body, size_t n)
{
	const uint16_t crc = modbus_crc(body, n);

	body[n] = (uint8_t)crc;
	body[n + 1] = (uint8_t)(crc >> 8);
	assert_int_equal(send(d.end.fd, body, n + 2, 0), n + 2);
}

static void refuse(uint8_t code)
{
	uint8_t body[5] = { UNIT, d.buf[1] | 0x80, code };

	say(body, 3);
}

static void serve_write(unsigned address)
{
	uint8_t body[8];

	d.n_orders += address == OUTPUT;
	if (address == OUTPUT && d.deaf_to_output)
		return;
	if (address == OUTPUT && d.quiet_on_output) {
		d.output = (uint16_t)(d.buf[4] << 8 | d.buf[5]);
		return;
	}
	d.n_offs += address == OUTPUT && d.buf[4] == 0 && d.buf[5] == 0;
	if ((int)address == d.refuses || reg(address) == &d.nowhere) {
		refuse(3);
		return;
	}
	if ((int)address != d.forgets)
		*reg(address) = (uint16_t)(d.buf[4] << 8 | d.buf[5]);
	memcpy(body, d.buf, 6);
	say(body, 6);
}

static void serve_read(unsigned address, unsigned n)
{
	uint8_t body[32] = { UNIT, d.buf[1], (uint8_t)(2 * n) };

	for (unsigned i = 0; i < n; i++) { /* inputs: 47.98 V, 1.203 A */
		const uint16_t inputs[] = { 4798, 1203, d.limited };
		const uint16_t value = d.buf[1] == 3 ? *reg(address + i) : inputs[address + i];
		body[3 + 2 * i] = (uint8_t)(value >> 8);
		body[4 + 2 * i] = (uint8_t)value;
	}
	say(body, 3 + 2 * n);
}

static void run_device(void)
{
	ssize_t got = recv(d.end.fd, d.buf + d.n, sizeof d.buf - d.n, MSG_DONTWAIT);

	d.n += got > 0 ? (size_t)got : 0;
	if (d.n < 8)
		return;
	const unsigned address = (unsigned)(d.buf[2] << 8 | d.buf[3]);
	assert_int_equal(modbus_crc(d.buf, 8), 0);
	if (d.echoes)
		assert_int_equal(send(d.end.fd, d.buf, 8, 0), 8);
	else if (!d.is_mute && d.buf[1] == 6)
		serve_write(address);
	else if (!d.is_mute)
		serve_read(address, (unsigned)(d.buf[4] << 8 | d.buf[5]));
	d.n = 0;
}

static struct mono clock_now(void *ctx)
{
	(void)ctx;
	return now;
}

static enum rc sleep_until(void *ctx, struct mono until, struct err *err)
{
	(void)ctx;
	now = until;
	if (d.clock_fails)
		return err_set(err, RC_PROTOCOL, 0, "the bench cannot go on");
	if (d.hangs_up)
		shutdown(d.end.fd, SHUT_RDWR);
	else
		run_device();
	return RC_OK;
}

static const struct clock_src a_clock = { .now = clock_now, .sleep_until = sleep_until };

static void begin(void)
{
	d = (struct supply){ .snap = snapshot_blank(), .refuses = -1, .forgets = -1, .output = 1 };
	far_end_open("modbus-supply", &d.end);
	now.ns = 1000000000;
}

static enum rc open_supply(double set_V)
{
	const struct modbus_setup setup = {
		.baud = 9600,
		.word = { [MODBUS_VOLTAGE] = { true, MODBUS_INPUT, 0, MODBUS_U16, false, 0.01 },
			  [MODBUS_CURRENT] = { true, MODBUS_INPUT, 1, MODBUS_S16, false, 1e-3 },
			  [MODBUS_LIMITED] = { true, MODBUS_INPUT, 2, MODBUS_U16, false, 1 } },
		.set = { [MODBUS_SET_OUTPUT] = { true, MODBUS_HOLDING, OUTPUT, MODBUS_U16, false, 1 },
			 [MODBUS_SET_VOLTAGE] = { true, MODBUS_HOLDING, 0, MODBUS_U16, false, 0.01 },
			 [MODBUS_SET_CURRENT] = { true, MODBUS_HOLDING, 1, MODBUS_U16, false, 1e-3 } },
		.set_V = set_V,
		.set_A = 12,
	};
	const struct instrument_config config = { .name = "modbus psu",
						  .roles = ROLE_METER | ROLE_POWER,
						  .number = 2,
						  .period_s = 0.1,
						  .address = UNIT,
						  .modbus = &setup };

	return modbus_open(&config, d.end.link, &a_clock, &d.in, &d.err);
}

static void end(void)
{
	if (d.in.ops)
		d.in.ops->close(d.in.ctx);
	far_end_close(&d.end);
}

static void tick(double for_s, bool power)
{
	const struct wish wish = { .power = power };

	for (int i = 0; i < (int)(for_s / 0.01 + 0.5); i++) {
		now.ns += 10000000;
		d.in.ops->poll(d.in.ctx, &d.snap);
		d.in.ops->set(d.in.ctx, &wish);
		run_device();
	}
}

static void says(const char *what, const char *words)
{
	if (strstr(what, words) == NULL)
		fail_msg("\"%s\" does not say \"%s\"", what, words);
}

static void it_is_off_and_set_before_a_run(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_supply(48), RC_OK);
	assert_int_equal(d.output, 0);
	assert_int_equal(d.volt, 4800);
	assert_int_equal(d.ampere, 12000);
	end();
}

static void it_goes_on_and_off_and_is_read_all_the_time(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_supply(48), RC_OK);
	tick(0.3, false);
	assert_int_equal(d.output, 0);
	assert_true(fabs(d.snap.voltage_V - 47.98) < 1e-9 && fabs(d.snap.current_A - 1.203) < 1e-9);
	tick(0.05, true);
	assert_int_equal(d.output, 1);
	tick(1, true);
	assert_true(d.snap.channel[CHANNEL_VOLTAGE].age_s < 0.2 && d.snap.channel[CHANNEL_VOLTAGE].fresh >= 10);
	d.n_offs = 0;
	tick(0.02, false);
	assert_int_equal(d.output, 0);
	tick(0.5, false);
	assert_int_equal(d.n_offs, 1);
	assert_string_equal(d.in.error, "");
	end();
}

/* A question is open that nobody answers: off goes out all the same, within 60 ms, and again until it is seen. */
static void off_waits_for_nobody(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_supply(48), RC_OK);
	tick(0.5, true);
	assert_int_equal(d.output, 1);
	d.is_mute = true;
	tick(0.11, true); /* a question of the next round is open now */
	d.is_mute = false;
	tick(0.07, false);
	assert_int_equal(d.output, 0);
	end();
	begin();
	assert_int_equal(open_supply(48), RC_OK);
	tick(0.5, true);
	d.is_mute = true;
	tick(3, false);
	says(d.in.error, "write_output 0: it does not acknowledge that");
	assert_true(isinf(d.snap.channel[CHANNEL_VOLTAGE].age_s));
	assert_int_equal(d.output, 1);
	d.is_mute = false; /* the cable is in again */
	tick(0.6, false);
	assert_int_equal(d.output, 0);
	assert_true(isinf(d.snap.channel[CHANNEL_VOLTAGE].age_s));
	end();
}

static void what_is_not_as_set_is_refused(void **state)
{
	static const struct {
		int refuses, forgets;
		bool is_mute, echoes;
		double set_V;
		const char *words;
	} rows[] = {
		{ 0, -1, false, false, 48, "write_voltage 48 V: it does not take that value (exception 3)" },
		{ -1, 0, false, false, 48, "write_voltage 48 V: it reads back 0 V" },
		{ -1, 1, false, false, 48, "write_current 12 A: it reads back 0 A" },
		{ -1, OUTPUT, false, false, 48, "write_output 0: it reads back 1" },
		{ -1, -1, true, false, 48, "write_output 0: it does not acknowledge that" },
		{ -1, -1, false, true, 48, "write_output 0: it does not tell that register when it is read back" },
		{ -1, -1, false, false, 700, "write_voltage: its register holds 655.35 V where 700 V is to be set" },
		{ -1, -1, false, false, NAN, "write_voltage: its register holds" },
		{ -1, -1, false, false, 0, "write_voltage: its register holds 0 V where 0 V is to be set" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		begin();
		d.refuses = rows[i].refuses;
		d.forgets = rows[i].forgets;
		d.is_mute = rows[i].is_mute;
		d.echoes = rows[i].echoes;
		assert_int_equal(open_supply(rows[i].set_V), RC_ARG);
		says(d.err.what, rows[i].words);
		assert_true(now.ns < 4000000000);
		end();
	}
}

/* It acknowledges "on" and stays off: nothing that it measures is believed any more, and off is written. */
static void one_that_does_not_go_on_is_named(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_supply(48), RC_OK);
	d.forgets = OUTPUT;
	tick(1, true);
	says(d.in.error, "write_output 1: it reads back 0. Check");
	assert_true(isinf(d.snap.channel[CHANNEL_CURRENT].age_s));
	d.n_offs = 0;
	tick(0.3, false);
	assert_true(d.n_offs > 0);
	end();
}

static void its_limit_is_read_with_its_readings(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_supply(48), RC_OK);
	tick(0.3, true);
	assert_false(d.snap.supply_limited);
	d.limited = 1;
	tick(0.3, true);
	assert_true(d.snap.supply_limited);
	d.limited = 0;
	tick(0.3, true);
	assert_false(d.snap.supply_limited);
	end();
}

static void until_ordered(void)
{
	d.n_orders = 0;
	for (int i = 0; i < 50 && d.n_orders == 0; i++)
		tick(0.01, true);
	assert_int_equal(d.n_orders, 1);
}

/* On was ordered and is not answered: off does not wait the quarter of a second that an answer may take. */
static void off_does_not_wait_for_the_answer_to_on(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_supply(48), RC_OK);
	tick(0.3, false);
	d.quiet_on_output = true;
	until_ordered();
	assert_int_equal(d.output, 1);
	tick(0.08, false);
	assert_int_equal(d.output, 0);
	assert_string_equal(d.in.error, "");
	end();
}

/* On that is lost once is ordered again, after the line has rested. */
static void on_that_is_lost_is_ordered_again(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_supply(48), RC_OK);
	tick(0.3, false);
	d.deaf_to_output = true;
	until_ordered();
	d.deaf_to_output = false;
	tick(0.45, true);
	assert_int_equal(d.output, 0); /* a late answer to the first order would be taken for one to the second */
	tick(0.15, true);
	assert_int_equal(d.output, 1);
	assert_string_equal(d.in.error, "");
	end();
}

/* Off has no time for that rest: what a late answer may spoil is only another off. */
static void off_that_is_lost_is_ordered_again_at_once(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_supply(48), RC_OK);
	tick(0.5, true);
	assert_int_equal(d.output, 1);
	d.deaf_to_output = true;
	d.n_orders = 0;
	tick(0.6, false);
	assert_in_range(d.n_orders, 3, 4); /* one each 0.25 s */
	d.deaf_to_output = false;
	tick(0.3, false);
	assert_int_equal(d.output, 0);
	end();
}

static void its_line_ends(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_supply(48), RC_OK);
	tick(0.3, true);
	shutdown(d.end.fd, SHUT_RDWR);
	now.ns += 10000000;
	d.in.ops->poll(d.in.ctx, &d.snap);
	d.in.ops->set(d.in.ctx, &(struct wish){ 0 });
	d.in.ops->poll(d.in.ctx, &d.snap);
	assert_true(isnan(d.snap.voltage_V) && isinf(d.snap.channel[CHANNEL_VOLTAGE].age_s));
	end();
	for (int i = 0; i < 2; i++) { /* while it is set up */
		begin();
		d.hangs_up = i == 0;
		d.clock_fails = i == 1;
		assert_int_equal(open_supply(48), i == 0 ? RC_IO : RC_PROTOCOL);
		says(d.err.what, i == 0 ? "its line ended; check its cable" : "the bench cannot go on");
		assert_null(d.in.ops);
		end();
	}
}

/* The bytes that somebody else may send when this program is gone: function 6, register 18, 0. */
static void off_as_bytes(void **state)
{
	const struct modbus_register output = { true, MODBUS_HOLDING, OUTPUT, MODBUS_U16, false, 1 };
	const struct modbus_line line = { .unit = UNIT };
	static const uint8_t expected[] = { UNIT, 6, 0, OUTPUT, 0, 0 };
	uint8_t buf[MODBUS_FRAME];

	(void)state;
	assert_int_equal(modbus_output_put_off(&output, &line, 7, buf), 8);
	assert_memory_equal(buf, expected, sizeof expected);
	assert_int_equal(modbus_crc(buf, 8), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(it_is_off_and_set_before_a_run),
		cmocka_unit_test(it_goes_on_and_off_and_is_read_all_the_time),
		cmocka_unit_test(off_waits_for_nobody),
		cmocka_unit_test(what_is_not_as_set_is_refused),
		cmocka_unit_test(one_that_does_not_go_on_is_named),
		cmocka_unit_test(its_limit_is_read_with_its_readings),
		cmocka_unit_test(off_does_not_wait_for_the_answer_to_on),
		cmocka_unit_test(on_that_is_lost_is_ordered_again),
		cmocka_unit_test(off_that_is_lost_is_ordered_again_at_once),
		cmocka_unit_test(its_line_ends),
		cmocka_unit_test(off_as_bytes),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
