/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/nearest.h"

#include <string.h>

#define LONGEST 40

static char lower(char c)
{
	return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

static size_t smaller(size_t a, size_t b)
{
	return a < b ? a : b;
}

/* Optimal string alignment. */
static size_t distance(const char *a, size_t na, const char *b, size_t nb)
{
	size_t row[3][LONGEST + 1];
	size_t *above2 = row[0], *above = row[1], *now = row[2];

	for (size_t j = 0; j <= nb; j++)
		above[j] = j;
	memcpy(above2, above, sizeof row[0]);
	for (size_t i = 1; i <= na; i++) {
		now[0] = i;
		for (size_t j = 1; j <= nb; j++) {
			size_t differ = lower(a[i - 1]) != lower(b[j - 1]);
			now[j] = smaller(smaller(above[j] + 1, now[j - 1] + 1), above[j - 1] + differ);
			if (i > 1 && j > 1 && lower(a[i - 1]) == lower(b[j - 2]) && lower(a[i - 2]) == lower(b[j - 1]))
				now[j] = smaller(now[j], above2[j - 2] + 1);
		}
		size_t *spare = above2;
		above2 = above;
		above = now;
		now = spare;
	}
	return above[nb];
}

const char *nearest_word(const char *word, const char *const *words, size_t n)
{
	size_t length = strlen(word), best = LONGEST;
	const char *ret = NULL;

	if (length == 0 || length > LONGEST)
		return NULL;
	for (size_t i = 0; i < n; i++) {
		size_t other = words[i] ? strlen(words[i]) : 0;
		if (other == 0 || other > LONGEST)
			continue;
		size_t d = distance(word, length, words[i], other);
		if (d < best && d * 3 <= (length > other ? length : other)) {
			best = d;
			ret = words[i];
		}
	}
	return ret;
}
