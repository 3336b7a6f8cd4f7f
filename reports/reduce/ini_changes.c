/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/ini_changes.h"

#include <stdio.h>
#include <string.h>

#define ROOM INI_VALUE

struct key {
	char section[ROOM], name[ROOM], value[ROOM];
};

static void take(char to[ROOM], const char *from, size_t n)
{
	while (n > 0 && strchr(" \t\r", from[0]))
		from++, n--;
	while (n > 0 && strchr(" \t\r", from[n - 1]))
		n--;
	snprintf(to, ROOM, "%.*s", (int)n, from);
}

/* A comment after a value begins with a blank and a semicolon. */
static size_t value_length(const char *line, size_t n)
{
	for (size_t i = 1; i < n; i++)
		if (line[i] == ';' && strchr(" \t", line[i - 1]))
			return i;
	return n;
}

/* The next key of a text; k->section goes on from call to call. */
static bool next(const char **at, struct key *k)
{
	while (**at) {
		const char *line = *at + strspn(*at, " \t");
		size_t n = strcspn(line, "\n");
		*at = line + n + (line[n] == '\n');
		const char *equals = memchr(line, '=', n), *close = memchr(line, ']', n);
		if (n == 0 || line[0] == ';' || line[0] == '#')
			continue;
		if (line[0] == '[' && close) {
			take(k->section, line + 1, (size_t)(close - line) - 1);
		} else if (equals) {
			size_t name = (size_t)(equals - line);
			take(k->name, line, name);
			take(k->value, equals + 1, value_length(equals + 1, n - name - 1));
			if (k->name[0])
				return true;
		}
	}
	return false;
}

static bool find(const char *text, const struct key *like, struct key *ret)
{
	*ret = (struct key){ 0 };
	while (next(&text, ret))
		if (strcmp(ret->section, like->section) == 0 && strcmp(ret->name, like->name) == 0)
			return true;
	return false;
}

static void tell(const struct key *k, const char *now, const char *was, void (*told)(void *ctx, const char *what),
		 void *ctx)
{
	char what[4 * ROOM + 20];

	snprintf(what, sizeof what, "[%s] %s: %s, was %s", k->section, k->name, now, was);
	told(ctx, what);
}

void ini_changes(const char *before, const char *after, void (*told)(void *ctx, const char *what), void *ctx)
{
	struct key k = { 0 }, other;

	if (strcmp(before, after) == 0)
		return;
	for (const char *at = after; next(&at, &k);) {
		bool was = find(before, &k, &other);
		if (!was || strcmp(k.value, other.value) != 0)
			tell(&k, k.value, was ? other.value : "none", told, ctx);
	}
	k = (struct key){ 0 };
	for (const char *at = before; next(&at, &k);)
		if (!find(after, &k, &other))
			tell(&k, "none", k.value, told, ctx);
}

bool ini_value(const char *text, const char *section, const char *key, char ret[INI_VALUE])
{
	struct key like = { 0 }, found;

	snprintf(like.section, ROOM, "%s", section);
	snprintf(like.name, ROOM, "%s", key);
	bool there = find(text, &like, &found);
	snprintf(ret, INI_VALUE, "%s", there ? found.value : "");
	return there;
}
