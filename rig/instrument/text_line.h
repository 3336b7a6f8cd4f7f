/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes of a device to lines of text. Plain data of one thread. */
#ifndef BRIDLE_INSTRUMENT_TEXT_LINE_H
#define BRIDLE_INSTRUMENT_TEXT_LINE_H

#include <stdbool.h>
#include <stddef.h>

#define TEXT_LINE_BYTES 160

struct text_line { /* zeroed: empty */
	char text[TEXT_LINE_BYTES];
	size_t n;
	bool too_long, whole;
};

/* True when c ended a line that has something in it and was not too long: it stands in text then, until the next byte.
 * CR and LF end a line; a NUL is taken for a question mark. */
static inline bool text_line_take(struct text_line *line, char c)
{
	bool ends = c == '\n' || c == '\r', whole;

	if (line->whole)
		line->n = 0;
	line->whole = false;
	if (!ends && line->n < sizeof line->text - 1)
		line->text[line->n++] = c ? c : '?';
	else if (!ends)
		line->too_long = true;
	if (!ends)
		return false;
	line->text[line->n] = '\0';
	whole = line->n > 0 && !line->too_long;
	line->whole = true;
	line->too_long = false;
	return whole;
}

#endif
