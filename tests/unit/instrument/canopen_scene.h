/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive by hand: a store of objects that answers SDO frames by the bytes of CiA 301, and nothing of the bench. */
#ifndef BRIDLE_TESTS_CANOPEN_SCENE_H
#define BRIDLE_TESTS_CANOPEN_SCENE_H

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

static inline void say(const char *text)
{
	assert_int_equal(send(d.end.fd, text, strlen(text), 0), strlen(text));
}

static inline void say_frame(uint32_t id, const uint8_t *byte, uint8_t n)
{
	struct can_message m = { .id = id, .n = n };
	char line[CAN_FRAME_LINE];

	memcpy(m.byte, byte, n);
	(void)can_frame_put(&m, line);
	say(line);
}

static inline void serve(const struct can_message *m)
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

static inline void take_line(void)
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

static inline void run_device(void)
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
static inline void tell(unsigned status, int32_t velocity, int16_t current)
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

static inline struct mono clock_now(void *ctx)
{
	(void)ctx;
	return now;
}

static inline enum rc sleep_until(void *ctx, struct mono until, struct err *err)
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

static inline void begin(void)
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

static inline enum rc open_drive(void)
{
	const struct instrument_config config = {
		.name = "canopen-drive m", .roles = ROLE_DRIVE, .number = 2, .period_s = 0.02, .canopen_drive = &d.setup
	};

	return canopen_drive_open(&config, d.end.link, &a_clock, &d.in, &d.err);
}

static inline void end(void)
{
	if (d.in.ops)
		d.in.ops->close(d.in.ctx);
	far_end_close(&d.end);
}

/* Ticks of 10 ms with this status; the set-point at each. */
static inline void tick(double for_s, unsigned status, int32_t velocity, const struct wish *wish)
{
	for (int i = 0; i < (int)(for_s / 0.01 + 0.5); i++) {
		now.ns += 10000000;
		tell(status, velocity, 500);
		d.in.ops->poll(d.in.ctx, &d.snap);
		d.in.ops->set(d.in.ctx, wish);
		run_device();
	}
}

static inline bool heard(const char *frame)
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

static inline void bring_up(void)
{
	begin();
	assert_int_equal(open_drive(), RC_OK);
	tick(0.1, 0x250, 0, &off);
	assert_true(heard("t2053000003"));
}

static inline void enable(void)
{
	bring_up();
	*object(KEY(0x6061, 0), 1) = 3;
	for (unsigned i = 0; i < 3; i++)
		tick(0.1, (const unsigned[]){ 0x250, 0x231, 0x233 }[i], 0, &speed);
	tick(0.1, 0x237, 24576, &speed);
	assert_string_equal(d.in.error, "");
	d.n_last = 0;
}

static inline void says(const char *words)
{
	assert_true(d.snap.drive_flags & DRIVE_FAULT);
	if (strstr(d.in.error, words) == NULL)
		fail_msg("\"%s\" does not say \"%s\"", d.in.error, words);
}

#endif
