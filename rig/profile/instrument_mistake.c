/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/instrument_mistake.h"

#include "channel/text_pattern.h"
#include "profile/keys_tables.h"

#include <stdarg.h>
#include <stdio.h>

void instrument_mistake(struct inifile *r, const char *key, const char *format, ...)
{
	char what[260];
	va_list args;

	va_start(args, format);
	vsnprintf(what, sizeof what, format, args);
	va_end(args);
	inifile_mistake(r, inifile_line(r, INSTRUMENT_SECTION, key), r->section_name, key, "%s", what);
}

void instrument_check_line(struct inifile *r, const char *key, const char *text)
{
	struct text_pattern p;
	char why[TEXT_PATTERN_WHY];

	if (!*text)
		return;
	if (!text_pattern_read(text, &p, why))
		instrument_mistake(r, key, "\"%.60s\" %s", text, why);
	else if (p.n_fields > 0)
		instrument_mistake(r, key, "found {%s}, expected a line without values", p.field[0]);
}
