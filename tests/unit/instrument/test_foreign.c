/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Foreign devices that misbehave, over the kinds that read one: answers in pieces, late, between rubbish, rubbish
 * alone, errors of their own, nothing. What is believed is what the device says. Where it says nothing that fits,
 * nothing is believed any more. */
#include "channel/can_signal.h"
#include "channel/modbus_private.h"
#include "channel/text_pattern.h"
#include "instrument/can_drive.h"
#include "instrument/indicator.h"
#include "instrument/modbus_meter.h"
#include "instrument/scpi_supply.h"
#include "instrument/text_drive.h"
#include "tests/unit/instrument/far_end.h"

#include <math.h>

#define QUEUE 4096
#define TICK_NS 10000000
#define PERIOD_TICKS 10

static struct mono now;

enum habit { GOOD, PIECES, LATE, AMONG_RUBBISH, RUBBISH, ERRORS, NEVER, HABITS };

static const struct kind {
	const char *name;
	bool asked;                 /* else it tells unasked, once a period */
	const char *answer, *error; /* of a line of text; NULL: bytes of Modbus */
	enum channel_id channel;
	double value;
} kinds[] = {
	{ "supply", true, "47.5;1.25\n", "**ERROR\n", CHANNEL_VOLTAGE, 47.5 },
	{ "modbus", true, NULL, NULL, CHANNEL_VOLTAGE, 47.5 },
	{ "indicator", false, "ST 1.000 kg\r\n", "Err 4\r\n", CHANNEL_CELL, 200 },
	{ "text-drive", false, "S 36.5 1\n", "E17\n", CHANNEL_DRIVE, 36.5 },
	{ "can-drive", false, "t28136D0104\r", "\a\r", CHANNEL_DRIVE, 36.5 },
};

static struct device {
	const struct kind *kind;
	struct far_end end;
	struct instrument in;
	struct snapshot snap;
	enum habit habit;
	char queue[QUEUE]; /* what it is about to send */
	size_t n;
	int64_t due_ns;
	unsigned seed;
	int tick;
} d;

static unsigned dice(void)
{
	d.seed = d.seed * 1664525u + 1013904223u;
	return d.seed >> 16;
}

static void put(const void *bytes, size_t n)
{
	assert_true(d.n + n < sizeof d.queue);
	memcpy(d.queue + d.n, bytes, n);
	d.n += n;
}

static void put_rubbish(void)
{
	static const char ends[] = "\r\n;,";
	char byte[24];

	for (size_t i = 0; i < sizeof byte; i++)
		byte[i] = dice() % 6 ? (char)dice() : ends[dice() % 4];
	put(byte, sizeof byte);
	if (d.kind->answer) /* the line after it begins anew */
		put(d.kind->answer + strlen(d.kind->answer) - 1, 1);
}

static void put_modbus(bool error)
{
	/* unit 3, function 4: 4750 and 125 in hundredths; or exception 4 */
	uint8_t good[9] = { 3, 4, 4, 0x12, 0x8e, 0, 125 }, bad[5] = { 3, 0x84, 4 };
	uint8_t *body = error ? bad : good;
	size_t n = error ? 3 : 7;
	const uint16_t crc = modbus_crc(body, n);

	body[n] = (uint8_t)crc;
	body[n + 1] = (uint8_t)(crc >> 8);
	put(body, n + 2);
}

static void put_answer(bool error)
{
	if (d.kind->answer == NULL)
		put_modbus(error);
	else
		put(error ? d.kind->error : d.kind->answer, strlen(error ? d.kind->error : d.kind->answer));
}

static void speak(void)
{
	if (d.habit == NEVER)
		return;
	if (d.n == 0)
		d.due_ns = now.ns + (d.habit == LATE ? 200000000 : 0);
	if (d.habit == AMONG_RUBBISH || d.habit == RUBBISH)
		put_rubbish();
	if (d.habit != RUBBISH)
		put_answer(d.habit == ERRORS);
}

static void run_device(void)
{
	char asked[200];
	ssize_t n = recv(d.end.fd, asked, sizeof asked, MSG_DONTWAIT);

	if (d.kind->asked ? n > 0 : d.tick % PERIOD_TICKS == 0)
		speak();
	d.tick++;
	size_t part = d.habit == PIECES && d.n > 4 ? 4 : d.n;
	if (d.n == 0 || now.ns < d.due_ns)
		return;
	assert_int_equal(send(d.end.fd, d.queue, part, 0), part);
	memmove(d.queue, d.queue + part, d.n - part);
	d.n -= part;
}

static struct mono clock_now(void *ctx)
{
	(void)ctx;
	return now;
}

static enum rc sleep_until(void *ctx, struct mono until, struct err *err)
{
	(void)ctx;
	(void)err;
	now = until;
	run_device();
	return RC_OK;
}

static const struct clock_src a_clock = { .now = clock_now, .sleep_until = sleep_until };

static struct text_pattern pattern(const char *text)
{
	struct text_pattern p;
	char why[TEXT_PATTERN_WHY];

	assert_true(text_pattern_read(text, &p, why));
	return p;
}

static struct can_map map(const char *text)
{
	struct can_map ret;
	char why[CAN_SIGNAL_WHY];

	assert_true(can_map_read(text, &ret, why));
	return ret;
}

static enum rc open_kind(void)
{
	const struct drive_setup drive = {
		.unit_rpm = 1, .unit_A = 1, .gear_ratio = 36, .sign = 1, .lease_s = 0.3, .period_s = 0.1
	};
	const struct text_drive_setup text = { .drive = drive,
					       .speed = pattern("V {speed.1}"),
					       .off = pattern("OFF"),
					       .tell = { pattern("S {speed} {enabled}") },
					       .n_tell = 1 };
	const struct can_drive_setup can = {
		.drive = drive,
		.speed = map("0x201 data 01 00 00 byte 1 length 16 signed"),
		.off = map("0x201 data 00 00 00"),
		.tell = { [DRIVE_WORD_SPEED] = map("0x281 byte 0 length 16 signed scale 0.1"),
			  [DRIVE_WORD_ENABLED] = map("0x281 byte 2 length 8 is 4") },
	};
	const struct indicator_setup gauge = {
		.tell = { pattern("{stable=US|ST} {reading} kg") }, .n_tell = 1, .division = 0.005, .saturation = 4000
	};
	const struct modbus_setup modbus = {
		.baud = 9600,
		.word = { [MODBUS_VOLTAGE] = { true, MODBUS_INPUT, 0, MODBUS_U16, false, 0.01 },
			  [MODBUS_CURRENT] = { true, MODBUS_INPUT, 1, MODBUS_U16, false, 0.01 } },
	};
	struct instrument_config config = { .name = d.kind->name,
					    .number = 2,
					    .period_s = 0.1,
					    .text_drive = &text,
					    .can_drive = &can,
					    .indicator = &gauge };

	config.roles = d.kind->channel == CHANNEL_DRIVE  ? ROLE_DRIVE
		       : d.kind->channel == CHANNEL_CELL ? ROLE_CELL
							 : ROLE_METER;
	if (strcmp(d.kind->name, "modbus") == 0) {
		config.modbus = &modbus;
		config.address = 3;
		return modbus_open(&config, d.end.link, &a_clock, &d.in, NULL);
	}
	if (strcmp(d.kind->name, "indicator") == 0)
		return indicator_open(&config, d.end.link, &a_clock, &d.in, NULL);
	if (strcmp(d.kind->name, "text-drive") == 0)
		return text_drive_open(&config, d.end.link, &a_clock, &d.in, NULL);
	if (strcmp(d.kind->name, "can-drive") == 0)
		return can_drive_open(&config, d.end.link, &a_clock, &d.in, NULL);
	return supply_open(&config, d.end.link, &a_clock, &d.in, NULL);
}

static double value(void)
{
	if (d.kind->channel == CHANNEL_DRIVE)
		return d.snap.drive_rotor_rpm;
	return d.kind->channel == CHANNEL_CELL ? d.snap.cell_count : d.snap.voltage_V;
}

/* As guard and limits believe it: by age and quality, and a drive by its word. */
static bool is_believed(void)
{
	const struct channel *c = &d.snap.channel[d.kind->channel];

	if (d.kind->channel == CHANNEL_DRIVE)
		return !(d.snap.drive_flags & DRIVE_UNHEARD);
	return c->quality == QUALITY_GOOD && c->age_s <= fmin(d.in.stale_s, 1) && isfinite(value());
}

static void tick(double for_s)
{
	for (int i = 0; i < (int)(for_s * 100 + 0.5); i++) {
		now.ns += TICK_NS;
		d.in.ops->poll(d.in.ctx, &d.snap);
		run_device();
		if (is_believed() && !(fabs(value() - d.kind->value) < 1e-9))
			fail_msg("%s, habit %d, seed %u: %g was believed", d.kind->name, (int)d.habit, d.seed, value());
	}
}

static void begin(const struct kind *kind, unsigned seed)
{
	d = (struct device){ .kind = kind, .snap = snapshot_blank(), .seed = seed };
	far_end_open("foreign", &d.end);
	now.ns = 1000000000;
	d.snap.channel[CHANNEL_CONTACTOR].fresh = 1;
	d.snap.contactor_closed = true;
	assert_int_equal(open_kind(), RC_OK);
	assert_int_equal(d.in.ops->begin(d.in.ctx, NULL), RC_OK);
	tick(0.5);
	if (!is_believed())
		fail_msg("%s is not believed when it is well", kind->name);
}

static void end(void)
{
	d.in.ops->close(d.in.ctx);
	far_end_close(&d.end);
}

/* Well again after each: a habit leaves nothing behind. */
static void each_habit_of_each_kind(void **state)
{
	(void)state;
	for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++)
		for (int habit = GOOD; habit < HABITS; habit++) {
			const bool answers = habit <= AMONG_RUBBISH;

			begin(&kinds[k], 1);
			d.habit = (enum habit)habit;
			tick(1);
			const uint32_t fresh = d.snap.channel[kinds[k].channel].fresh;
			tick(2);
			const uint32_t came = d.snap.channel[kinds[k].channel].fresh - fresh;
			if (is_believed() != answers || (came > 3) != answers)
				fail_msg("%s, habit %d: %u readings in 2 s, %s", kinds[k].name, habit, came,
					 is_believed() ? "believed" : "not believed");
			d.habit = GOOD;
			d.n = 0;
			tick(1.5);
			if (!is_believed())
				fail_msg("%s is not believed when it is well again after habit %d", kinds[k].name,
					 habit);
			end();
		}
}

static void rubbish_of_many_seeds_is_never_a_reading(void **state)
{
	(void)state;
	for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++)
		for (unsigned seed = 1; seed <= 30; seed++) {
			begin(&kinds[k], seed);
			d.habit = RUBBISH;
			tick(2);
			if (is_believed())
				fail_msg("%s, seed %u: believed after 2 s of rubbish", kinds[k].name, seed);
			end();
		}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_habit_of_each_kind),
		cmocka_unit_test(rubbish_of_many_seeds_is_never_a_reading),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
