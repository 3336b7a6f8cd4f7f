/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/inifile.h"

#include "profile/nearest.h"
#include "profile/profile_value.h"
#include "channel/utf8.h"

#include <ini.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define NAME_MAX_BYTES 48 /* inih cuts longer names off without a word */
#define SHOWN 70

/* What did not fit ends in "..." at a whole character. */
static void mark_cut(char *text, size_t size)
{
	size_t n = size - 4;

	while (n > 0 && ((unsigned char)text[n] & 0xC0) == 0x80)
		n--;
	memcpy(text + n, "...", 4);
}

void inifile_mistake(struct inifile *r, int line, const char *section, const char *key, const char *format, ...)
{
	struct mistakes *m = r->mistakes ? r->mistakes : &r->own;
	char raw[sizeof m->line[0]], what[sizeof raw], text[sizeof raw + 8];
	size_t at = (size_t)snprintf(raw, sizeof raw, line > 0 ? "%.100s:%d:" : "%.100s:", r->name, line);
	bool placed = section && *section, keyed = key && *key;
	va_list args;

	if (placed)
		at += (size_t)snprintf(raw + at, sizeof raw - at, " [%.40s]", section);
	if (keyed)
		at += (size_t)snprintf(raw + at, sizeof raw - at, " %.40s", key);
	va_start(args, format);
	(void)vsnprintf(what, sizeof what, format, args);
	va_end(args);
	int whole = snprintf(raw + at, sizeof raw - at, "%s %s", placed || keyed ? ":" : "", what);
	if (whole >= (int)(sizeof raw - at)) /* also where what was cut: both have one size */
		mark_cut(raw, sizeof raw);
	utf8_clean(raw, text, sizeof text);
	if (m->n < sizeof m->line / sizeof m->line[0])
		memcpy(m->line[m->n++], text, sizeof raw);
	else
		m->more++;
	if (r->n_mistakes++ == 0)
		memcpy(r->first, text, sizeof r->first);
}

int inifile_line(const struct inifile *r, const char *section, const char *key)
{
	for (size_t i = 0; i < r->table->n_keys; i++)
		if (strcmp(r->table->keys[i].section, section) == 0 && strcmp(r->table->keys[i].key, key) == 0)
			return r->key_line[i];
	return 0;
}

enum rc inifile_end(const struct inifile *r, struct err *err)
{
	if (r->n_mistakes == 0)
		return RC_OK;
	if (r->n_mistakes == 1)
		return err_set(err, RC_ARG, 0, "%s", r->first);
	return err_set(err, RC_ARG, 0, "%s has %zu mistakes", r->name, r->n_mistakes);
}

/* "instrument NAME": stands any number of times, with a name of its own. */
static bool is_named(const char *section)
{
	size_t n = strlen(section);

	return n > 5 && strcmp(section + n - 5, " NAME") == 0;
}

static bool is_section(const char *section, const char *found)
{
	return is_named(section) ? strncmp(section, found, strlen(section) - 4) == 0 : strcmp(section, found) == 0;
}

void inifile_defaults(const struct profile_table *table, void *base)
{
	char why[VALUE_WHY];

	for (size_t i = 0; i < table->n_keys; i++)
		if (table->keys[i].fallback && table->keys[i].size > 0 && !is_named(table->keys[i].section))
			(void)value_read(&table->keys[i], table->keys[i].fallback, base, why);
}

void inifile_section_defaults(const struct profile_table *table, const char *section, void *base)
{
	char why[VALUE_WHY];

	for (size_t i = 0; i < table->n_keys; i++)
		if (table->keys[i].fallback && table->keys[i].size > 0 && strcmp(table->keys[i].section, section) == 0)
			(void)value_read(&table->keys[i], table->keys[i].fallback, base, why);
}

static void shown(const char *text, char buf[SHOWN])
{
	utf8_clean(text, buf, SHOWN);
	if (strlen(text) > strlen(buf))
		memcpy(buf + strlen(buf) - 3, "...", 4);
}

static bool any_section(const struct inifile *r)
{
	return r->table->sections[0].name[0] == '\0';
}

static void list_names(const struct inifile *r, size_t section, char *buf, size_t size)
{
	size_t first = 0, n = r->table->n_sections, at = 0;
	bool keys = section < INIFILE_SECTIONS;

	if (keys)
		profile_section_keys(r->table, section, &first, &n);
	for (size_t i = first; i < first + n && at < size; i++)
		at += (size_t)snprintf(buf + at, size - at, keys ? "%s%s" : "%s[%s]", i > first ? ", " : "",
				       keys ? r->table->keys[i].key : r->table->sections[i].name);
	if (at >= size)
		mark_cut(buf, size);
}

static void unknown_section(struct inifile *r)
{
	const char *names[INIFILE_SECTIONS], *close;
	char list[160];

	for (size_t i = 0; i < r->table->n_sections; i++)
		names[i] = r->table->sections[i].name;
	close = nearest_word(r->section_name, names, r->table->n_sections);
	list_names(r, INIFILE_SECTIONS, list, sizeof list);
	if (close)
		inifile_mistake(r, r->line, r->section_name, NULL, "no such section; did you mean [%s]?", close);
	else
		inifile_mistake(r, r->line, r->section_name, NULL, "no such section; there are %s", list);
}

static void check_missing(struct inifile *r, size_t section)
{
	char expects[VALUE_WHY];
	size_t first, n;
	int line = any_section(r) ? r->section_line[0] : r->section_line[section];
	const char *name = any_section(r) || is_named(r->table->sections[section].name)
				   ? r->section_name
				   : r->table->sections[section].name;

	if (line == 0 && r->table->sections[section].optional)
		return;
	profile_section_keys(r->table, section, &first, &n);
	for (size_t i = first; i < first + n; i++) {
		if (!(r->table->keys[i].flags & KEY_REQUIRED) || r->key_line[i] > 0)
			continue;
		profile_expects(&r->table->keys[i], expects, sizeof expects);
		inifile_mistake(r, line, name, r->table->keys[i].key, "is missing; expected %s", expects);
	}
}

static bool in_named(const struct inifile *r)
{
	return r->in_section && r->section < r->table->n_sections && is_named(r->table->sections[r->section].name);
}

static void leave_section(struct inifile *r)
{
	if (r->in_section && any_section(r) && r->base) {
		check_missing(r, 0);
		r->leave(r);
	} else if (in_named(r) && r->base) {
		check_missing(r, r->section);
		r->leave(r);
	}
	if (in_named(r))
		r->base = r->whole;
	r->in_section = false;
}

static void enter_any(struct inifile *r)
{
	r->section = 0;
	r->section_line[0] = r->line;
	memset(r->key_line, 0, sizeof r->key_line);
	r->enter(r, r->section_name);
}

static void enter_named(struct inifile *r, const char *name)
{
	size_t first, n;

	r->section_line[r->section] = r->line;
	profile_section_keys(r->table, r->section, &first, &n);
	memset(&r->key_line[first], 0, n * sizeof r->key_line[0]);
	r->enter(r, name);
}

static void enter_section(struct inifile *r, const char *name)
{
	leave_section(r);
	snprintf(r->section_name, sizeof r->section_name, "%.*s", (int)sizeof r->section_name - 1, name);
	r->in_section = true;
	if (any_section(r)) {
		enter_any(r);
		return;
	}
	for (r->section = 0; r->section < r->table->n_sections; r->section++)
		if (is_section(r->table->sections[r->section].name, name))
			break;
	if (r->section == r->table->n_sections) {
		r->section = INIFILE_SECTIONS;
		unknown_section(r);
	} else if (is_named(r->table->sections[r->section].name)) {
		enter_named(r, name);
	} else if (r->section_line[r->section] > 0) {
		inifile_mistake(r, r->line, name, NULL, "stands twice (first in line %d); join the two",
				r->section_line[r->section]);
	} else {
		r->section_line[r->section] = r->line;
	}
}

static void unknown_key(struct inifile *r, const char *key)
{
	const char *names[INIFILE_KEYS], *close, *elsewhere = NULL;
	char list[160], clean[SHOWN];
	size_t first, n;

	shown(key, clean);
	profile_section_keys(r->table, r->section, &first, &n);
	for (size_t i = 0; i < n; i++)
		names[i] = r->table->keys[first + i].key;
	for (size_t i = 0; i < r->table->n_keys; i++)
		if (strcmp(r->table->keys[i].key, key) == 0)
			elsewhere = r->table->keys[i].section;
	close = nearest_word(key, names, n);
	list_names(r, r->section, list, sizeof list);
	if (close)
		inifile_mistake(r, r->line, r->section_name, clean, "no such key; did you mean %s?", close);
	else if (elsewhere)
		inifile_mistake(r, r->line, r->section_name, clean, "no such key here; it belongs in [%s]", elsewhere);
	else
		inifile_mistake(r, r->line, r->section_name, clean, "no such key; there are %s", list);
}

static int take_pair(void *user, const char *section, const char *key, const char *value)
{
	struct inifile *r = user;
	char why[VALUE_WHY], found[SHOWN];
	size_t first, n;

	(void)section; /* inih's copy is cut at 49 bytes; ours is the same and has its index */
	if (!r->in_section) {
		inifile_mistake(r, r->line, NULL, key, "stands before the first [section]");
		return 1;
	}
	if (r->section == INIFILE_SECTIONS || !r->base)
		return 1;
	profile_section_keys(r->table, r->section, &first, &n);
	for (size_t i = first; i < first + n; i++) {
		if (strcmp(r->table->keys[i].key, key) != 0)
			continue;
		if (r->key_line[i] > 0) {
			inifile_mistake(r, r->line, r->section_name, key, "is given twice (first in line %d)",
					r->key_line[i]);
			return 1;
		}
		r->key_line[i] = r->line;
		shown(value, found);
		if (!*value && r->table->keys[i].flags & (KEY_REQUIRED | KEY_SHOWN)) {
			profile_expects(&r->table->keys[i], why, sizeof why);
			inifile_mistake(r, r->line, r->section_name, key, "is empty; expected %s", why);
			return 1;
		}
		if (!value_read(&r->table->keys[i], value, r->base, why))
			inifile_mistake(r, r->line, r->section_name, key, "found \"%s\", expected %s", found, why);
		return 1;
	}
	unknown_key(r, key);
	return 1;
}

/* False: the line holds what no text holds, and this was noted. */
static bool is_text(struct inifile *r, const char *line)
{
	while (*line) {
		size_t n = *line == '\t' ? 1 : utf8_length(line);
		if (n == 0) {
			inifile_mistake(r, r->line, NULL, NULL,
					"found the byte 0x%02X, expected UTF-8 text; save the file as UTF-8",
					(unsigned)(unsigned char)*line);
			return false;
		}
		line += n;
	}
	return true;
}

/* " # comment" goes as inih lets " ; comment" go; "Bench #2" stays. */
static void cut_comment(char *line)
{
	for (char *c = line; *c; c++)
		if (*c == '#' && (c == line || c[-1] == ' ' || c[-1] == '\t') &&
		    (c[1] == ' ' || c[1] == '\t' || !c[1])) {
			*c = '\0';
			return;
		}
}

/* The key of a line that is refused was given all the same: it is not missing too. */
static void mark_given(struct inifile *r, const char *line)
{
	size_t first, n, length = strcspn(line, " \t=");

	if (r->section == INIFILE_SECTIONS)
		return;
	profile_section_keys(r->table, r->section, &first, &n);
	for (size_t i = first; i < first + n; i++)
		if (strlen(r->table->keys[i].key) == length && memcmp(r->table->keys[i].key, line, length) == 0 &&
		    r->key_line[i] == 0)
			r->key_line[i] = r->line;
}

/* What inih shall see of a line: nothing when the line is none that it could take. */
static bool take_line(struct inifile *r, char *line, size_t room)
{
	char found[SHOWN];

	if (*line == ';' || *line == '#')
		return false;
	if (!is_text(r, line)) {
		mark_given(r, line);
		return false;
	}
	cut_comment(line);
	size_t n = strlen(line);
	while (n > 0 && (line[n - 1] == ' ' || line[n - 1] == '\t'))
		line[--n] = '\0';
	if (n == 0)
		return false;
	shown(line, found);
	const char *equals = strchr(line, '='), *close = strchr(line, ']');
	if (n > room) {
		inifile_mistake(r, r->line, NULL, NULL, "found a line of %zu bytes, expected at most %zu", n, room);
		mark_given(r, line);
		return false;
	}
	if (*line == '[') {
		if (!close || close == line + 1 || (close[1] && close[1 + strspn(close + 1, " \t")] != ';') ||
		    close - line - 1 > NAME_MAX_BYTES) {
			inifile_mistake(r, r->line, NULL, NULL, "found \"%s\", expected a section such as [%s]", found,
					any_section(r) ? "2kg-a" : r->table->sections[0].name);
			leave_section(r);
			r->in_section = true;
			r->section = INIFILE_SECTIONS;
			r->base = any_section(r) ? NULL : r->base;
			return false;
		}
		*strchr(line, ']') = '\0';
		enter_section(r, line + 1);
		line[strlen(line)] = ']';
		return true;
	}
	if (equals && equals > line && !memchr(line, ':', (size_t)(equals - line)))
		return true;
	inifile_mistake(r, r->line, NULL, NULL, "found \"%s\", expected \"key = value\"", found);
	return false;
}

/* inih's door for lines: one at a time, so that r->line is right when take_pair is called. */
static char *give_line(char *str, int num, void *stream)
{
	struct inifile *r = stream;
	char line[4096];
	size_t n = strcspn(r->at, "\n"), lead = strspn(r->at, " \t");

	if (!*r->at)
		return NULL;
	r->line++;
	lead = lead < n ? lead : n;
	size_t kept = n - lead < sizeof line - 1 ? n - lead : sizeof line - 1;
	memcpy(line, r->at + lead, kept);
	line[kept] = '\0';
	r->at += n + (r->at[n] == '\n');
	if (kept > 0 && line[kept - 1] == '\r')
		line[kept - 1] = '\0';
	if (take_line(r, line, (size_t)num - 3))
		snprintf(str, (size_t)num, "%s\n", line);
	else
		snprintf(str, (size_t)num, "\n");
	return str;
}

void inifile_run(struct inifile *r, const char *text)
{
	r->at = strncmp(text, "\xEF\xBB\xBF", 3) == 0 ? text + 3 : text;
	r->section = INIFILE_SECTIONS;
	if (ini_parse_stream(give_line, r, take_pair, r) < 0)
		inifile_mistake(r, 0, NULL, NULL, "out of memory");
	leave_section(r);
	for (size_t i = 0; !any_section(r) && i < r->table->n_sections; i++)
		if (!is_named(r->table->sections[i].name))
			check_missing(r, i);
}
