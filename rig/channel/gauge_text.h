/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a line of a weight indicator or gauge says, by the patterns that rig.ini has of it. Pure.
 *
 * | field | meaning |
 * |---|---|
 * | {reading} | the number that it shows |
 * | {sign=+\|-} | where the sign stands apart from the number: the first word is +, any other - |
 * | {stable=US\|ST} | the first word: it moves; any other: it stands still |
 * | {over=\|OL} | the first word: within its range; any other: overloaded |
 *
 * A line of a form without {reading} is that of an overload. */
#ifndef BRIDLE_CHANNEL_GAUGE_TEXT_H
#define BRIDLE_CHANNEL_GAUGE_TEXT_H

#include "channel/text_pattern.h"

enum gauge_field { GAUGE_READING, GAUGE_SIGN, GAUGE_STABLE, GAUGE_OVER, GAUGE_FIELDS };

const char *gauge_field_name(enum gauge_field field);
int gauge_field_of(const char *name); /* -1: there is no such field */

struct gauge_text {
	double reading; /* in its own unit, with its sign; NaN where the line has none */
	bool over, moves;
};

/* False: the line does not fit. */
bool gauge_text_read(const struct text_pattern *pattern, const char *line, struct gauge_text *ret);

#endif
