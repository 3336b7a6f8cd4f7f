/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The conversation of docs/tether.md, played through a serial port (a pseudo-terminal; run with ptyshim preloaded):
 * what the page says that the host sends must come out of the program byte for byte, what it says that the node sends
 * goes in. */
#include "instrument/node.h"
#include "node/tether.h"

#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include <cmocka.h>

#define ROWS 120
#define PATIENCE_MS 5000

struct play {
	struct {
		bool host;
		char line[TETHER_LINE_MAX + 2];
	} row[ROWS];
	size_t n, at;
	int far_fd, near_fd; /* the node's end; a second look at the host's */
	struct link *link;
	struct clock_src clock;
	int64_t now_us;
};

static void read_page(struct play *p)
{
	FILE *page = fopen(SOURCE_ROOT "/docs/tether.md", "r");
	char text[400];
	bool inside = false;

	assert_non_null(page);
	while (fgets(text, sizeof text, page) != NULL) {
		bool host = strncmp(text, "    host   ", 11) == 0;

		if (strncmp(text, "## ", 3) == 0)
			inside = strcmp(text, "## A conversation\n") == 0;
		if (!inside || (!host && strncmp(text, "    node   ", 11) != 0))
			continue;
		assert_true(p->n < ROWS && strlen(text + 11) <= TETHER_LINE_MAX);
		p->row[p->n].host = host;
		strcpy(p->row[p->n++].line, text + 11);
	}
	fclose(page);
	assert_true(p->n > 40);
}

static void expect_bytes(struct play *p, const char *want)
{
	size_t n = strlen(want), got = 0;
	char buf[TETHER_LINE_MAX + 2];

	while (got < n) {
		struct pollfd look = { .fd = p->far_fd, .events = POLLIN };
		ssize_t more;

		if (poll(&look, 1, PATIENCE_MS) <= 0)
			fail_msg("the page says %s and the program nothing (after %.*s)", want, (int)got, buf);
		more = read(p->far_fd, buf + got, n - got);
		assert_true(more > 0);
		got += (size_t)more;
		if (memcmp(buf, want, got) != 0)
			fail_msg("the page says %s and the program %.*s", want, (int)got, buf);
	}
}

/* The kernel hands a terminal's bytes over in its own time. */
static void await_arrival(struct play *p, int n)
{
	int there = 0;

	for (int i = 0; there < n; i++) {
		assert_int_equal(ioctl(p->near_fd, FIONREAD, &there), 0);
		if (i > PATIENCE_MS)
			fail_msg("%d of %d bytes arrived", there, n);
		if (there < n)
			poll(NULL, 0, 1);
	}
}

/* The host's lines that are next, then the node's up to the host's next. */
static void play_on(struct play *p)
{
	int sent = 0;

	for (; p->at < p->n && p->row[p->at].host; p->at++)
		expect_bytes(p, p->row[p->at].line);
	for (; p->at < p->n && !p->row[p->at].host; p->at++) {
		size_t n = strlen(p->row[p->at].line);

		assert_int_equal(write(p->far_fd, p->row[p->at].line, n), (ssize_t)n);
		sent += (int)n;
	}
	await_arrival(p, sent);
}

static struct mono now(void *ctx)
{
	const struct play *p = ctx;

	return (struct mono){ p->now_us * 1000 };
}

static enum rc sleep_until(void *ctx, struct mono t, struct err *err)
{
	struct play *p = ctx;

	(void)err;
	p->now_us = t.ns / 1000;
	play_on(p);
	return RC_OK;
}

static void set_up(struct play *p)
{
	char address[80];
	struct err err = { 0 };

	read_page(p);
	p->far_fd = posix_openpt(O_RDWR | O_NOCTTY);
	assert_true(p->far_fd >= 0 && grantpt(p->far_fd) == 0 && unlockpt(p->far_fd) == 0);
	snprintf(address, sizeof address, "serial:%s", ptsname(p->far_fd));
	if (link_open(address, 115200, NULL, 1000, &p->link, &err) != RC_OK)
		fail_msg("%s", err.what);
	p->near_fd = open(ptsname(p->far_fd), O_RDWR | O_NOCTTY);
	assert_true(p->near_fd >= 0);
	p->clock = (struct clock_src){ .now = now, .sleep_until = sleep_until, .ctx = p };
	p->now_us = 1000000;
}

static void greet(struct play *p, struct node **ret)
{
	static const struct node_config config = { .fast_Hz = 100,
						   .slow_every = 20,
						   .lease_ms = 300,
						   .pulses_per_rev = 360,
						   .gear_ratio = 7.5,
						   .direction = 1 };
	struct err err = { 0 };
	size_t first;

	/* the newline in front of the first line */
	first = strlen(p->row[0].line);
	memmove(p->row[0].line + 1, p->row[0].line, first + 1);
	p->row[0].line[0] = '\n';
	if (node_open(p->link, &p->clock, &config, ret, &err) != RC_OK || node_start(*ret, &err) != RC_OK)
		fail_msg("%s", err.what);
}

static void refused(struct node *node, const char *request, const char *reason)
{
	struct err err = { 0 };
	char want[120];

	assert_int_equal(node_request(node, request, NULL, 0, &err), RC_SAYS_NO);
	snprintf(want, sizeof want, "the node refuses \"%s\": %s", request, reason);
	assert_string_equal(err.what, want);
}

static void the_pages_conversation_is_the_programs(void **state)
{
	struct play *p = calloc(1, sizeof *p);
	struct node *node = NULL;
	struct snapshot snap = { 0 };
	struct wish wish = { .power = true };
	char words[80];

	(void)state;
	set_up(p);
	greet(p, &node);
	node_poll(node, &snap);
	assert_string_equal(node_caps(node)->name, "lock-7");
	assert_int_equal(snap.cell_count, -1204);
	assert_int_equal(snap.node_state, NODE_IDLE);
	assert_true(snap.estop_ok && snap.cage_closed && !snap.contactor_closed);

	node_set(node, &wish);
	play_on(p);
	node_poll(node, &snap);
	assert_true(snap.contactor_closed);

	p->now_us += 30000;
	wish = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 80, .brake_A = 0.15, .power = true };
	node_set(node, &wish);
	play_on(p); /* up to the node that has stopped by itself */
	node_poll(node, &snap);
	assert_int_equal(snap.cell_count, -1198);
	assert_int_equal(snap.sample_total, 2);
	assert_int_equal(snap.sample_lost, 2);
	assert_int_equal(snap.node_state, NODE_STOPPING);
	assert_string_equal(snap.node_reason, "lease");
	assert_true(fabs(snap.drive_rotor_rpm - 571.2) < 1e-9);

	wish = (struct wish){ 0 };
	node_set(node, &wish);
	play_on(p);
	node_poll(node, &snap);
	assert_int_equal(snap.node_state, NODE_SAFE);
	assert_int_equal(node_request(node, "status", words, sizeof words, NULL), RC_OK);
	assert_string_equal(words, "safe lease 0");
	assert_int_equal(node_request(node, "clear", NULL, 0, NULL), RC_OK);
	node_poll(node, &snap);
	assert_int_equal(snap.node_state, NODE_IDLE);

	refused(node, "hello 2", "version 1");
	refused(node, "fly", "verb");
	refused(node, "rate fast", "args");
	refused(node, "rate 100000 20", "range");
	assert_false(snap.node_reset);
	refused(node, "power on", "estop");
	node_poll(node, &snap);
	assert_true(snap.node_reset);

	assert_int_equal(p->at, p->n);
	assert_int_equal(snap.line_bad, 0);
	node_close(node);
	link_close(p->link);
	close(p->far_fd);
	close(p->near_fd);
	free(p);
}

int main(void)
{
	static const struct CMUnitTest tests[] = { cmocka_unit_test(the_pages_conversation_is_the_programs) };

	return cmocka_run_group_tests(tests, NULL, NULL);
}
