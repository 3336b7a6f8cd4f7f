/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Text that came from outside. Pure. */
#ifndef BRIDLE_CHANNEL_UTF8_H
#define BRIDLE_CHANNEL_UTF8_H

#include <stddef.h>

/* Length in bytes of the well-formed UTF-8 sequence at s (NUL-terminated; RFC 3629, section 4) that shows
 * something; 0 for a malformed one and for control characters. */
size_t utf8_length(const char *s);

/* A copy that a terminal and a JSON writer can take: whatever utf8_length refuses becomes '?'. Cut at a
 * character when it does not fit. */
void utf8_clean(const char *text, char *buf, size_t size);

#endif
