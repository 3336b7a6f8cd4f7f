/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The device's end of a line, by hand, for instruments that speak text. */
#ifndef BRIDLE_TESTS_LINE_SCENE_H
#define BRIDLE_TESTS_LINE_SCENE_H

#include "channel/text_pattern.h"
#include "instrument/instrument.h"
#include "tests/unit/instrument/far_end.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <string.h>

static struct mono now;

static struct device {
	struct far_end end;
	struct instrument in;
	struct snapshot snap;
	const char *says; /* at each sleep while it is opened */
} d;

/* What happens at each sleep while it is opened. */
static enum { NOTHING_HAPPENS, LINE_ENDS, CLOCK_FAILS } happens;

static struct mono clock_now(void *ctx)
{
	(void)ctx;
	return now;
}

static inline void say(const char *text)
{
	assert_int_equal(send(d.end.fd, text, strlen(text), 0), strlen(text));
}

static enum rc sleep_until(void *ctx, struct mono until, struct err *err)
{
	(void)ctx;
	now = until;
	if (happens == CLOCK_FAILS)
		return err_set(err, RC_PROTOCOL, 0, "the bench cannot go on");
	if (happens == LINE_ENDS)
		shutdown(d.end.fd, SHUT_RDWR);
	else if (d.says)
		say(d.says);
	return RC_OK;
}

static const struct clock_src a_clock = { .now = clock_now, .sleep_until = sleep_until };

static inline struct text_pattern pattern(const char *text)
{
	struct text_pattern p;
	char why[TEXT_PATTERN_WHY];

	assert_true(text_pattern_read(text, &p, why));
	return p;
}

/* name: of the socket. A line to it, and one second on the clock. */
static inline void device_begin(const char *name, const char *says)
{
	d = (struct device){ .snap = snapshot_blank(), .says = says };
	far_end_open(name, &d.end);
	now.ns = 1000000000;
}

static inline void end(void)
{
	if (d.in.ops)
		d.in.ops->close(d.in.ctx);
	far_end_close(&d.end);
}

/* Its line ends, or the clock's does, while it is waited for: told at once and in the words of what ended. */
static inline void a_wait_that_ends(enum rc (*open)(struct err *err))
{
	for (int i = 0; i < 2; i++) {
		struct err err = { 0 };

		happens = i == 0 ? LINE_ENDS : CLOCK_FAILS;
		enum rc rc = open(&err);
		happens = NOTHING_HAPPENS;
		assert_int_equal(rc, i == 0 ? RC_IO : RC_PROTOCOL);
		assert_non_null(
			strstr(err.what, i == 0 ? "its line ended; check its cable" : "the bench cannot go on"));
		assert_true(now.ns < 1100000000);
		assert_null(d.in.ops);
		end();
	}
}

/* Ticks of 10 ms. */
static inline void look(double for_s)
{
	for (int i = 0; i < (int)(for_s / 0.01 + 0.5); i++) {
		now.ns += 10000000;
		d.in.ops->poll(d.in.ctx, &d.snap);
	}
}

#endif
