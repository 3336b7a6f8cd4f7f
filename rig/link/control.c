/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/control.h"
#include "link/link_private.h"
#include "node/tether.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define ANSWER_MS 10000 /* a busy machine may take long over the physics of a step */
#define BYTES_MS 2000
#define STEP_US 250000 /* the page promises a bench that no more falls due at once */

struct control {
	struct link *line;
	int version;
	size_t lines; /* that the bench serves; 1 in version 1: the tether */
	char name[CONTROL_LINES][TETHER_LINE_MAX + 1];
	struct link *link[CONTROL_LINES]; /* NULL: nobody of ours reads that line */
	struct tether_reader reader;
	uint8_t seq;
	int64_t now_us;
	char answer[TETHER_LINE_MAX + 1]; /* what the tokens point into */
	char *token[TETHER_TOKENS];
	size_t n;
	bool greeted;
};

/* A second host is told so before it has asked anything: the number says nothing. */
static bool is_busy(const struct control *c)
{
	return !c->greeted && c->n == 3 && strcmp(c->token[1], "no") == 0 && strcmp(c->token[2], "busy") == 0;
}

/* Is the body that was read the answer to the last request? Then it is split. */
static bool is_answer(struct control *c)
{
	int64_t seq;

	strcpy(c->answer, c->reader.line);
	c->n = tether_split(c->answer, c->token);
	if (c->n < 2 || c->token[0][0] != '!' || !tether_decimal(c->token[0] + 1, 0, 255, &seq))
		return false;
	return is_busy(c) || (seq == c->seq && (strcmp(c->token[1], "ok") == 0 || strcmp(c->token[1], "no") == 0));
}

static enum rc read_answer(struct control *c, struct err *err)
{
	int64_t deadline_ms = 0;
	char buf[256];
	size_t n;

	for (;;) {
		enum rc rc = link_read_wait(c->line, buf, sizeof buf, ANSWER_MS, &n, err);

		if (rc != RC_OK)
			return rc;
		for (size_t i = 0; i < n; i++)
			if (tether_feed(&c->reader, buf[i]) && is_answer(c))
				return RC_OK;
		/* Nearly always the answer came in one piece and the clock need not be asked. */
		if (deadline_ms == 0)
			deadline_ms = part_now_ms() + ANSWER_MS;
		if (n == 0 || part_now_ms() > deadline_ms)
			break;
	}
	return err_set(err, RC_TIMEOUT, 0, "%s: the bench did not answer within %d s", link_address(c->line),
		       ANSWER_MS / 1000);
}

/* Sends what is in w and waits for its answer; "no" is an answer too. */
static enum rc ask(struct control *c, struct tether_writer *w, struct err *err)
{
	size_t n = tether_end(w);
	enum rc rc;

	if (n == 0)
		return err_set(err, RC_ARG, 0,
			       "the request is too long for the control line, or has odd characters in it");
	rc = link_write(c->line, w->line, n, ANSWER_MS, err);
	return rc == RC_OK ? read_answer(c, err) : rc;
}

static bool said_ok(const struct control *c)
{
	return strcmp(c->token[1], "ok") == 0;
}

static void begin(struct control *c, struct tether_writer *w)
{
	tether_begin_seq(w, '?', ++c->seq);
}

static enum rc hello(struct control *c, bool more_lines, struct err *err)
{
	struct tether_writer w;
	int64_t number, version = more_lines ? 2 : 1;
	enum rc rc;

	begin(c, &w);
	tether_put_word(&w, "hello");
	tether_put_decimal(&w, version);
	rc = ask(c, &w, err);
	if (rc == RC_IO)
		err_prefix(err, "another program may drive this rig (%s hung up before it greeted): ",
			   link_address(c->line));
	if (rc != RC_OK)
		return rc;
	if (is_busy(c))
		return err_set(err, RC_SAYS_NO, 0, "%s: another program drives this rig; end that one first",
			       link_address(c->line));
	if (!said_ok(c) && c->n == 4 && strcmp(c->token[2], "version") == 0)
		return err_set(
			err, RC_PROTOCOL, 0, "%s: the bench has version %s of the bench clock, this %s version %d",
			link_address(c->line), c->token[3],
			more_lines ? "rig has more lines than the tether and needs" : "program has", (int)version);
	if (!said_ok(c) || c->n < 5 || !tether_decimal(c->token[2], version, version, &number) ||
	    strcmp(c->token[3], "bench") != 0 || !tether_decimal(c->token[4], 0, INT64_MAX, &number))
		return err_set(
			err, RC_PROTOCOL, 0,
			"%s: expected the control line of a virtual bench, which greets with \"ok %d bench SEED\"",
			link_address(c->line), (int)version);
	c->version = (int)version;
	c->greeted = true;
	return RC_OK;
}

static enum rc learn_lines(struct control *c, struct err *err)
{
	struct tether_writer w;

	c->lines = 1;
	if (c->version < 2)
		return RC_OK;
	begin(c, &w);
	tether_put_word(&w, "lines");
	enum rc rc = ask(c, &w, err);
	if (rc != RC_OK)
		return rc;
	if (!said_ok(c) || c->n < 3 || c->n - 2 > CONTROL_LINES)
		return err_set(err, RC_PROTOCOL, 0, "%s: expected the names of 1 to %d lines from the bench",
			       link_address(c->line), CONTROL_LINES);
	c->lines = c->n - 2;
	for (size_t i = 0; i < c->lines; i++)
		strcpy(c->name[i], c->token[2 + i]);
	return RC_OK;
}

static enum rc greet(struct control *c, bool more_lines, struct err *err)
{
	struct tether_writer w;
	enum rc rc = hello(c, more_lines, err);

	if (rc == RC_OK)
		rc = learn_lines(c, err);
	if (rc != RC_OK)
		return rc;
	begin(c, &w);
	tether_put_word(&w, "now");
	rc = ask(c, &w, err);
	if (rc != RC_OK)
		return rc;
	if (!said_ok(c) || c->n < 3 || !tether_decimal(c->token[2], 0, INT64_MAX, &c->now_us))
		return err_set(err, RC_PROTOCOL, 0, "%s: the bench sends no time", link_address(c->line));
	return RC_OK;
}

enum rc control_open(const char *address, const char *base, bool more_lines, int timeout_ms, struct control **ret,
		     struct err *err)
{
	struct control *c;
	enum rc rc;

	if (strncmp(address, "serial:", 7) == 0)
		return err_set(err, RC_ARG, 0, "control line \"%s\": expected tcp:HOST:PORT or unix:PATH", address);
	c = calloc(1, sizeof *c);
	if (c == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for the control line");
	rc = link_open(address, 0, base, timeout_ms, &c->line, err);
	if (rc == RC_OK)
		rc = greet(c, more_lines, err);
	if (rc != RC_OK) {
		control_close(c);
		return rc;
	}
	*ret = c;
	return RC_OK;
}

void control_close(struct control *control)
{
	if (control == NULL)
		return;
	link_close(control->line);
	free(control);
}

void control_set_tether(struct control *control, struct link *tether)
{
	control->link[0] = tether;
}

enum rc control_add_line(struct control *control, const char *name, struct link *link, struct err *err)
{
	for (size_t i = 1; i < control->lines; i++)
		if (strcmp(control->name[i], name) == 0) {
			control->link[i] = link;
			return RC_OK;
		}
	return err_set(err, RC_PROTOCOL, 0,
		       "%s: the bench serves no line \"%s\"; start it anew, so that it reads rig.ini again",
		       link_address(control->line), name);
}

/* The words after "no", for people. */
static void reason(const struct control *c, char *buf, size_t size)
{
	size_t at = 0;

	buf[0] = '\0';
	for (size_t i = 2; i < c->n && at < size; i++)
		at += (size_t)snprintf(buf + at, size - at, "%s%s", i > 2 ? " " : "", c->token[i]);
}

enum rc control_hand(struct control *control, struct err *err, const char *format, ...)
{
	struct tether_writer w;
	char request[TETHER_LINE_MAX], why[TETHER_LINE_MAX];
	va_list args;
	enum rc rc;
	int n;

	va_start(args, format);
	n = vsnprintf(request, sizeof request, format, args);
	va_end(args);
	begin(control, &w);
	tether_put_word(&w, "hand");
	tether_put_words(&w, n < (int)sizeof request ? request : "");
	rc = ask(control, &w, err);
	if (rc != RC_OK || said_ok(control))
		return rc;
	reason(control, why, sizeof why);
	return err_set(err, RC_SAYS_NO, 0, "the bench refuses \"hand %s\": %s", request, why);
}

/* What the bench has sent on each line is taken in before anybody goes on. */
static enum rc pull(struct control *c, struct err *err)
{
	for (size_t i = 0; i < c->lines; i++) {
		int64_t sent;

		if (!tether_decimal(c->token[3 + i], 0, INT64_MAX, &sent))
			return err_set(err, RC_PROTOCOL, 0, "%s: expected %zu byte counts from the bench",
				       link_address(c->line), c->lines);
		if (c->link[i] == NULL)
			continue;
		enum rc rc = link_pull(c->link[i], (uint64_t)sent, BYTES_MS, err);
		/* A line that hung up does not stop the bench's time: its reader sees it. */
		if (rc != RC_OK && rc != RC_IO)
			return rc;
	}
	return RC_OK;
}

static enum rc advance(struct control *c, int64_t to_us, struct err *err)
{
	struct tether_writer w;
	int64_t time_us;
	char why[TETHER_LINE_MAX];
	enum rc rc;

	begin(c, &w);
	tether_put_word(&w, "advance");
	tether_put_decimal(&w, to_us);
	for (size_t i = 0; i < c->lines; i++)
		tether_put_decimal(&w, c->link[i] != NULL ? (int64_t)link_bytes_written(c->link[i]) : 0);
	rc = ask(c, &w, err);
	if (rc != RC_OK)
		return rc;
	if (!said_ok(c)) {
		reason(c, why, sizeof why);
		return err_set(err, RC_PROTOCOL, 0, "%s: the bench cannot go on: %s", link_address(c->line), why);
	}
	if (c->n < 3 + c->lines || !tether_decimal(c->token[2], to_us, INT64_MAX, &time_us))
		return err_set(err, RC_PROTOCOL, 0, "%s: expected \"ok %lld SENT\" from the bench",
			       link_address(c->line), (long long)to_us);
	c->now_us = time_us;
	return pull(c, err);
}

static struct mono bench_now(void *ctx)
{
	const struct control *c = ctx;

	return (struct mono){ c->now_us * 1000 };
}

static struct wall bench_wall(void *ctx)
{
	struct timespec t;

	(void)ctx;
	clock_gettime(CLOCK_REALTIME, &t);
	return (struct wall){ (int64_t)t.tv_sec * 1000000000 + t.tv_nsec };
}

static enum rc bench_sleep_until(void *ctx, struct mono t, struct err *err)
{
	struct control *c = ctx;
	int64_t to_us = t.ns / 1000 + (t.ns % 1000 > 0);

	while (c->now_us < to_us) {
		enum rc rc = advance(c, to_us - c->now_us > STEP_US ? c->now_us + STEP_US : to_us, err);

		if (rc != RC_OK)
			return rc;
	}
	return RC_OK;
}

static void bench_free(void *ctx)
{
	(void)ctx;
}

struct clock_src clock_bench(struct control *control)
{
	return (struct clock_src){ .now = bench_now,
				   .wall = bench_wall,
				   .sleep_until = bench_sleep_until,
				   .free = bench_free,
				   .ctx = control,
				   .is_bench = true };
}
