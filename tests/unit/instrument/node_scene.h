/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A scripted node at the far end of a real socket, and a clock that the test owns: no threads, no waiting. Shared by
 * the tests of instrument/node.h. */
#ifndef BRIDLE_TESTS_NODE_SCENE_H
#define BRIDLE_TESTS_NODE_SCENE_H

#include "instrument/node.h"
#include "node/tether.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define KEPT 400

struct fake {
	char folder[40], path[60];
	int listen_fd, fd;
	struct link *link;
	struct clock_src clock;
	int64_t now_us;        /* host's */
	int64_t node_ahead_us; /* node's clock less host's */
	struct tether_reader reader;
	char heard[KEPT][TETHER_LINE_MAX]; /* bodies of requests, in order */
	size_t n;
	/* behaviour */
	const char *hello, *cell_info, *caps, *refuse_set, *refuse_power, *lines_info, *drive_info, *temp_info;
	const char *odd_request, *odd_answer; /* that request alone is answered so; NULL: it hangs up */
	bool clock_fails;                     /* while the host sleeps */
	int deaf;                             /* so many requests are not heard */
	bool sets_silent;                     /* sets are obeyed but not acknowledged */
	uint8_t ack, number, conversion, event;
	uint16_t pulses;
	int32_t cell;
	unsigned lines;
};

static inline void say_bytes(struct fake *f, const char *bytes, size_t n)
{
	assert_int_equal(send(f->fd, bytes, n, MSG_NOSIGNAL), (ssize_t)n);
}

static inline void say(struct fake *f, const char *body)
{
	char line[200];
	int n = snprintf(line, sizeof line, "%s =%04X\n", body, tether_crc(body, strlen(body)));

	say_bytes(f, line, (size_t)n);
}

static inline uint32_t node_t(const struct fake *f)
{
	return (uint32_t)(f->now_us + f->node_ahead_us);
}

/* A fast sample taken back_us ago. */
static inline void say_fast(struct fake *f, int64_t back_us)
{
	char body[120];

	snprintf(body, sizeof body, "F %02x %08x %d %02x %04x 1000 150 24000 412 %02x", f->number,
		 (uint32_t)(node_t(f) - back_us), f->cell, f->conversion, f->pulses, f->ack);
	say(f, body);
}

static inline void say_slow(struct fake *f, const char *state, const char *reason)
{
	char body[120];

	snprintf(body, sizeof body, "S %02x %x %s %s 03 6000 1500 512 - 300 -", f->number, f->lines, state, reason);
	say(f, body);
}

static inline void reply(struct fake *f, int seq, const char *words)
{
	char body[120];

	snprintf(body, sizeof body, "!%d %s", seq, words);
	say(f, body);
}

static inline void hear(struct fake *f, const char *body)
{
	int seq, at = 0;
	const char *verb;

	assert_true(f->n < KEPT);
	strcpy(f->heard[f->n++], body);
	assert_int_equal(sscanf(body, "?%d %n", &seq, &at), 1);
	verb = body + at;
	if (f->deaf > 0) {
		f->deaf--;
		return;
	}
	if (f->odd_request && strcmp(verb, f->odd_request) == 0) {
		if (f->odd_answer)
			reply(f, seq, f->odd_answer);
		else
			shutdown(f->fd, SHUT_RDWR);
	} else if (strncmp(verb, "hello", 5) == 0) {
		size_t n = strcspn(f->hello, "*"); /* which stands for the node's clock */
		char words[80];

		if (f->hello[n] == '*')
			snprintf(words, sizeof words, "%.*s%08x", (int)n, f->hello, node_t(f));
		else
			snprintf(words, sizeof words, "%s", f->hello);
		reply(f, seq, words);
	} else if (strcmp(verb, "caps") == 0) {
		reply(f, seq, f->caps);
	} else if (strcmp(verb, "info cell") == 0) {
		reply(f, seq, f->cell_info);
	} else if (strcmp(verb, "info pick") == 0) {
		reply(f, seq, "ok quad");
	} else if (strcmp(verb, "info brake") == 0) {
		reply(f, seq, "ok 1200");
	} else if (strcmp(verb, "info meter") == 0) {
		reply(f, seq, "ok");
	} else if (strcmp(verb, "info drive") == 0) {
		reply(f, seq, f->drive_info ? f->drive_info : "ok speed current");
	} else if (strcmp(verb, "info temp") == 0) {
		reply(f, seq, f->temp_info ? f->temp_info : "ok brake winding case");
	} else if (strcmp(verb, "info lines") == 0) {
		reply(f, seq, f->lines_info ? f->lines_info : "ok estop guard contactor");
	} else if (strcmp(verb, "info clock") == 0) {
		reply(f, seq, "ok 1000");
	} else if (strncmp(verb, "set", 3) == 0) {
		if (f->refuse_set != NULL)
			reply(f, seq, f->refuse_set);
		else if (!f->sets_silent)
			f->ack = (uint8_t)seq;
	} else if (strncmp(verb, "power on", 8) == 0 && f->refuse_power != NULL) {
		reply(f, seq, f->refuse_power);
	} else if (strncmp(verb, "rate", 4) == 0 || strncmp(verb, "power", 5) == 0 || strcmp(verb, "clear") == 0) {
		reply(f, seq, "ok");
	} else if (strcmp(verb, "status") == 0) {
		reply(f, seq, "ok idle none 3");
	} else {
		reply(f, seq, "no verb");
	}
}

static inline void act(struct fake *f)
{
	char buf[4096];
	ssize_t n;

	while ((n = recv(f->fd, buf, sizeof buf, MSG_DONTWAIT)) > 0)
		for (ssize_t i = 0; i < n; i++)
			if (tether_feed(&f->reader, buf[i]))
				hear(f, f->reader.line);
}

static inline struct mono fake_now(void *ctx)
{
	const struct fake *f = ctx;

	return (struct mono){ f->now_us * 1000 };
}

static inline enum rc fake_sleep_until(void *ctx, struct mono t, struct err *err)
{
	struct fake *f = ctx;

	act(f);
	if (f->clock_fails)
		return err_set(err, RC_PROTOCOL, 0, "the bench cannot go on");
	if (t.ns / 1000 > f->now_us)
		f->now_us = t.ns / 1000;
	return RC_OK;
}

static inline int set_up(void **state)
{
	struct fake *f = calloc(1, sizeof *f);
	struct sockaddr_un to = { .sun_family = AF_UNIX };
	char address[80];

	strcpy(f->folder, "/tmp/bridle-node-XXXXXX");
	assert_non_null(mkdtemp(f->folder));
	snprintf(f->path, sizeof f->path, "%s/s", f->folder);
	strcpy(to.sun_path, f->path);
	f->listen_fd = socket(AF_UNIX, SOCK_STREAM, 0);
	assert_int_equal(bind(f->listen_fd, (struct sockaddr *)&to, sizeof to), 0);
	assert_int_equal(listen(f->listen_fd, 1), 0);
	snprintf(address, sizeof address, "unix:%s", f->path);
	assert_int_equal(link_open(address, 0, NULL, 1000, &f->link, NULL), RC_OK);
	f->fd = accept(f->listen_fd, NULL, NULL);
	f->clock = (struct clock_src){ .now = fake_now, .sleep_until = fake_sleep_until, .ctx = f };
	f->now_us = 5000000;
	f->node_ahead_us = 123456789;
	f->hello = "ok 1 lock-7 3f2a *";
	f->caps = "ok cell pick brake meter drive temp lines clock";
	f->cell_info = "ok 24 80";
	f->lines = 3;
	*state = f;
	return 0;
}

static inline int tear_down(void **state)
{
	struct fake *f = *state;

	link_close(f->link);
	close(f->fd);
	close(f->listen_fd);
	unlink(f->path);
	rmdir(f->folder);
	free(f);
	return 0;
}

static const struct node_config config = {
	.fast_Hz = 100,
	.slow_every = 20,
	.lease_ms = 300,
	.pulses_per_rev = 360,
	.gear_ratio = 7.5,
	.direction = 1,
};

static inline struct node *greeted_as(struct fake *f, const struct node_config *of)
{
	struct node *node = NULL;
	struct err err = { 0 };

	if (node_open(f->link, &f->clock, of, &node, &err) != RC_OK || node_start(node, &err) != RC_OK)
		fail_msg("%s", err.what);
	return node;
}

static inline struct node *greeted(struct fake *f)
{
	return greeted_as(f, &config);
}

/* One tick of 10 ms: the node has sent its sample, the host looks. */
static inline void tick(struct fake *f, struct node *node, struct snapshot *snap)
{
	f->now_us += 10000;
	act(f);
	f->number++;
	say_fast(f, 0);
	node_poll(node, snap);
}

static inline size_t count_heard(const struct fake *f, const char *words)
{
	size_t n = 0;

	for (size_t i = 0; i < f->n; i++)
		n += strcmp(strchr(f->heard[i], ' ') + 1, words) == 0;
	return n;
}

static inline const char *last_heard(const struct fake *f)
{
	return strchr(f->heard[f->n - 1], ' ') + 1;
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

#endif
