/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The device's end of a line, by hand, for instruments that speak text. */
#ifndef BRIDLE_TESTS_LINE_SCENE_H
#define BRIDLE_TESTS_LINE_SCENE_H

#include "channel/text_pattern.h"
#include "instrument/instrument.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

static struct mono now;

static struct device {
	struct link *link;
	struct instrument in;
	int listening, fd;
	struct snapshot snap;
	char path[64];
	const char *says; /* at each sleep while it is opened */
} d;

static struct mono clock_now(void *ctx)
{
	(void)ctx;
	return now;
}

static inline void say(const char *text)
{
	assert_int_equal(send(d.fd, text, strlen(text), 0), strlen(text));
}

static enum rc sleep_until(void *ctx, struct mono until, struct err *err)
{
	(void)ctx;
	(void)err;
	now = until;
	if (d.says)
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
	struct sockaddr_un where = { .sun_family = AF_UNIX };
	char address[80];

	d = (struct device){ .snap = snapshot_blank(), .says = says };
	snprintf(d.path, sizeof d.path, "/tmp/bridle-%s-%d", name, (int)getpid());
	snprintf(address, sizeof address, "unix:%s", d.path);
	strcpy(where.sun_path, d.path);
	unlink(d.path);
	d.listening = socket(AF_UNIX, SOCK_STREAM, 0);
	assert_int_equal(bind(d.listening, (struct sockaddr *)&where, sizeof where), 0);
	assert_int_equal(listen(d.listening, 1), 0);
	assert_int_equal(link_open(address, 0, NULL, 1000, &d.link, NULL), RC_OK);
	d.fd = accept(d.listening, NULL, NULL);
	now.ns = 1000000000;
}

static inline void end(void)
{
	if (d.in.ops)
		d.in.ops->close(d.in.ctx);
	link_close(d.link);
	close(d.fd);
	close(d.listening);
	unlink(d.path);
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
