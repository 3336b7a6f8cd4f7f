/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What was written: files as text, pages as well-formed. After cmocka.h. */
#ifndef BRIDLE_TESTS_WRITTEN_H
#define BRIDLE_TESTS_WRITTEN_H

#include <ctype.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static inline char *slurp(const char *dir, const char *name)
{
	char path[300];
	snprintf(path, sizeof path, "%s/%s", dir, name);
	FILE *f = fopen(path, "r");
	if (f == NULL)
		return NULL;
	fseek(f, 0, SEEK_END);
	size_t n = (size_t)ftell(f);
	rewind(f);
	char *text = malloc(n + 1);
	text[fread(text, 1, n, f)] = '\0';
	fclose(f);
	return text;
}

/* Every tag that is opened is closed in order; void elements of HTML and <.../> need none. */
static inline void assert_well_formed(const char *html)
{
	static const char *const voids[] = { "meta", "br", "!doctype" };
	char stack[60][24];
	size_t depth = 0;

	for (const char *s = strchr(html, '<'); s; s = strchr(s, '<')) {
		bool closing = s[1] == '/';
		char name[24];
		size_t n = 0;
		const char *end = strchr(s, '>');
		assert_non_null(end);
		for (const char *c = s + 1 + closing; n < sizeof name - 1 && (isalnum((unsigned char)*c) || *c == '!');
		     c++)
			name[n++] = (char)tolower((unsigned char)*c);
		name[n] = '\0';
		if (n == 0)
			fail_msg("a stray < near \"%.40s\"", s);
		s = end + 1;
		bool is_void = end[-1] == '/';
		for (size_t i = 0; i < sizeof voids / sizeof voids[0]; i++)
			is_void |= strcmp(name, voids[i]) == 0;
		if (closing) {
			if (depth == 0 || strcmp(stack[depth - 1], name) != 0)
				fail_msg("</%s> closes <%s>", name, depth ? stack[depth - 1] : "nothing");
			depth--;
		} else if (!is_void) {
			assert_true(depth < 60);
			strcpy(stack[depth++], name);
		}
		if (!closing && strcmp(name, "style") == 0)
			s = strstr(s, "</style>");
		if (!closing && strcmp(name, "script") == 0)
			s = strstr(s, "</script>");
	}
	assert_int_equal(depth, 0);
}

#endif
