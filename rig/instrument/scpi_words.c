/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/scpi_words.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* From the root of the tree, whether the profile says so or not. */
static const char *bare(const char *word)
{
	return word + (*word == ':');
}

static size_t length(int n)
{
	return n > 0 && n < SCPI_TEXT ? (size_t)n : 0;
}

size_t scpi_put_limits(const struct scpi_setup *s, char *buf)
{
	return length(snprintf(buf, SCPI_TEXT, ":%s OFF;:%s %.4f;:%s %.4f;:%s\n", bare(s->output), bare(s->voltage),
			       s->set_V, bare(s->current), s->set_A, bare(s->error)));
}

size_t scpi_put_read_back(const struct scpi_setup *s, char *buf)
{
	return length(
		snprintf(buf, SCPI_TEXT, ":%s?;:%s?;:%s?\n", bare(s->voltage), bare(s->current), bare(s->output)));
}

size_t scpi_put_output(const struct scpi_setup *s, bool on, char *buf)
{
	return length(snprintf(buf, SCPI_TEXT, ":%s %s;:%s\n", bare(s->output), on ? "ON" : "OFF", bare(s->error)));
}

size_t scpi_put_coil(const struct scpi_setup *s, double current_A, char *buf)
{
	return length(snprintf(buf, SCPI_TEXT, ":%s %.4f;:%s ON;:%s\n", bare(s->current), current_A, bare(s->output),
			       bare(s->error)));
}

size_t scpi_put_hold(const struct scpi_setup *s, size_t most, char *buf)
{
	size_t n = length(snprintf(buf, SCPI_TEXT, "\n:%s ON;:%s ", bare(s->output), bare(s->current)));

	return n <= most ? n : 0;
}

size_t scpi_put_off(const struct scpi_setup *s, char *buf)
{
	return length(snprintf(buf, SCPI_TEXT, "\n:%s OFF\n", bare(s->output)));
}

size_t scpi_put_measure(const struct scpi_setup *s, char *buf)
{
	bool latched = s && s->limited[0], now = latched && s->limiting[0];

	return length(snprintf(buf, SCPI_TEXT, "MEAS:VOLT?;CURR?%s%s%s%s\n", latched ? ";:" : "",
			       latched ? bare(s->limited) : "", now ? ";:" : "", now ? bare(s->limiting) : ""));
}

bool scpi_error(const char *line, long *ret_number, char *ret_text)
{
	char *end;
	long number = strtol(line, &end, 10);

	if (end == line || *end != ',')
		return false;
	const char *text = end + 1 + (end[1] == '"');
	snprintf(ret_text, SCPI_TEXT, "%.*s", (int)strcspn(text, "\""), text);
	*ret_number = number;
	return true;
}

static bool one_number(const char **at, double *ret)
{
	char *end;

	if (strncmp(*at, "ON", 2) == 0 || strncmp(*at, "OFF", 3) == 0) {
		*ret = (*at)[1] == 'N';
		*at += *ret > 0 ? 2 : 3;
		return true;
	}
	*ret = strtod(*at, &end);
	bool good = end != *at && isfinite(*ret);
	*at = end;
	return good;
}

bool scpi_numbers(const char *line, size_t n, double *ret)
{
	for (size_t i = 0; i < n; i++) {
		if (!one_number(&line, &ret[i]) || *line != (i + 1 < n ? ';' : '\0'))
			return false;
		line += i + 1 < n;
	}
	return true;
}
