/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/bytes.h"

#include <string.h>

static int digit(char c)
{
	static const char digits[] = "0123456789abcdefABCDEF";
	const char *at = c ? strchr(digits, c) : NULL;
	int n = at ? (int)(at - digits) : -1;

	return n > 15 ? n - 6 : n;
}

static bool read_pairs(const char *text, struct profile_bytes *b)
{
	for (; *text; text += strspn(text, " ")) {
		int high = digit(text[0]), low = high < 0 ? -1 : digit(text[1]);

		if (low < 0 || (text[2] != '\0' && text[2] != ' ') || b->n == PROFILE_BYTES)
			return false;
		b->byte[b->n++] = (char)(high * 16 + low);
		text += 2;
	}
	return b->n > 0;
}

static bool read_quoted(const char *text, struct profile_bytes *b)
{
	static const char letters[] = "rnt\\", meant[] = "\r\n\t\\";

	for (text++; *text && *text != '"'; text++) {
		char c = *text;

		if (c == '\\') {
			const char *at = *++text ? strchr(letters, *text) : NULL;

			if (at == NULL)
				return false;
			c = meant[at - letters];
		}
		if (b->n == PROFILE_BYTES)
			return false;
		b->byte[b->n++] = c;
	}
	return b->n > 0 && strcmp(text, "\"") == 0;
}

bool bytes_read(const char *text, struct profile_bytes *ret)
{
	struct profile_bytes b = { 0 };

	if (!(*text == '"' ? read_quoted(text, &b) : read_pairs(text, &b)))
		return false;
	*ret = b;
	return true;
}
