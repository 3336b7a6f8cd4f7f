/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive by hand: a store of objects that answers SDO frames by the bytes of CiA 301, and nothing of the bench. */
#include "instrument/canopen_drive.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "tests/unit/instrument/far_end.h"

#define OBJECTS 64

static struct mono now;

static struct device {
	struct far_end end;
	struct instrument in;
	struct snapshot snap;
	struct err err;
	char line[64], last[12][30]; /* frames but SDO ones that came since heard() */
	size_t n, n_last;
	struct {
		uint32_t key, value, size;
	} object[OBJECTS];
	size_t n_objects;
	uint32_t forgets, refuses;         /* key of an object that does not keep what it is written; that it aborts */
	uint32_t is_long, mixes_up, waits; /* answered as longer than 4 bytes; as read when written or back; later */
	struct can_message late;           /* the answer of the one that waits */
	bool operational, is_mute, is_stranger, hangs_up;
	int resets; /* of a fault, that it was told by SDO */
	struct canopen_drive_setup setup;
} d;

#define KEY(index, sub) ((uint32_t)(index) << 8 | (sub))

static uint32_t *object(uint32_t key, uint32_t size)
{
	for (size_t i = 0; i < d.n_objects; i++)
		if (d.object[i].key == key)
			return &d.object[i].value;
	assert_true(d.n_objects < OBJECTS);
	d.object[d.n_objects].key = key;
	d.object[d.n_objects].size = size;
	return &d.object[d.n_objects++].value;
}

static uint32_t size_of(uint32_t key)
{
	for (size_t i = 0; i < d.n_objects; i++)
		if (d.object[i].key == key)
			return d.object[i].size;
	return 4;
}

static void say(const char *text)
{
	assert_int_equal(send(d.end.fd, text, strlen(text), 0), strlen(text));
}

static void say_frame(uint32_t id, const uint8_t *byte, uint8_t n)
{
	struct can_message m = { .id = id, .n = n };
	char line[CAN_FRAME_LINE];

	memcpy(m.byte, byte, n);
	(void)can_frame_put(&m, line);
	say(line);
}

static void serve(const struct can_message *m)
{
	const uint32_t key = KEY(m->byte[1] | m->byte[2] << 8, m->byte[3]), size = 4 - (m->byte[0] >> 2 & 3);
	uint8_t answer[8] = { 0x60, m->byte[1], m->byte[2], m->byte[3] };
	uint32_t value = 0;

	if (key == d.refuses) {
		answer[0] = 0x80;
		value = 0x06090030;
	} else if (m->byte[0] == 0x40) {
		value = *object(key, 4);
		answer[0] = (uint8_t)(0x43 | (4 - size_of(key)) << 2);
	} else if (key != d.forgets) {
		for (uint32_t i = 0; i < size; i++)
			value |= (uint32_t)m->byte[4 + i] << (8 * i);
		*object(key, size) = value;
		d.resets += key == KEY(0x6040, 0) && value == 0x80;
		value = 0;
	}
	if (key == d.is_long && m->byte[0] == 0x40)
		answer[0] = 0x41;
	if (key == d.mixes_up)
		answer[0] = answer[0] == 0x60 ? 0x43 : 0x60;
	for (int i = 0; i < 4; i++)
		answer[4 + i] = (uint8_t)(value >> (8 * i));
	if (key == d.waits)
		memcpy(d.late.byte, answer, d.late.n = 8);
	else
		say_frame(0x585, answer, 8);
}

static void take_line(void)
{
	struct can_message m;

	d.line[d.n] = '\0';
	d.n = 0;
	if (!can_frame_read(d.line, &m) || d.is_mute)
		return;
	if (m.id == 0x605 && !d.is_stranger) {
		serve(&m);
		return;
	}
	if (m.id == 0)
		d.operational = m.byte[0] == 1;
	if (d.n_last < 12)
		snprintf(d.last[d.n_last++], 30, "%.29s", d.line);
}

static void run_device(void)
{
	char c;

	while (recv(d.end.fd, &c, 1, MSG_DONTWAIT) == 1) {
		if (c == '\r')
			take_line();
		else if (d.n < sizeof d.line - 1)
			d.line[d.n++] = c;
	}
}

/* TPDO 1: statusword, velocity, current. */
static void tell(unsigned status, int32_t velocity, int16_t current)
{
	uint8_t byte[8] = { (uint8_t)status, (uint8_t)(status >> 8) };

	for (int i = 0; i < 4; i++)
		byte[2 + i] = (uint8_t)((uint32_t)velocity >> (8 * i));
	byte[6] = (uint8_t)current;
	byte[7] = (uint8_t)((uint16_t)current >> 8);
	if (d.is_stranger)
		say_frame(0x186, byte, 8);
	else if (d.operational && !d.is_mute && d.setup.plan.telemetry_s > 0)
		say_frame(0x185, byte, d.setup.plan.rated_A > 0 ? 8 : 6);
	*object(KEY(0x6041, 0), 2) = status;
	*object(KEY(0x606c, 0), 4) = (uint32_t)velocity;
	*object(KEY(0x6078, 0), 2) = (uint16_t)current;
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
	if (d.hangs_up)
		shutdown(d.end.fd, SHUT_RDWR);
	if (d.hangs_up)
		return RC_OK;
	run_device();
	tell(*object(KEY(0x6041, 0), 2), 0, 0);
	return RC_OK;
}

static const struct clock_src a_clock = { .now = clock_now, .sleep_until = sleep_until };

static const struct canopen_drive_setup stated = {
	.drive = { .unit_rpm = 60.0 / 4096,
		   .unit_A = 1,
		   .unit_Nm = 0.32e-3,
		   .gear_ratio = 36,
		   .sign = 1,
		   .lease_s = 0.3,
		   .period_s = 0.02 },
	.bit_rate = 500000,
	.plan = { .node = 5,
		  .host = 127,
		  .velocity_mode = 3,
		  .torque_mode = 4,
		  .rated_torque_Nm = 0.32,
		  .rated_A = 6.5,
		  .lease_s = 0.3,
		  .telemetry_s = 0.02,
		  .reset_fault = 0x8130 },
	.temperature = { 0x2031, 1 },
	.temperature_scale = 0.1,
};

static void begin(void)
{
	static const struct {
		uint32_t key, value, size;
	} as_delivered[] = {
		{ KEY(0x1000, 0), 0x00020192, 4 }, { KEY(0x6502, 0), 0x0c, 4 },  { KEY(0x6076, 0), 320, 4 },
		{ KEY(0x6075, 0), 6500, 4 },       { KEY(0x6041, 0), 0x250, 2 }, { KEY(0x603f, 0), 0, 2 },
		{ KEY(0x6061, 0), 0, 1 },          { KEY(0x2031, 1), 315, 2 },   { KEY(0x6080, 0), 4500, 4 },
	};

	d = (struct device){ .snap = snapshot_blank(), .setup = stated };
	for (size_t i = 0; i < sizeof as_delivered / sizeof as_delivered[0]; i++)
		*object(as_delivered[i].key, as_delivered[i].size) = as_delivered[i].value;
	far_end_open("canopen", &d.end);
	now.ns = 1000000000;
	d.snap.channel[CHANNEL_CONTACTOR].fresh = 1;
	d.snap.contactor_closed = true;
}

static enum rc open_drive(void)
{
	const struct instrument_config config = {
		.name = "canopen-drive m", .roles = ROLE_DRIVE, .number = 2, .period_s = 0.02, .canopen_drive = &d.setup
	};

	return canopen_drive_open(&config, d.end.link, &a_clock, &d.in, &d.err);
}

static void end(void)
{
	if (d.in.ops)
		d.in.ops->close(d.in.ctx);
	far_end_close(&d.end);
}

/* Ticks of 10 ms with this status; the set-point at each. */
static void tick(double for_s, unsigned status, int32_t velocity, const struct wish *wish)
{
	for (int i = 0; i < (int)(for_s / 0.01 + 0.5); i++) {
		now.ns += 10000000;
		tell(status, velocity, 500);
		d.in.ops->poll(d.in.ctx, &d.snap);
		d.in.ops->set(d.in.ctx, wish);
		run_device();
	}
}

static bool heard(const char *frame)
{
	bool found = false;

	for (size_t i = 0; i < d.n_last; i++)
		found |= strcmp(d.last[i], frame) == 0;
	d.n_last = 0;
	return found;
}

static const struct wish off = { 0 };

/* 10 rpm of the output by a gear of 36: 6 turns of the rotor a second, 24576 counts: 6000h. */
static const struct wish speed = { .mode = DRIVE_SPEED, .speed_rpm = 10, .power = true };

static void it_is_set_up_as_stated(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_drive(), RC_OK);
	assert_int_equal(d.in.modes, 1u << DRIVE_SPEED | 1u << DRIVE_TORQUE);
	assert_true(d.operational);
	assert_int_equal(*object(KEY(0x1016, 1), 4), 127 << 16 | 300);
	assert_int_equal(*object(KEY(0x6007, 0), 2), 2);
	assert_int_equal(*object(KEY(0x1400, 1), 4), 0x205);
	assert_int_equal(*object(KEY(0x1600, 1), 4), 0x60400010);
	assert_int_equal(*object(KEY(0x1600, 2), 4), 0x60600008);
	assert_int_equal(*object(KEY(0x1601, 1), 4), 0x60ff0020);
	assert_int_equal(*object(KEY(0x1602, 1), 4), 0x60710010);
	assert_int_equal(*object(KEY(0x1602, 2), 4), 0x60800020);
	assert_int_equal(*object(KEY(0x1800, 1), 4), 0x185);
	assert_int_equal(*object(KEY(0x1800, 3), 2), 100); /* 10 ms in 100 us (CiA 301, from memory) */
	assert_int_equal(*object(KEY(0x1800, 5), 2), 20);
	assert_int_equal(*object(KEY(0x1a00, 0), 1), 3);
	end();
}

static void bring_up(void)
{
	begin();
	assert_int_equal(open_drive(), RC_OK);
	tick(0.1, 0x250, 0, &off);
	assert_true(heard("t2053000003"));
}

static void it_is_switched_on_step_by_step(void **state)
{
	(void)state;
	bring_up();
	tick(0.05, 0x250, 0, &speed);
	assert_true(heard("t2053060003"));
	tick(0.05, 0x231, 0, &speed);
	assert_true(heard("t2053070003"));
	tick(0.1, 0x233, 0, &speed); /* it shows no mode yet */
	assert_false(heard("t20530F0003"));
	*object(KEY(0x6061, 0), 1) = 3;
	tick(0.1, 0x233, 0, &speed);
	assert_true(heard("t20530F0003"));
	d.n_last = 0;
	tick(0.05, 0x233, 0, &speed);
	assert_false(heard("t305400600000")); /* no speed before it says operation enabled */
	tick(0.02, 0x237, 0, &speed);
	assert_true(heard("t305400600000"));
	tick(0.1, 0x237, 24576, &speed);
	assert_true(heard("t77F105")); /* the heartbeat */
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED);
	assert_true(fabs(d.snap.drive_rotor_rpm - 360) < 1e-6);
	assert_true(fabs(d.snap.drive_A - 3.25) < 1e-9);
	assert_true(fabs(d.snap.temp_degC[TEMP_WINDING] - 31.5) < 1e-9);
	tick(0.01, 0xa37, 24576, &off); /* bit 11: a limit of its own */
	assert_true(heard("t2053000003"));
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED | DRIVE_CURRENT_LIMITED);
	end();
}

/* 1.152 N.m of the output is a tenth of the rated torque, 100 per mille; 5 rpm are 180 rpm of the rotor: B4h. */
static void torque_with_its_speed_limit(void **state)
{
	const struct wish torque = { .mode = DRIVE_TORQUE, .torque_Nm = 1.152, .speed_rpm = 5, .power = true };
	const struct wish slow = { .mode = DRIVE_TORQUE, .torque_Nm = 1.152, .speed_rpm = 0.01, .power = true };
	const struct wish none = { .mode = DRIVE_TORQUE, .torque_Nm = NAN, .speed_rpm = 5, .power = true };

	(void)state;
	bring_up();
	*object(KEY(0x6061, 0), 1) = 4;
	tick(0.05, 0x250, 0, &torque);
	tick(0.05, 0x231, 0, &torque);
	tick(0.1, 0x233, 0, &torque);
	d.n_last = 0;
	tick(0.05, 0x237, 0, &torque);
	assert_true(heard("t40566400B4000000"));
	tick(0.1, 0x237, 0, &slow);
	assert_true(heard("t4056000000000000")); /* no torque: a speed limit of 0 may mean none */
	tick(0.01, 0x237, 0, &none);
	assert_true(heard("t2053000004"));
	end();
}

static void enable(void)
{
	bring_up();
	*object(KEY(0x6061, 0), 1) = 3;
	for (unsigned i = 0; i < 3; i++)
		tick(0.1, (const unsigned[]){ 0x250, 0x231, 0x233 }[i], 0, &speed);
	tick(0.1, 0x237, 24576, &speed);
	assert_string_equal(d.in.error, "");
	d.n_last = 0;
}

static void says(const char *words)
{
	assert_true(d.snap.drive_flags & DRIVE_FAULT);
	if (strstr(d.in.error, words) == NULL)
		fail_msg("\"%s\" does not say \"%s\"", d.in.error, words);
}

static void what_goes_wrong_is_told_and_ends_it(void **state)
{
	(void)state;
	enable(); /* by its own stop input */
	tick(0.05, 0x250, 24576, &speed);
	says("went off by itself; it is switch on disabled");
	tick(0.05, 0x231, 0, &speed);
	assert_false(heard("t2053070003"));
	end();
	enable(); /* another mode, by somebody else */
	*object(KEY(0x6061, 0), 1) = 1;
	tick(0.1, 0x237, 24576, &speed);
	assert_true(heard("t2053000003"));
	tick(0.1, 0x250, 0, &speed);
	says("it shows mode 1 (6061h), commanded was 3; it was switched off");
	end();
	enable(); /* a fault: its kind is known when its code was read */
	*object(KEY(0x603f, 0), 2) = 0x7310;
	tick(0.1, 0x218, 0, &speed);
	says("error code 7310h");
	assert_false(heard("t2053800003")); /* nobody asked for its reset */
	end();
	enable(); /* still stopping because of one: it may have torque */
	*object(KEY(0x603f, 0), 2) = 0x7310;
	tick(0.1, 0x21f, 24576, &speed);
	says("error code 7310h");
	assert_true(d.snap.drive_flags & DRIVE_ENABLED);
	end();
	for (unsigned i = 0; i < 2; i++) {
		enable();
		*object(KEY(0x603f, 0), 2) = (const unsigned[]){ 0x3220, 0x3120 }[i];
		tick(0.1, 0x218, 0, &speed);
		assert_int_equal(d.snap.drive_flags, DRIVE_UNDERVOLTAGE);
		end();
	}
	enable(); /* it restarts, and is set up anew, but not switched on */
	say("t705100\r");
	d.operational = false;
	tick(0.1, 0x250, 0, &speed);
	says("went off by itself");
	tick(1, 0x250, 0, &speed);
	assert_true(d.operational);
	assert_false(heard("t2053060003"));
	end();
	bring_up(); /* it never shows the mode */
	tick(2.2, 0x233, 0, &speed);
	says("it shows mode 0 (6061h), commanded was 3");
	end();
	bring_up(); /* it shows it, and goes no further */
	*object(KEY(0x6061, 0), 1) = 3;
	tick(1.9, 0x233, 0, &speed);
	assert_string_equal(d.in.error, "");
	tick(0.3, 0x233, 0, &speed);
	says("it is switched on, 2 s after it was switched on");
	end();
}

/* Asked before the fault and answered after it: the code that was read is not the fault's. */
static void a_code_that_was_asked_before_the_fault_says_nothing(void **state)
{
	(void)state;
	enable();
	d.waits = KEY(0x603f, 0);
	for (int i = 0; i < 20 && d.late.n == 0; i++)
		tick(0.01, 0x237, 24576, &speed);
	assert_int_equal(d.late.n, 8);
	d.waits = 0;
	*object(KEY(0x603f, 0), 2) = 0x3220;
	say_frame(0x185, (const uint8_t[]){ 0x18, 0x02, 0, 0, 0, 0, 0, 0 }, 8);
	say_frame(0x585, d.late.byte, 8); /* code 0 */
	tick(0.01, 0x218, 0, &speed);
	assert_int_equal(d.snap.drive_flags & (DRIVE_FAULT | DRIVE_UNDERVOLTAGE), 0);
	tick(0.2, 0x218, 0, &speed);
	assert_int_equal(d.snap.drive_flags, DRIVE_UNDERVOLTAGE);
	end();
}

/* Frames that look like its own: with a long identifier, of another node, too short, an answer that nobody asked for,
 * and the answer to a write where a read was asked. */
static void what_is_not_its_word_is_not_taken(void **state)
{
	(void)state;
	enable();
	d.waits = KEY(0x603f, 0);
	for (int i = 0; i < 20 && d.late.n == 0; i++)
		tick(0.01, 0x237, 24576, &speed);
	assert_int_equal(d.late.n, 8);
	say("T00000185"
	    "8"
	    "5000000000000000\r");
	say_frame(0x186, (const uint8_t[]){ 0x18, 0x02, 0, 0, 0, 0, 0, 0 }, 8);
	say_frame(0x185, (const uint8_t[]){ 0x18, 0x02, 0, 0, 0, 0, 0 }, 7);
	say_frame(0x585, (const uint8_t[]){ 0x60, 0x3f, 0x60, 0, 0, 0, 0, 0 }, 8);
	say_frame(0x585, (const uint8_t[]){ 0x4b, 0x31, 0x20, 1, 0xe7, 3, 0, 0 },
		  8); /* 99.9, of which none was asked */
	d.in.ops->poll(d.in.ctx, &d.snap);
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED);
	say_frame(0x585, d.late.byte, 8);
	say_frame(0x585, (const uint8_t[]){ 0x4b, 0x31, 0x20, 1, 0xe7, 3, 0, 0 }, 8); /* nor is it yet */
	d.in.ops->poll(d.in.ctx, &d.snap);
	assert_true(fabs(d.snap.temp_degC[TEMP_WINDING] - 31.5) < 1e-9);
	d.waits = 0;
	tick(0.2, 0x237, 24576, &speed);
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED);
	assert_string_equal(d.in.error, "");
	end();
}

/* A torque that is commanded while it is still set up after a restart. */
static void a_mode_that_was_commanded_meanwhile(void **state)
{
	const struct wish torque = { .mode = DRIVE_TORQUE, .torque_Nm = 1.152, .speed_rpm = 5, .power = true };
	static const uint8_t boot = 0;

	(void)state;
	bring_up();
	say_frame(0x705, &boot, 1);
	tick(0.01, 0x250, 0, &torque);
	assert_false(heard("t2053060004"));
	tick(1, 0x250, 0, &torque);
	assert_true(heard("t2053060004"));
	assert_false(heard("t2053060003"));
	end();
}

/* Only speed, no rated values, no lease, nothing sent by itself: what is not stated is not touched, and it is asked. */
static void one_of_which_little_is_stated(void **state)
{
	(void)state;
	begin();
	d.setup.temperature.index = 0;
	d.setup.drive.lease_s = 0;
	d.setup.plan = (struct canopen_plan){ .node = 5, .host = 127, .velocity_mode = 3 };
	size_t before = d.n_objects;
	assert_int_equal(open_drive(), RC_OK);
	assert_int_equal(d.in.modes, 1u << DRIVE_SPEED);
	for (size_t i = before; i < d.n_objects; i++)
		switch (d.object[i].key >> 8) {
		case 0x1016:
		case 0x6007:
		case 0x1402:
		case 0x1602:
		case 0x1800:
		case 0x1a00: fail_msg("object %04Xh was touched", d.object[i].key >> 8);
		default: break;
		}
	*object(KEY(0x6061, 0), 1) = 3;
	for (unsigned i = 0; i < 3; i++)
		tick(0.3, (const unsigned[]){ 0x250, 0x231, 0x233 }[i], 0, &speed);
	d.n_last = 0;
	tick(0.3, 0x237, 24576, &speed);
	assert_true(heard("t305400600000"));
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED);
	assert_true(fabs(d.snap.drive_rotor_rpm - 360) < 1e-6);
	assert_true(isnan(d.snap.drive_A)); /* nobody knows it */
	tick(0.2, 0x237, 24576, &speed);
	assert_false(heard("t77F105"));
	tick(0.5, 0x250, 0, &off);
	d.in.ops->close(d.in.ctx);
	d.in.ops = NULL;
	run_device();
	assert_int_equal(*object(KEY(0x1016, 1), 4), 0);
	end();
}

/* Only torque, and its telemetry without a current. */
static void one_that_is_driven_by_torque_alone(void **state)
{
	(void)state;
	begin();
	d.setup.plan.velocity_mode = 0;
	d.setup.plan.rated_A = 0;
	assert_int_equal(open_drive(), RC_OK);
	assert_int_equal(d.in.modes, 1u << DRIVE_TORQUE);
	assert_int_equal(*object(KEY(0x1a00, 0), 1), 2);
	tick(0.1, 0x250, 24576, &off);
	assert_true(heard("t2053000004"));
	assert_true(fabs(d.snap.drive_rotor_rpm - 360) < 1e-6);
	assert_true(isnan(d.snap.drive_A));
	end();
}

/* Its electronics get their power by the contactor: it is not waited for, and set up once it has power. */
static void one_that_starts_with_the_contactor(void **state)
{
	(void)state;
	begin();
	d.setup.drive.boot_s = 2;
	d.is_mute = true;
	d.snap.contactor_closed = false;
	assert_int_equal(open_drive(), RC_OK);
	tick(1, 0x250, 0, &off);
	assert_int_equal(d.snap.drive_flags, 0);
	d.snap.contactor_closed = true;
	tick(0.3, 0x250, 0, &off);
	assert_int_equal(d.snap.drive_flags, 0);
	d.is_mute = false;
	tick(1.2, 0x250, 0, &off);
	assert_true(d.operational);
	assert_int_equal(d.snap.drive_flags, 0);
	assert_string_equal(d.in.error, "");
	d.n_last = 0;
	tick(0.1, 0x250, 0, &speed);
	assert_true(heard("t2053060003"));
	end();
}

/* Before it was commanded for the first time, and while it is waited for. */
static void its_line_ends(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_drive(), RC_OK);
	shutdown(d.end.fd, SHUT_RDWR);
	d.in.ops->poll(d.in.ctx, &d.snap);
	d.in.ops->set(d.in.ctx, &speed);
	assert_int_equal(d.snap.drive_flags, DRIVE_UNHEARD);
	assert_non_null(strstr(d.in.error, "line is gone"));
	end();
	begin();
	d.hangs_up = true;
	assert_int_equal(open_drive(), RC_IO);
	assert_non_null(strstr(d.err.what, "its line ended; check its cable"));
	end();
}

/* Of a fault that it told before the contactor opened nothing is told while it has no power. */
static void a_fault_goes_with_the_power(void **state)
{
	(void)state;
	begin();
	d.setup.drive.boot_s = 2;
	assert_int_equal(open_drive(), RC_OK);
	tick(1.2, 0x250, 0, &off);
	*object(KEY(0x603f, 0), 2) = 0x7310;
	tick(0.2, 0x218, 0, &off);
	says("error code 7310h");
	d.snap.contactor_closed = false;
	d.is_mute = true;
	tick(1, 0x218, 0, &off);
	assert_int_equal(d.snap.drive_flags, 0);
	assert_string_equal(d.in.error, "");
	end();
}

/* Its power flickers: the set-up begins anew each time, so that it never comes to an end. */
static void one_that_restarts_again_and_again(void **state)
{
	static const uint8_t boot = 0;

	(void)state;
	enable();
	for (int i = 0; i < 50; i++) {
		say_frame(0x705, &boot, 1);
		tick(0.02, 0x250, 0, &speed);
	}
	assert_int_equal(d.snap.drive_flags, DRIVE_UNHEARD);
	assert_non_null(strstr(d.in.error, "its set-up is not done yet"));
	end();
}

static void one_that_answers_nothing_has_another_number(void **state)
{
	(void)state;
	begin();
	d.is_stranger = true;
	assert_int_equal(open_drive(), RC_TIMEOUT);
	assert_non_null(strstr(d.err.what, "node 5 does not answer about object 1000h:0: check node_id"));
	end();
}

/* A drive that answers a read as if it were a write, or the other way, has answered nothing. */
static void an_answer_of_the_wrong_kind_is_none(void **state)
{
	static const uint32_t keys[] = { KEY(0x6502, 0), KEY(0x1600, 1) };

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		begin();
		d.mixes_up = keys[i];
		assert_int_equal(open_drive(), RC_TIMEOUT);
		assert_non_null(strstr(d.err.what, i == 0 ? "about object 6502h:0" : "about object 1600h:1"));
		end();
	}
}

/* A frame that nobody filled: no word of off, so the off goes on and the lease stays. */
static void a_word_of_zeros_is_not_off(void **state)
{
	(void)state;
	enable();
	*object(KEY(0x6040, 0), 2) = 0x0f;
	tick(0.1, 0, 24576, &speed);
	tick(1, 0, 24576, &off);
	assert_int_equal(d.snap.drive_flags, DRIVE_UNHEARD);
	assert_true(*object(KEY(0x6040, 0), 2) != 0x0f); /* off by SDO too */
	d.in.ops->close(d.in.ctx);
	d.in.ops = NULL;
	run_device();
	assert_true(*object(KEY(0x1016, 1), 4) != 0);
	end();
}

static void one_that_falls_silent_is_unheard(void **state)
{
	(void)state;
	enable();
	d.is_mute = true;
	tick(0.7, 0x237, 0, &speed);
	assert_int_equal(d.snap.drive_flags, DRIVE_UNHEARD);
	assert_non_null(strstr(d.in.error, "not told all its values"));
	end();
}

static void a_drive_that_is_not_as_stated_is_refused(void **state)
{
	static const struct {
		uint32_t key, value, forgets, refuses;
		const char *words;
	} rows[] = {
		{ KEY(0x1000, 0), 0x191, 0, 0, "1000h:0 reads 401, expected 402" },
		{ KEY(0x6502, 0), 0x04, 0, 0, "does not have the mode of torque_mode (object 6502h)" },
		{ KEY(0x6076, 0), 400, 0, 0, "6076h:0 reads 400, expected 320" },
		{ KEY(0x6075, 0), 6000, 0, 0, "6075h:0 reads 6000, expected 6500" },
		{ KEY(0x1016, 1), 0, KEY(0x1016, 1), 0, "add a [warden] section" },
		{ KEY(0x6007, 0), 1, KEY(0x6007, 0), 0, "6007h:0 reads 1, expected 2: the lease" },
		{ KEY(0x6007, 0), 1, 0, KEY(0x6007, 0),
		  "6007h:0 is refused with abort code 06090030h, the value is out of range" },
		{ KEY(0x1600, 0), 0, 0, KEY(0x1600, 0), "1600h:0 is refused" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		begin();
		*object(rows[i].key, 4) = rows[i].value;
		d.forgets = rows[i].forgets;
		d.refuses = rows[i].refuses;
		assert_int_equal(open_drive(), RC_ARG);
		if (strstr(d.err.what, rows[i].words) == NULL)
			fail_msg("\"%s\" does not say \"%s\"", d.err.what, rows[i].words);
		assert_false(d.operational);
		end();
	}
	begin(); /* it is set up, and has no such temperature */
	d.refuses = KEY(0x2031, 1);
	assert_int_equal(open_drive(), RC_TIMEOUT);
	assert_non_null(strstr(d.err.what, "its object 2031h:1 is refused with abort code 06090030h"));
	end();
	begin();
	d.is_long = KEY(0x6502, 0);
	assert_int_equal(open_drive(), RC_ARG);
	assert_non_null(strstr(d.err.what, "6502h:0 is longer than 4 bytes, expected a number"));
	end();
	begin();
	d.is_mute = true;
	assert_int_equal(open_drive(), RC_TIMEOUT);
	end();
}

/* Only the fault with the stated code is reset, and by an edge. */
static void a_fault_is_reset_only_when_asked(void **state)
{
	static const uint32_t codes[] = { 0x8130, 0x7310, 0 };

	(void)state;
	for (int i = 0; i < 3; i++) {
		begin();
		*object(KEY(0x6041, 0), 2) = 0x218;
		*object(KEY(0x603f, 0), 2) = codes[i];
		d.setup.plan.reset_fault = i == 2 ? 0 : 0x8130; /* 0: none is to be reset, not the fault of code 0 */
		(void)open_drive();
		assert_int_equal(d.resets, i == 0);
		assert_int_equal(*object(KEY(0x6040, 0), 2), 0);
		end();
	}
}

/* The program ends in order: the drive no longer has to hear it. Else it still has to. */
/* Only one that was seen off: the lease is the last that switches off one that obeys nothing or says nothing. */
static void a_closed_one_that_is_off_has_nobody_to_miss(void **state)
{
	static const struct {
		unsigned status;
		bool is_mute, ends;
		const struct wish *wish;
		double for_s;
	} rows[] = {
		{ 0x250, false, true, &off, 0.1 },
		{ 0x237, false, false, &speed, 0.1 },
		{ 0x237, false, false, &off, 0.6 },
		{ 0x250, true, false, &off, 1.0 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		enable();
		d.is_mute = rows[i].is_mute;
		tick(rows[i].for_s, rows[i].status, 0, rows[i].wish);
		d.is_mute = false;
		d.in.ops->close(d.in.ctx);
		d.in.ops = NULL;
		run_device();
		assert_int_equal(*object(KEY(0x1016, 1), 4) == 0, rows[i].ends);
		end();
	}
}

/* Pre-operational it takes no PDO and tells nothing; the SDO reaches it. Without heartbeat its lease follows. */
static void one_that_takes_no_pdo_is_switched_off_by_sdo(void **state)
{
	(void)state;
	enable();
	*object(KEY(0x6040, 0), 2) = 0x0f;
	d.operational = false;
	tick(0.2, 0x237, 0, &speed);
	assert_int_equal(*object(KEY(0x6040, 0), 2), 0x0f);
	tick(1.5, 0x237, 0, &off);
	assert_int_equal(*object(KEY(0x6040, 0), 2), 0);
	d.n_last = 0;
	tick(0.1, 0x237, 0, &off);
	assert_false(heard("t77F105"));
	end();
}

/* A drive whose communication came up anew may be enabled still: off does not wait for the set-up. */
static void off_does_not_wait_for_the_set_up(void **state)
{
	static const uint8_t boot = 0;

	(void)state;
	enable();
	*object(KEY(0x6040, 0), 2) = 0x0f;
	*object(KEY(0x1000, 0), 4) = 0;
	say_frame(0x705, &boot, 1);
	tick(0.5, 0x237, 0, &off);
	assert_int_equal(*object(KEY(0x6040, 0), 2), 0);
	end();
}

/* It keeps its own speed limit when the run is over, whatever a torque mode needed; not before it is seen off. */
static void its_own_speed_limit_is_given_back(void **state)
{
	const struct wish torque = { .mode = DRIVE_TORQUE, .torque_Nm = 1.152, .speed_rpm = 5, .power = true };

	(void)state;
	bring_up();
	*object(KEY(0x6061, 0), 1) = 4;
	for (unsigned i = 0; i < 4; i++)
		tick(0.1, (const unsigned[]){ 0x250, 0x231, 0x233, 0x237 }[i], 0, &torque);
	*object(KEY(0x6080, 0), 4) = 180; /* as RPDO 3 says it */
	tick(0.3, 0x237, 0, &torque);
	tick(0.3, 0x237, 0, &off);
	assert_int_equal(*object(KEY(0x6080, 0), 4), 180);
	tick(0.3, 0x250, 0, &off);
	assert_int_equal(*object(KEY(0x6080, 0), 4), 4500);
	*object(KEY(0x6080, 0), 4) = 1; /* by somebody else: not the program's to write */
	tick(0.5, 0x250, 0, &off);
	assert_int_equal(*object(KEY(0x6080, 0), 4), 1);
	end();
}

/* 1800h:3 is no must. */
static void one_without_an_inhibit_time_is_taken(void **state)
{
	(void)state;
	begin();
	d.refuses = KEY(0x1800, 3);
	assert_int_equal(open_drive(), RC_OK);
	assert_true(d.operational);
	end();
}

/* Of the velocities of RPDO 2 that came since, the largest jump from one to the next; ret_last: the newest. */
static double jump(double *ret_last)
{
	double most = 0;

	for (size_t i = 0; i < d.n_last; i++) {
		struct can_message m;
		if (!can_frame_read(d.last[i], &m) || m.id != 0x305)
			continue;
		double v = (int32_t)((uint32_t)m.byte[0] | (uint32_t)m.byte[1] << 8 | (uint32_t)m.byte[2] << 16 |
				     (uint32_t)m.byte[3] << 24);
		most = fmax(most, fabs(v - *ret_last));
		*ret_last = v;
	}
	d.n_last = 0;
	return most;
}

/* The command goes up by 10 rpm a second, to 20 rpm, and the drive comes up after 1 s: 49152 counts a second are 20
 * rpm, and a command each 20 ms changes by 491.5. */
static void a_late_drive_goes_up_the_ramp_from_its_beginning(void **state)
{
	double last = 0, most = 0, at_s = 0;

	(void)state;
	bring_up();
	*object(KEY(0x6061, 0), 1) = 3;
	for (int i = 1; i <= 400; i++) {
		const struct wish ramp = { .mode = DRIVE_SPEED, .speed_rpm = fmin(0.1 * i, 20), .power = true };
		tick(0.01, i < 30 ? 0x250 : i < 60 ? 0x231 : i < 100 ? 0x233 : 0x237, 0, &ramp);
		most = fmax(most, jump(&last));
		if (i == 99)
			assert_true(last < 1);
		at_s = at_s > 0 || last < 49151 ? at_s : 0.01 * i;
	}
	assert_true(fabs(last - 49152) < 1);
	assert_true(most < 1.1 * 2 * 245.8 + 1);
	assert_true(at_s > 2.95 && at_s < 3.1);
	end();
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(it_is_set_up_as_stated),
		cmocka_unit_test(it_is_switched_on_step_by_step),
		cmocka_unit_test(torque_with_its_speed_limit),
		cmocka_unit_test(what_goes_wrong_is_told_and_ends_it),
		cmocka_unit_test(a_code_that_was_asked_before_the_fault_says_nothing),
		cmocka_unit_test(what_is_not_its_word_is_not_taken),
		cmocka_unit_test(a_mode_that_was_commanded_meanwhile),
		cmocka_unit_test(one_of_which_little_is_stated),
		cmocka_unit_test(one_that_is_driven_by_torque_alone),
		cmocka_unit_test(one_that_starts_with_the_contactor),
		cmocka_unit_test(its_line_ends),
		cmocka_unit_test(a_fault_goes_with_the_power),
		cmocka_unit_test(one_that_restarts_again_and_again),
		cmocka_unit_test(one_that_answers_nothing_has_another_number),
		cmocka_unit_test(an_answer_of_the_wrong_kind_is_none),
		cmocka_unit_test(a_word_of_zeros_is_not_off),
		cmocka_unit_test(one_that_falls_silent_is_unheard),
		cmocka_unit_test(a_drive_that_is_not_as_stated_is_refused),
		cmocka_unit_test(a_fault_is_reset_only_when_asked),
		cmocka_unit_test(a_closed_one_that_is_off_has_nobody_to_miss),
		cmocka_unit_test(one_that_takes_no_pdo_is_switched_off_by_sdo),
		cmocka_unit_test(off_does_not_wait_for_the_set_up),
		cmocka_unit_test(its_own_speed_limit_is_given_back),
		cmocka_unit_test(one_without_an_inhibit_time_is_taken),
		cmocka_unit_test(a_late_drive_goes_up_the_ramp_from_its_beginning),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
