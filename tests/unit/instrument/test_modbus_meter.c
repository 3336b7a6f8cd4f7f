/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The device's side by hand: questions are read and answered with registers, in ticks of 10 ms. */
#include "instrument/modbus_meter.h"

#include <math.h>

#include "tests/unit/instrument/line_scene.h"

#define UNIT 3

struct heard {
	bool any;
	uint16_t transaction, address;
	uint8_t unit, function;
	unsigned n;
};

static bool by_tcp;

/* Voltage and current in one question, the temperature in another one. */
static struct instrument open_meter(struct turns *turns)
{
	const struct modbus_setup setup = {
		.tcp = by_tcp,
		.baud = 19200,
		.word = { [MODBUS_CURRENT] = { true, MODBUS_HOLDING, 2, MODBUS_S32, false, 1e-4 },
			  [MODBUS_VOLTAGE] = { true, MODBUS_HOLDING, 0, MODBUS_U32, false, 1e-4 },
			  [(int)MODBUS_TEMP + TEMP_CASE] = { true, MODBUS_INPUT, 17, MODBUS_S16, false, 0.1 } }
	};
	const struct instrument_config config = { .name = "panel",
						  .roles = ROLE_METER | ROLE_TEMP,
						  .number = 4,
						  .period_s = 0.1,
						  .address = UNIT,
						  .turns = turns,
						  .modbus = &setup };
	struct instrument ret;

	assert_int_equal(modbus_open(&config, d.end.link, &a_clock, &ret, NULL), RC_OK);
	assert_int_equal(ret.ops->begin(ret.ctx, NULL), RC_OK);
	return ret;
}

static void begin(bool tcp)
{
	by_tcp = tcp;
	device_begin("modbus", NULL);
	d.in = open_meter(NULL);
}

static struct heard hear(void)
{
	struct heard h = { 0 };
	uint8_t bytes[64];
	ssize_t n = recv(d.end.fd, bytes, sizeof bytes, MSG_DONTWAIT);

	if (n <= 0)
		return h;
	assert_int_equal(
		modbus_read_question(by_tcp, bytes, (size_t)n, &h.transaction, &h.unit, &h.function, &h.address, &h.n),
		n);
	h.any = true;
	assert_int_equal(h.unit, UNIT);
	return h;
}

static void answer(const struct heard *h, const uint8_t *data, uint8_t code)
{
	const struct modbus_line line = { .tcp = by_tcp, .unit = UNIT };
	uint8_t frame[MODBUS_FRAME];
	size_t n = modbus_put_answer(&line, h->transaction, h->function, data, h->n, code, frame);

	assert_int_equal(send(d.end.fd, frame, n, 0), n);
}

/* Ticks until a question comes. */
static struct heard wait_for_question(int ticks)
{
	for (int i = 0; i < ticks; i++) {
		look(0.01);
		struct heard h = hear();
		if (h.any)
			return h;
	}
	return (struct heard){ 0 };
}

/* 12 V (120000 of 0.1 mV), -0.5 mA, and the temperature. */
static void answer_round(uint8_t temp_high, uint8_t temp_low)
{
	static const uint8_t supply[] = { 0x00, 0x01, 0xd4, 0xc0, 0xff, 0xff, 0xff, 0xfb };
	const uint8_t temp[] = { temp_high, temp_low };
	struct heard h = wait_for_question(12);

	assert_true(h.any && h.function == MODBUS_HOLDING && h.address == 0 && h.n == 4);
	answer(&h, supply, 0);
	h = wait_for_question(3);
	assert_true(h.any && h.function == MODBUS_INPUT && h.address == 17 && h.n == 1);
	assert_true(d.snap.channel[CHANNEL_VOLTAGE].fresh == d.snap.channel[CHANNEL_TEMP + (int)TEMP_CASE].fresh);
	answer(&h, temp, 0);
	look(0.01);
}

static void assert_near(double found, double expected)
{
	if (!(fabs(found - expected) < 1e-9))
		fail_msg("found %.12g, expected %.12g", found, expected);
}

static void a_round_comes_as_a_whole(void **state)
{
	const struct channel *volts = &d.snap.channel[CHANNEL_VOLTAGE],
			     *temp = &d.snap.channel[CHANNEL_TEMP + (int)TEMP_CASE];

	(void)state;
	for (int tcp = 0; tcp < 2; tcp++) {
		begin(tcp == 1);
		look(0.005);
		assert_true(isnan(d.snap.voltage_V) && volts->quality == QUALITY_MISSING && isinf(volts->age_s));
		answer_round(0xff, 0xf6);
		assert_near(d.snap.voltage_V, 12);
		assert_near(d.snap.current_A, -0.0005);
		assert_near(d.snap.temp_degC[TEMP_CASE], -1);
		assert_true(isnan(d.snap.temp_degC[TEMP_BRAKE]) && isnan(d.snap.ripple_W));
		assert_true(volts->fresh == 1 && temp->fresh == 1 && volts->quality == QUALITY_GOOD &&
			    volts->instrument == 4 && volts->age_s < 0.001);
		end();
	}
}

/* Once a period: 0.1 s from the beginning of a round to that of the next one. */
static void it_is_asked_once_a_period(void **state)
{
	int64_t began;

	(void)state;
	begin(false);
	answer_round(0, 10);
	began = now.ns;
	struct heard h = wait_for_question(20);
	assert_true(h.any && h.address == 0);
	assert_true(now.ns - began >= 50000000 && now.ns - began <= 100000000); /* the round took up to 50 ms of it */
	end();
}

static void an_exception_is_told(void **state)
{
	(void)state;
	begin(false);
	struct heard h = wait_for_question(3);
	answer(&h, NULL, 2);
	look(0.01);
	assert_string_equal(d.in.error, "asked for holding register 0, it has no such register (exception 2)");
	assert_int_equal(d.snap.channel[CHANNEL_VOLTAGE].fresh, 0);
	answer_round(0, 10); /* the round begins anew, and is told no more */
	assert_string_equal(d.in.error, "");
	assert_int_equal(d.snap.channel[CHANNEL_VOLTAGE].fresh, 1);
	h = wait_for_question(12);
	answer(&h, (const uint8_t[8]){ 0 }, 0);
	h = wait_for_question(3);
	answer(&h, NULL, 4);
	look(0.01);
	assert_string_equal(d.in.error, "asked for input register 17, it failed (exception 4)");
	assert_near(d.snap.voltage_V, 12); /* half a round is none */
	end();
}

/* Given up after 0.25 s; then the line rests for as long, and a late answer is nobody's. */
static void a_late_answer_is_nobody_s(void **state)
{
	static const uint8_t zeros[8] = { 0 };

	(void)state;
	begin(false);
	struct heard h = wait_for_question(3);
	look(0.24);
	assert_false(hear().any);
	look(0.03);
	answer(&h, zeros, 0);
	look(0.2);
	assert_false(hear().any);
	assert_int_equal(d.snap.channel[CHANNEL_VOLTAGE].fresh, 0);
	assert_string_equal(d.in.error, ""); /* silence has no words of its own */
	answer_round(0, 10);
	assert_near(d.snap.voltage_V, 12);
	end();
}

static void rubbish_is_told_as_no_answer(void **state)
{
	(void)state;
	begin(false);
	assert_true(wait_for_question(3).any);
	say("hello");
	look(0.27);
	assert_string_equal(d.in.error, "5 bytes came from it, and no answer to its question");
	end();
}

/* More than two frames of noise before the answer: the end of it is kept. */
static void an_answer_behind_noise_is_found(void **state)
{
	static const uint8_t supply[8] = { 0, 0, 0, 10, 0, 0, 0, 0 };
	char noise[700];

	(void)state;
	begin(false);
	struct heard h = wait_for_question(3);
	memset(noise, 0x55, sizeof noise);
	assert_int_equal(send(d.end.fd, noise, sizeof noise, 0), sizeof noise);
	answer(&h, supply, 0);
	h = wait_for_question(3);
	assert_true(h.any && h.address == 17);
	end();
}

/* A flood: a tick reads a part of it, and some ticks later the answer behind it is found. */
static void a_tick_does_not_read_for_ever(void **state)
{
	static const uint8_t supply[8] = { 0 };
	static char noise[20000];
	struct heard found = { 0 };
	int ticks = 0;

	(void)state;
	begin(false);
	struct heard h = wait_for_question(3);
	memset(noise, 0x55, sizeof noise);
	assert_int_equal(send(d.end.fd, noise, sizeof noise, 0), sizeof noise);
	answer(&h, supply, 0);
	for (; ticks < 20 && !found.any; ticks++) {
		look(0.01);
		found = hear();
	}
	assert_true(found.any && found.address == 17);
	assert_in_range(ticks, 4, 15);
	end();
}

/* Its registers in any order in rig.ini: neighbours are asked for together, by their place in the table. A word that
 * it does not tell has no value. */
static void neighbours_are_asked_for_together(void **state)
{
	static const struct modbus_setup setups[] = {
		{ .baud = 19200,
		  .word = { [MODBUS_VOLTAGE] = { true, MODBUS_HOLDING, 5, MODBUS_U16, false, 0.1 },
			    [MODBUS_CURRENT] = { true, MODBUS_HOLDING, 4, MODBUS_U16, false, 0.01 },
			    [(int)MODBUS_TEMP + TEMP_BRAKE] = { true, MODBUS_HOLDING, 3, MODBUS_S16, false, 0.1 } } },
		{ .baud = 19200, .word = { [MODBUS_VOLTAGE] = { true, MODBUS_HOLDING, 3, MODBUS_U16, false, 0.01 } } },
	};
	static const uint8_t told[] = { 0x00, 0xc8, 0x00, 0x7b, 0x01, 0xe0 }; /* 200, 123, 480 */

	(void)state;
	by_tcp = false;
	for (int i = 0; i < 2; i++) {
		const struct instrument_config config = { .name = "panel",
							  .roles = ROLE_METER | ROLE_TEMP,
							  .period_s = 0.1,
							  .address = UNIT,
							  .modbus = &setups[i] };
		device_begin("modbus", NULL);
		assert_int_equal(modbus_open(&config, d.end.link, &a_clock, &d.in, NULL), RC_OK);
		struct heard h = wait_for_question(12);
		assert_true(h.any && h.address == 3);
		assert_int_equal(h.n, i == 0 ? 3 : 1);
		answer(&h, told, 0);
		look(0.01);
		assert_near(d.snap.voltage_V, i == 0 ? 48 : 2);
		if (i == 0) {
			assert_near(d.snap.current_A, 1.23);
			assert_near(d.snap.temp_degC[TEMP_BRAKE], 20);
		}
		assert_int_equal(isnan(d.snap.current_A), i == 1);
		assert_int_equal(d.snap.channel[CHANNEL_CURRENT].quality, i == 0 ? QUALITY_GOOD : QUALITY_MISSING);
		end();
	}
}

/* A logger beside a supply: voltage and current are another's, and stay as they are. */
static void one_of_temperatures_alone(void **state)
{
	static const struct modbus_setup setup = {
		.baud = 19200,
		.word = { [(int)MODBUS_TEMP + TEMP_BRAKE] = { true, MODBUS_INPUT, 3, MODBUS_S16, false, 0.1 } }
	};
	static const uint8_t told[] = { 0x00, 0xc8 };
	const struct instrument_config config = {
		.name = "logger", .roles = ROLE_TEMP, .period_s = 0.1, .address = UNIT, .modbus = &setup
	};

	(void)state;
	by_tcp = false;
	device_begin("modbus", NULL);
	assert_int_equal(modbus_open(&config, d.end.link, &a_clock, &d.in, NULL), RC_OK);
	d.snap.voltage_V = 48;
	d.snap.current_A = 3;
	d.snap.ripple_W = 2;
	struct heard h = wait_for_question(12);
	answer(&h, told, 0);
	look(0.01);
	assert_near(d.snap.temp_degC[TEMP_BRAKE], 20);
	assert_near(d.snap.voltage_V, 48);
	assert_near(d.snap.current_A, 3);
	assert_near(d.snap.ripple_W, 2);
	assert_false(is_told(&d.snap, CHANNEL_VOLTAGE) || is_told(&d.snap, CHANNEL_CURRENT));
	end();
}

/* By TCP each answer has its question's number. */
static void another_question_s_answer_is_passed_over(void **state)
{
	static const uint8_t zeros[8] = { 0 };

	(void)state;
	begin(true);
	struct heard h = wait_for_question(3);
	h.transaction++;
	answer(&h, zeros, 0);
	assert_false(wait_for_question(5).any);
	h.transaction--;
	answer(&h, zeros, 0);
	h = wait_for_question(3);
	assert_true(h.any && h.address == 17);
	end();
}

/* A logger tells an open sensor by a number that cannot be: -300.0 degC is no reading, -273.1 is one. */
static void an_open_sensor_is_no_reading(void **state)
{
	const struct channel *temp = &d.snap.channel[CHANNEL_TEMP + (int)TEMP_CASE];

	(void)state;
	begin(false);
	answer_round(0xf5, 0x55);
	assert_near(d.snap.temp_degC[TEMP_CASE], -273.1);
	answer_round(0xf4, 0x48);
	assert_true(isnan(d.snap.temp_degC[TEMP_CASE]) && temp->quality == QUALITY_MISSING && isinf(temp->age_s));
	assert_true(d.snap.channel[CHANNEL_VOLTAGE].quality == QUALITY_GOOD && d.snap.voltage_V > 11);
	end();
}

static void silence_has_an_age_and_a_hang_up_no_value(void **state)
{
	const struct channel *volts = &d.snap.channel[CHANNEL_VOLTAGE];

	(void)state;
	begin(false);
	answer_round(0, 10);
	look(1);
	assert_true(volts->age_s > 0.98 && volts->age_s < 1.02 && volts->fresh == 1);
	now.ns += 3000000000; /* nobody looked: not held against it */
	look(0.01);
	assert_true(volts->age_s > 0.98 && volts->age_s < 1.04);
	assert_near(d.in.stale_s, 1);
	close(d.end.fd);
	d.end.fd = dup(d.end.listening);
	look(1);
	assert_true(isinf(volts->age_s) && volts->quality == QUALITY_MISSING && isnan(d.snap.voltage_V));
	assert_true(isnan(d.snap.temp_degC[TEMP_CASE]));
	end();
}

/* Two on one line: the second one asks when the first one's round is over. */
static void two_take_turns(void **state)
{
	struct turns turns = { 0 };
	struct snapshot other_snap = snapshot_blank();
	static const uint8_t zeros[8] = { 0 };

	(void)state;
	by_tcp = false;
	device_begin("modbus", NULL);
	d.in = open_meter(&turns);
	struct instrument other = open_meter(&turns);
	look(0.01);
	other.ops->poll(other.ctx, &other_snap);
	unsigned first = turns.holder; /* whoever it is */
	assert_true(first > 0);
	struct heard h = hear();
	assert_true(h.any && h.address == 0 && !hear().any);
	for (int i = 0; i < 2; i++) {
		assert_int_equal(turns.holder, first);
		answer(&h, zeros, 0);
		do {
			look(0.01);
			other.ops->poll(other.ctx, &other_snap);
			h = hear();
		} while (!h.any);
	}
	assert_true(h.address == 0 && turns.holder > 0 && turns.holder != first);
	assert_int_equal(d.snap.channel[CHANNEL_VOLTAGE].fresh + other_snap.channel[CHANNEL_VOLTAGE].fresh, 1);
	other.ops->close(other.ctx);
	end();
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_round_comes_as_a_whole),
		cmocka_unit_test(it_is_asked_once_a_period),
		cmocka_unit_test(an_exception_is_told),
		cmocka_unit_test(a_late_answer_is_nobody_s),
		cmocka_unit_test(rubbish_is_told_as_no_answer),
		cmocka_unit_test(an_answer_behind_noise_is_found),
		cmocka_unit_test(a_tick_does_not_read_for_ever),
		cmocka_unit_test(neighbours_are_asked_for_together),
		cmocka_unit_test(one_of_temperatures_alone),
		cmocka_unit_test(another_question_s_answer_is_passed_over),
		cmocka_unit_test(an_open_sensor_is_no_reading),
		cmocka_unit_test(silence_has_an_age_and_a_hang_up_no_value),
		cmocka_unit_test(two_take_turns),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
