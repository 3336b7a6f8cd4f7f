/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/cli.h"
#include "terminal/live_line.h"

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
#define LINE 400

struct progress {
	char title[48];
	char last[LINE];    /* the moving line as drawn */
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

static int columns(const char *text)
{
	int n = 0;

	for (; *text; text++)
		n += (*text & 0xC0) != 0x80;
	return n;
}

static void draw(struct progress *p, const struct live_line *line)
{
	live_line_text(line, cli_width() - 1, p->last, sizeof p->last);
	fprintf(stderr, "\r%s\033[K", p->last);
	fflush(stderr);
}

/* Writable is a pipe with room for PIPE_BUF bytes, more than is ever written at once, and a terminal that is not held.
 */
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

/* Not a terminal: a line at each tenth, which nobody has to fit anywhere. */
static void tell_tenth(struct progress *p, double frac, struct live_line *line)
{
	int tenth = (int)(frac * 10 + 1e-9);
	char text[LINE];

	if (tenth < p->next_tenth)
		return;
	p->next_tenth = tenth + 1;
	line->title = line->stop = "";
	line->frac = NAN;
	live_line_text(line, LINE / 4, text, sizeof text);
	fprintf(stderr, "%s: %d %%%s%s\n", p->title, tenth * 10, *text ? ", " : "", text);
}

void progress_update(struct progress *p, const struct live_line *given)
{
	struct live_line line = *given;

	if (!p || is_shut(p))
		return;
	line.title = p->title;
	line.frac = line.frac > 0 ? line.frac : 0; /* NaN too */
	line.frac = line.frac < 1 ? line.frac : 1;
	line.stop = cli_how_to_stop();
	if (!p->moving) {
		tell_tenth(p, line.frac, &line);
		return;
	}
	int64_t now = machine_ns();
	if (now - p->drawn_ns < REDRAW_NS && line.frac < 1)
		return;
	p->drawn_ns = now;
	draw(p, &line);
}

void progress_line(struct progress *p, const char *format, ...)
{
	char text[4 * LINE];
	va_list args;

	if (!p || is_shut(p))
		return;
	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	if (p->moving)
		fputs("\r\033[K", stderr);
	if (p->moving && columns(text) > cli_width() - 1)
		cli_wrapped(stderr, cli_width() - 1, "", "  ", text);
	else
		fprintf(stderr, "%s\n", text);
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
