/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/cli.h"

#include <string.h>

static int columns(const char *text, size_t bytes)
{
	int n = 0;

	for (size_t i = 0; i < bytes; i++)
		n += ((unsigned char)text[i] & 0xC0) != 0x80;
	return n;
}

void cli_wrapped(FILE *to, int most, const char *first, const char *indent, const char *text)
{
	bool fresh = true; /* nothing but the beginning stands on the line */
	int at = columns(first, strlen(first)), margin = columns(indent, strlen(indent));

	fputs(first, to);
	while (*text) {
		size_t bytes = strcspn(text, " ");
		int wide = columns(text, bytes);
		if (!fresh && at + 1 + wide > most) {
			fprintf(to, "\n%s", indent);
			at = margin;
			fresh = true;
		}
		if (!fresh)
			at += fputc(' ', to) != EOF;
		fwrite(text, 1, bytes, to);
		at += wide;
		fresh = false;
		text += bytes;
		text += strspn(text, " ");
	}
	fputc('\n', to);
}
