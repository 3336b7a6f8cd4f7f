/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes as the pattern of a weight indicator, and behind the first line feed as a line of it. Never a crash; a reading
 * is finite; a line without a reading is never within range. */
#include "channel/gauge_text.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void check(const struct text_pattern *form, const char *line)
{
	struct gauge_text told = { .reading = NAN };

	if (!gauge_text_read(form, line, &told))
		return;
	bool shows = text_pattern_field(form, gauge_field_name(GAUGE_READING)) >= 0;
	if (isfinite(told.reading) != shows || (!shows && !told.over))
		abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	char *text = malloc(n + 1), why[TEXT_PATTERN_WHY];
	struct text_pattern form;

	if (!text)
		return 0;
	memcpy(text, data, n);
	text[n] = '\0';
	char *line = strchr(text, '\n');
	if (line)
		*line++ = '\0';
	if (text_pattern_read(text, &form, why))
		check(&form, line ? line : "");
	free(text);
	return 0;
}
