/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/ini_changes.h"

#include "channel/utf8.h"

#include <stdio.h>
#include <string.h>

#define SHOWN 60 /* bytes of a value */
#define NAMED 30 /* of a section or a key */
#define MORE "..."

/* A stretch of the text itself, so that nothing is cut before it is compared. */
struct piece {
	const char *at;
	size_t n;
};

struct key {
	struct piece section, name, value;
};

static struct piece trimmed(const char *at, size_t n)
{
	while (n > 0 && strchr(" \t\r", at[0]))
		at++, n--;
	while (n > 0 && strchr(" \t\r", at[n - 1]))
		n--;
	return (struct piece){ at, n };
}

static bool same(struct piece a, struct piece b)
{
	return a.n == b.n && memcmp(a.at, b.at, a.n) == 0;
}

static struct piece piece_of(const char *text)
{
	return (struct piece){ text, strlen(text) };
}

/* At most that many bytes of whole characters, then MORE. buf[most + sizeof MORE]. */
static const char *shown(struct piece p, size_t most, char *buf)
{
	size_t used = 0, i = 0;

	while (i < p.n) {
		size_t length = utf8_length(p.at + i), bytes = length ? length : 1;
		if (used + bytes > most)
			break;
		memcpy(buf + used, length ? p.at + i : "?", bytes);
		used += bytes;
		i += bytes;
	}
	snprintf(buf + used, sizeof MORE, "%s", i < p.n ? MORE : "");
	return buf;
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
			k->section = trimmed(line + 1, (size_t)(close - line) - 1);
		} else if (equals) {
			size_t name = (size_t)(equals - line);
			k->name = trimmed(line, name);
			k->value = trimmed(equals + 1, value_length(equals + 1, n - name - 1));
			if (k->name.n > 0)
				return true;
		}
	}
	return false;
}

static const struct key none = { { "", 0 }, { "", 0 }, { "", 0 } };

static bool find(const char *text, const struct key *like, struct key *ret)
{
	*ret = none;
	while (next(&text, ret))
		if (same(ret->section, like->section) && same(ret->name, like->name))
			return true;
	return false;
}

static void tell(const struct key *k, struct piece now, struct piece was, void (*told)(void *ctx, const char *what),
		 void *ctx)
{
	char section[NAMED + sizeof MORE], name[NAMED + sizeof MORE], value[SHOWN + sizeof MORE],
		before[SHOWN + sizeof MORE], what[INI_CHANGE];

	snprintf(what, sizeof what, "[%s] %s: %s, was %s", shown(k->section, NAMED, section),
		 shown(k->name, NAMED, name), shown(now, SHOWN, value), shown(was, SHOWN, before));
	told(ctx, what);
}

void ini_changes(const char *before, const char *after, void (*told)(void *ctx, const char *what), void *ctx)
{
	struct key k = none, other;

	if (strcmp(before, after) == 0)
		return;
	for (const char *at = after; next(&at, &k);) {
		bool was = find(before, &k, &other);
		if (!was || !same(k.value, other.value))
			tell(&k, k.value, was ? other.value : piece_of("none"), told, ctx);
	}
	k = none;
	for (const char *at = before; next(&at, &k);)
		if (!find(after, &k, &other))
			tell(&k, piece_of("none"), k.value, told, ctx);
}

bool ini_value(const char *text, const char *section, const char *key, char ret[INI_VALUE])
{
	const struct key like = { piece_of(section), piece_of(key), { "", 0 } };
	struct key found;
	bool there = find(text, &like, &found);

	shown(there ? found.value : piece_of(""), INI_VALUE - sizeof MORE, ret);
	return there;
}
