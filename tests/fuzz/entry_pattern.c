/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes as a pattern, and behind the first line feed as a line that a device sent. Never a crash; a refusal says why;
 * numbers are finite; what is written stays in its room. */
#include "channel/text_pattern.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void check(const struct text_pattern *p, const char *line)
{
	double value[TEXT_PATTERN_FIELDS];
	char again[400];

	if (p->n_fields > TEXT_PATTERN_FIELDS || p->n_items > TEXT_PATTERN_ITEMS)
		abort();
	if (!text_pattern_match(p, line, value))
		return;
	for (size_t i = 0; i < p->n_fields; i++) {
		size_t words = text_pattern_words(p, (int)i);
		if (!isfinite(value[i]) || (words > 0 && !(value[i] >= 0 && value[i] < (double)words)))
			abort();
		if (text_pattern_field(p, p->field[i]) < 0)
			abort();
	}
	size_t length = text_pattern_put(p, value, again, sizeof again);
	if (length >= sizeof again || (length > 0 && strlen(again) != length))
		abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	char *text = malloc(n + 1), why[TEXT_PATTERN_WHY] = "";
	struct text_pattern p;

	if (!text)
		return 0;
	memcpy(text, data, n);
	text[n] = '\0';
	char *line = strchr(text, '\n');
	if (line)
		*line++ = '\0';
	if (text_pattern_read(text, &p, why))
		check(&p, line ? line : "");
	else if (!why[0] || !memchr(why, '\0', sizeof why))
		abort();
	free(text);
	return 0;
}
