/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/utf8.h"

#include <string.h>

size_t utf8_length(const char *s)
{
	const unsigned char *b = (const unsigned char *)s;
	unsigned char lo = 0x80, hi = 0xBF;
	size_t n;

	if (b[0] < 0x80)
		return b[0] >= 0x20 && b[0] != 0x7F;
	if (b[0] >= 0xC2 && b[0] <= 0xDF)
		n = 2;
	else if (b[0] >= 0xE0 && b[0] <= 0xEF)
		n = 3;
	else if (b[0] >= 0xF0 && b[0] <= 0xF4)
		n = 4;
	else
		return 0;
	lo = b[0] == 0xC2 ? 0xA0 : b[0] == 0xE0 ? 0xA0 : b[0] == 0xF0 ? 0x90 : lo; /* C2 80..9F: C1 controls */
	hi = b[0] == 0xED ? 0x9F : b[0] == 0xF4 ? 0x8F : hi;
	if (b[1] < lo || b[1] > hi)
		return 0;
	for (size_t i = 2; i < n; i++)
		if ((b[i] & 0xC0) != 0x80)
			return 0;
	return n;
}

void utf8_clean(const char *text, char *buf, size_t size)
{
	size_t at = 0;

	while (*text) {
		size_t good = utf8_length(text), n = good ? good : 1;
		if (at + n >= size)
			break;
		memcpy(buf + at, good ? text : "?", n);
		at += n;
		text += n;
	}
	buf[at] = '\0';
}
