/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pack/pack_check_private.h"
#include "reports/pack/pack_private.h"

#include "channel/event.h"

#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TENS 27 /* 10 to this power is exact in 64 bits of mantissa */

/* --- one number, up to the character that ends it --- */
static bool is_whole(const char **at, int64_t expected, char end)
{
	bool minus = **at == '-';
	const char *p = *at + minus;
	uint64_t value = 0;
	int n = 0;

	for (; *p >= '0' && *p <= '9' && n < 20; p++, n++)
		value = 10 * value + (uint64_t)(*p - '0');
	if (n == 0 || *p != end)
		return false;
	*at = p + 1;
	return (minus ? 0 - value : value) == (uint64_t)expected;
}

/* The number of up to 19 digits with a point among them, nearest but for a half of the last place; NaN: it takes
 * strtod. *ret_end: what stands behind. */
static double quotient(const char *p, const char **ret_end)
{
	static const long double tens[TENS + 1] = { 1e0L,  1e1L,  1e2L,  1e3L,  1e4L,  1e5L,  1e6L,
						    1e7L,  1e8L,  1e9L,  1e10L, 1e11L, 1e12L, 1e13L,
						    1e14L, 1e15L, 1e16L, 1e17L, 1e18L, 1e19L, 1e20L,
						    1e21L, 1e22L, 1e23L, 1e24L, 1e25L, 1e26L, 1e27L };
	bool minus = *p == '-';
	uint64_t whole = 0;
	const char *begin = p + minus, *point = NULL;
	int n = 0;

	for (p = begin; (*p >= '0' && *p <= '9') || (*p == '.' && !point); p++) {
		if (*p == '.') {
			point = p;
			continue;
		}
		whole = 10 * whole + (uint64_t)(*p - '0');
		n += whole > 0;
	}
	*ret_end = p;
	ptrdiff_t decimals = point ? p - point - 1 : 0;
	if (n > 19 || decimals > TENS || p == begin + (point != NULL))
		return NAN;
	double value = (double)((long double)whole / tens[decimals]);
	return minus ? -value : value;
}

static bool same(double a, double b)
{
	return a <= b && a >= b;
}

static bool is_real(const char **at, double expected, char end)
{
	const char *text = *at, *stop;
	char *after;

	if (*text == end) {
		*at = text + 1;
		return !isfinite(expected);
	}
	bool is = same(quotient(text, &stop), expected) && *stop == end;
	if (!is) {
		is = same(strtod(text, &after), expected) && *after == end;
		stop = after;
	}
	*at = stop + 1;
	return is;
}

/* The columns of pack_put_sample. */
static bool is_row(const char **at, size_t window, const struct sample *s)
{
	const int64_t first[] = { (int64_t)window, s->mono_ns,          (int64_t)s->node_us,
				  s->cell_count,   s->cell_conversions, s->pulses };
	const double then[] = { s->edge_time_s,  s->voltage_V,       s->current_A,   s->ripple_W,
				s->brake_A,      s->drive_rotor_rpm, s->drive_A,     s->temp_degC[0],
				s->temp_degC[1], s->temp_degC[2],    s->temp_degC[3] };

	for (size_t i = 0; i < sizeof first / sizeof first[0]; i++)
		if (!is_whole(at, first[i], ','))
			return false;
	for (size_t i = 0; i < sizeof then / sizeof then[0]; i++)
		if (!is_real(at, then[i], ','))
			return false;
	return is_whole(at, s->repeats, ',') && is_whole(at, s->drive_flags, '\n');
}

/* --- the table --- */
struct rows {
	struct pack_check *check;
	const char *at;
	size_t line, window;
	bool ended; /* at a row that differs */
};

static void row_differs(struct rows *r, const char *expected)
{
	const char *found = *r->at ? r->at : "nothing more";
	char name[60], published[80];

	snprintf(name, sizeof name, PACK_SAMPLES " line %zu", r->line);
	snprintf(published, sizeof published, "%.*s", (int)strcspn(found, "\n"), found);
	pack_check_differ(r->check, name, published, expected);
	r->ended = true;
}

static bool next_row(void *ctx, const struct sample *s)
{
	struct rows *r = ctx;
	const char *begin = r->at;
	char *expected = NULL;
	size_t size = 0;

	if (is_row(&r->at, r->window, s)) {
		r->line++;
		return true;
	}
	r->at = begin;
	FILE *f = open_memstream(&expected, &size);
	if (f) {
		pack_put_sample(f, r->window, s);
		fclose(f);
	}
	if (expected)
		expected[strcspn(expected, "\n")] = '\0';
	row_differs(r, expected ? expected : "");
	free(expected);
	return false;
}

enum rc pack_check_samples(struct pack_check *c, const char *text, struct logbook *lb, int64_t run_id, struct err *err)
{
	struct rows r = { .check = c, .at = text, .line = 1 };
	struct seq_point *points = NULL;
	int64_t *run_of = NULL;
	size_t n = 0, head = strlen(pack_samples_head);
	enum rc rc = logbook_points(lb, run_id, &points, &run_of, &n, err);

	if (rc == RC_OK && strncmp(text, pack_samples_head, head) != 0)
		row_differs(&r, pack_samples_head);
	r.at += r.ended ? 0 : head;
	r.line += !r.ended;
	for (size_t i = 0; i < n && rc == RC_OK && !r.ended; i++) {
		r.window = i + 1;
		rc = logbook_each_sample(lb, run_of[i], points[i].begin.ns, points[i].end.ns, next_row, &r, err);
	}
	if (rc == RC_OK && !r.ended && *r.at)
		row_differs(&r, "nothing more");
	free(points);
	free(run_of);
	return rc;
}
