/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/gauge_text.h"

#include <math.h>
#include <string.h>

static const char *const names[GAUGE_FIELDS] = { "reading", "sign", "stable", "over" };

const char *gauge_field_name(enum gauge_field field)
{
	return names[field];
}

int gauge_field_of(const char *name)
{
	for (int i = 0; i < GAUGE_FIELDS; i++)
		if (strcmp(names[i], name) == 0)
			return i;
	return -1;
}

bool gauge_text_read(const struct text_pattern *pattern, const char *line, struct gauge_text *ret)
{
	/* Of a field that the form does not have: no reading, positive, standing still, within range. */
	double said[GAUGE_FIELDS] = { NAN, 0, 1, 0 }, value[TEXT_PATTERN_FIELDS];

	if (!text_pattern_match(pattern, line, value))
		return false;
	for (size_t i = 0; i < pattern->n_fields; i++) {
		int field = gauge_field_of(pattern->field[i]);

		if (field >= 0)
			said[field] = value[i];
	}
	ret->reading = said[GAUGE_SIGN] > 0 ? -said[GAUGE_READING] : said[GAUGE_READING];
	ret->moves = !(said[GAUGE_STABLE] > 0);
	ret->over = said[GAUGE_OVER] > 0 || isnan(said[GAUGE_READING]);
	return true;
}
