/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/line_habit.h"

#include <string.h>

#define PIECE_US 1000

bool line_habit_acts(const struct line_habit *l)
{
	return l->late_us > 0 || l->pieces || l->rubbish_frac > 0 || l->n > 0;
}

static uint64_t dice(struct line_habit *l)
{
	l->dice = l->dice * 6364136223846793005u + 1442695040888963407u;
	return l->dice >> 33;
}

static char spoilt(struct line_habit *l, char byte)
{
	bool hit = (double)(dice(l) % 10000) < 10000 * l->rubbish_frac;

	return hit ? (char)dice(l) : byte;
}

void line_habit_put(struct line_habit *l, const char *bytes, size_t n, int64_t t_us)
{
	for (size_t i = 0; i < n && l->n < LINE_HABIT_ROOM; i++) {
		int64_t due_us = t_us + l->late_us + (l->pieces && i >= n / 2 ? PIECE_US : 0);

		l->byte[l->n] = spoilt(l, bytes[i]);
		l->due_us[l->n++] = due_us;
	}
}

/* In order: what is under way is not overtaken by what is due sooner. */
size_t line_habit_take(struct line_habit *l, int64_t t_us, char *buf, size_t size)
{
	size_t n = 0;

	while (n < size && n < l->n && l->due_us[n] <= t_us)
		n++;
	memcpy(buf, l->byte, n);
	l->n -= n;
	memmove(l->byte, l->byte + n, l->n);
	memmove(l->due_us, l->due_us + n, l->n * sizeof l->due_us[0]);
	return n;
}
