/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/hang_book.h"

#include <math.h>
#include <string.h>

size_t hang_book_begin(struct hang_book *b, size_t n_loads, int n_series, const double *torque_Nm)
{
	memset(b, 0, sizeof *b);
	b->n = hang_plan(n_loads, n_series, b->item);
	b->n_loads = n_loads;
	b->n_series = n_series;
	for (size_t k = 0; b->n > 0 && k <= n_loads; k++)
		b->torque_Nm[k] = torque_Nm[k];
	return b->n;
}

size_t hang_book_next(const struct hang_book *b)
{
	size_t i = 0;

	while (i < b->n && b->taken[i].there)
		i++;
	return i;
}

static size_t clear(struct hang_book *b, size_t i)
{
	bool there = b->taken[i].there;

	b->taken[i] = (struct hang_taken){ .there = false };
	return there ? 1 : 0;
}

size_t hang_book_back(struct hang_book *b, size_t count, bool mounted)
{
	size_t next = hang_book_next(b), done = 0;

	if (next == 0)
		return 0;
	int position = b->item[mounted && next < b->n ? next : next - 1].position;
	while (done < count && next > 0 && b->item[next - 1].position == position)
		done += clear(b, --next);
	return done;
}

size_t hang_book_drop(struct hang_book *b, int series)
{
	size_t done = 0;

	for (size_t i = 0; i < b->n; i++)
		if (b->item[i].series == series)
			done += clear(b, i);
	return done;
}

bool hang_book_whole(const struct hang_book *b, int series)
{
	for (size_t i = 0; i < b->n; i++)
		if (b->item[i].series == series && !b->taken[i].there)
			return false;
	return true;
}

size_t hang_book_drop_unfinished(struct hang_book *b)
{
	size_t done = 0;

	for (int series = 1; series <= b->n_series; series++)
		if (!hang_book_whole(b, series))
			done += hang_book_drop(b, series);
	return done;
}

/* From item i - 1 to item i inside one series. */
static bool change_of(const struct hang_book *b, size_t i, struct hang_change *ret)
{
	if (i == 0 || !b->taken[i].there || !b->taken[i - 1].there || b->item[i].series != b->item[i - 1].series)
		return false;
	ret->expected_Nm = b->torque_Nm[b->item[i].load] - b->torque_Nm[b->item[i - 1].load];
	ret->found_count = b->taken[i].indication - b->taken[i - 1].indication;
	ret->found_Nm = NAN;
	return true;
}

/* Counts per N·m by the changes from item to item of one series so far, item i and later left out; NaN when there is
 * none. */
static double slope_before(const struct hang_book *b, size_t i)
{
	double cross = 0, square = 0;

	for (size_t k = 1; k < i; k++) {
		struct hang_change c;
		if (!change_of(b, k, &c))
			continue;
		cross += c.expected_Nm * c.found_count;
		square += c.expected_Nm * c.expected_Nm;
	}
	return square > 0 ? cross / square : NAN;
}

/* Counts below which a change is none. */
static double least_count(const struct hang_book *b, size_t i, const struct hang_change *c)
{
	double noise = HANG_NOISES * hypot(b->taken[i].u, b->taken[i - 1].u);

	return fmax(noise, HANG_LEAST_COUNTS * fabs(c->expected_Nm) / b->torque_Nm[b->n_loads]);
}

static enum hang_doubt without_slope(const struct hang_book *b, size_t i, const struct hang_change *c)
{
	if (!(fabs(c->found_count) > least_count(b, i, c)))
		return HANG_DID_NOT_MOVE;
	return c->found_count * c->expected_Nm > 0 ? HANG_PLAUSIBLE : HANG_WRONG_WAY;
}

static enum hang_doubt with_slope(const struct hang_book *b, const struct hang_change *c)
{
	double most = b->torque_Nm[b->n_loads], step = fabs(c->expected_Nm);
	double limit = fmax(fmin(HANG_FAR_FRAC * most, HANG_FAR_STEP_FRAC * step), HANG_FAR_LEAST_FRAC * most);

	if (fabs(c->found_Nm - c->expected_Nm) <= limit)
		return HANG_PLAUSIBLE;
	if (fabs(c->found_Nm) < HANG_MOVED_FRAC * step)
		return HANG_DID_NOT_MOVE;
	return c->found_Nm * c->expected_Nm < 0 ? HANG_WRONG_WAY : HANG_FAR_OFF;
}

enum hang_doubt hang_book_doubt(const struct hang_book *b, size_t i, struct hang_change *ret_change)
{
	struct hang_change c;
	double slope = slope_before(b, i);

	if (!change_of(b, i, &c) || !(fabs(c.expected_Nm) > 0))
		return HANG_PLAUSIBLE;
	bool known = fabs(slope * c.expected_Nm) > least_count(b, i, &c);
	c.found_Nm = known ? c.found_count / slope : NAN;
	if (ret_change)
		*ret_change = c;
	return known ? with_slope(b, &c) : without_slope(b, i, &c);
}
