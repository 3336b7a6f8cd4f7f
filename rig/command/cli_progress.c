/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/cli.h"

#include <math.h>
#include <poll.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define REDRAW_NS 100000000
#define BAR 20      /* longest bar; a narrow terminal keeps its columns for the numbers */
#define BAR_LEAST 5
#define LINE 400

struct progress {
	char title[48];
	char last[LINE];   /* the moving line as drawn */
	bool quiet, moving; /* moving: on a terminal */
	bool hurry;
	int next_tenth;
	int64_t drawn_ns;
};

static int64_t machine_ns(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

struct progress *progress_new(const char *title, bool quiet)
{
	struct progress *p = calloc(1, sizeof *p);
	const char *term = getenv("TERM");

	if (!p)
		return NULL;
	snprintf(p->title, sizeof p->title, "%s", title);
	p->quiet = quiet;
	p->moving = isatty(STDERR_FILENO) && !(term && strcmp(term, "dumb") == 0);
	p->next_tenth = 1;
	p->drawn_ns = INT64_MIN / 2;
	return p;
}

static void remaining_text(double s, char *buf, size_t size)
{
	if (!(s >= 0) || !(s < 1e6)) {
		buf[0] = '\0';
		return;
	}
	long all = lround(ceil(s)), h = all / 3600, m = all / 60 % 60;
	if (h > 0)
		snprintf(buf, size, "%ld:%02ld:%02ld left", h, m, all % 60);
	else
		snprintf(buf, size, "%ld:%02ld left", m, all % 60);
}

/* Cut to a number of columns, counting each UTF-8 character as one; newlines become spaces. */
static void fit(char *line, int columns)
{
	int column = 0;

	for (char *at = line; *at; at++) {
		if ((*at & 0xC0) != 0x80 && column++ == columns) {
			*at = '\0';
			return;
		}
		if ((unsigned char)*at < 0x20)
			*at = ' ';
	}
}

static int columns(const char *text)
{
	int n = 0;

	for (; *text; text++)
		n += (*text & 0xC0) != 0x80;
	return n;
}

static void draw(struct progress *p, double frac, const char *left, const char *detail)
{
	char bar[BAR + 1], rest[LINE - 80];

	snprintf(rest, sizeof rest, " %3d %% %s%s %s", (int)(frac * 100), *left ? " " : "", left, detail);
	int room = cli_width() - 1 - columns(p->title) - 3 - columns(rest);
	int length = room > BAR ? BAR : room < BAR_LEAST ? BAR_LEAST : room;
	memset(bar, '.', (size_t)length);
	memset(bar, '=', (size_t)(frac * length));
	bar[length] = '\0';
	snprintf(p->last, sizeof p->last, "%s [%s]%s", p->title, bar, rest);
	fit(p->last, cli_width() - 1);
	fprintf(stderr, "\r%s\033[K", p->last);
	fflush(stderr);
}

/* Writable is a pipe with room for PIPE_BUF bytes, more than is ever written at once, and a terminal that is not held. */
static bool is_shut(const struct progress *p)
{
	struct pollfd out = { .fd = STDERR_FILENO, .events = POLLOUT };

	return p->quiet || (p->hurry && (poll(&out, 1, 0) != 1 || !(out.revents & POLLOUT)));
}

void progress_hurry(struct progress *p, bool on)
{
	if (p)
		p->hurry = on;
}

void progress_update(struct progress *p, double frac, double remaining_s, const char *detail)
{
	char left[40];

	if (!p || is_shut(p))
		return;
	frac = frac > 0 ? frac : 0; /* NaN too */
	frac = frac < 1 ? frac : 1;
	remaining_text(remaining_s, left, sizeof left);
	if (p->moving) {
		int64_t now = machine_ns();
		if (now - p->drawn_ns < REDRAW_NS && frac < 1)
			return;
		p->drawn_ns = now;
		draw(p, frac, left, detail ? detail : "");
		return;
	}
	int tenth = (int)(frac * 10 + 1e-9);
	if (tenth < p->next_tenth)
		return;
	p->next_tenth = tenth + 1;
	fprintf(stderr, "%s: %d %%%s%s%s%s\n", p->title, tenth * 10, *left ? ", " : "", left,
		detail && *detail ? ", " : "", detail ? detail : "");
}

void progress_line(struct progress *p, const char *format, ...)
{
	va_list args;

	if (!p || is_shut(p))
		return;
	if (p->moving)
		fputs("\r\033[K", stderr);
	va_start(args, format);
	vfprintf(stderr, format, args);
	va_end(args);
	fputc('\n', stderr);
	if (p->moving)
		fprintf(stderr, "%s", p->last);
	fflush(stderr);
}

void progress_clear(struct progress *p)
{
	if (!p || p->quiet || !p->moving || !p->last[0])
		return;
	fputs("\r\033[K", stderr);
	fflush(stderr);
	p->last[0] = '\0';
}

void progress_free(struct progress *p)
{
	progress_clear(p);
	free(p);
}
