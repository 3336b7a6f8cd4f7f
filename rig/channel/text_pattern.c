/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/text_pattern.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DIGITS "0123456789"
#define HEX_DIGITS DIGITS "abcdefABCDEF"
#define NAME_LETTERS DIGITS "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ_-"
#define BLANKS " \t"
#define NUMBER_LONGEST 40
#define HEX_LONGEST 8
#define SHORTEST_DIGITS 9 /* significant, where no decimals are given */

/* Reading a pattern. */

struct parse {
	struct text_pattern p;
	size_t used; /* of p.text */
	char *why;
};

__attribute__((format(printf, 2, 3))) static bool refuse(struct parse *r, const char *format, ...)
{
	va_list args;

	va_start(args, format);
	vsnprintf(r->why, TEXT_PATTERN_WHY, format, args);
	va_end(args);
	return false;
}

static bool add_item(struct parse *r, enum text_item kind)
{
	if (r->p.n_items == TEXT_PATTERN_ITEMS)
		return refuse(r, "has more than %d parts", TEXT_PATTERN_ITEMS);
	r->p.item[r->p.n_items].kind = kind;
	r->p.item[r->p.n_items].from = r->used;
	r->p.item[r->p.n_items].decimals = -1;
	r->p.n_items++;
	return true;
}

static bool add_byte(struct parse *r, char c)
{
	if (r->used == TEXT_PATTERN_BYTES - 1)
		return refuse(r, "is longer than %d characters", TEXT_PATTERN_BYTES - 1);
	r->p.text[r->used++] = c;
	r->p.item[r->p.n_items - 1].n++;
	return true;
}

static bool add_text(struct parse *r, char c)
{
	bool goes_on = r->p.n_items > 0 && r->p.item[r->p.n_items - 1].kind == ITEM_TEXT;

	return (goes_on || add_item(r, ITEM_TEXT)) && add_byte(r, c);
}

static bool add_name(struct parse *r, const char *name, size_t n)
{
	if (n == 0 || n >= TEXT_PATTERN_NAME)
		return refuse(r, "found \"{%.30s\", expected a name of 1 to %d letters after {", name,
			      TEXT_PATTERN_NAME - 1);
	if (r->p.n_fields == TEXT_PATTERN_FIELDS)
		return refuse(r, "has more than %d values", TEXT_PATTERN_FIELDS);
	memcpy(r->p.field[r->p.n_fields], name, n);
	if (text_pattern_field(&r->p, r->p.field[r->p.n_fields]) >= 0)
		return refuse(r, "has {%.*s} twice", (int)n, name);
	r->p.n_fields++;
	return true;
}

/* Nothing tells where the one ends and the other begins. */
static bool may_follow(struct parse *r, enum text_item kind)
{
	enum text_item before = r->p.n_items > 0 ? r->p.item[r->p.n_items - 1].kind : ITEM_TEXT;
	bool numbers = (before == ITEM_NUMBER || before == ITEM_HEX) && (kind == ITEM_NUMBER || kind == ITEM_HEX);

	if (before == ITEM_SKIP || numbers)
		return refuse(r, "has two values side by side; expected text between them");
	return true;
}

static bool add_field(struct parse *r, const char *text, size_t n)
{
	size_t name = strspn(text, NAME_LETTERS);
	char after = text[name];
	enum text_item kind = n == 0 ? ITEM_SKIP : after == '=' ? ITEM_WORDS : after == ':' ? ITEM_HEX : ITEM_NUMBER;

	if (!may_follow(r, kind) || (n > 0 && !add_name(r, text, name)) || !add_item(r, kind))
		return false;
	if (kind == ITEM_SKIP || name == n)
		return true;
	if (kind == ITEM_WORDS) {
		for (size_t i = name + 1; i < n; i++)
			if (!add_byte(r, text[i]))
				return false;
		return true;
	}
	bool hex = kind == ITEM_HEX && n == name + 4 && strncmp(text + name, ":hex", 4) == 0;
	bool decimals = after == '.' && n == name + 2 && strchr(DIGITS, text[name + 1]);
	if (decimals)
		r->p.item[r->p.n_items - 1].decimals = text[name + 1] - '0';
	return hex || decimals ||
	       refuse(r, "found \"{%.*s}\", expected {NAME}, {NAME.2}, {NAME:hex} or {NAME=a|b}",
		      (int)(n < 40 ? n : 40), text);
}

static bool add_escaped(struct parse *r, char c)
{
	static const char letters[] = "rnt\\", meant[] = "\r\n\t\\";
	const char *at = c ? strchr(letters, c) : NULL;

	return at ? add_text(r, meant[at - letters]) : refuse(r, "has a \\ without r, n, t or \\ after it");
}

/* Characters that one step reads; 0: refused. */
static size_t step(struct parse *r, const char *at)
{
	if (*at == '\\')
		return add_escaped(r, at[1]) ? 2 : 0;
	if (*at == '{' && at[1] == '{')
		return add_text(r, '{') ? 2 : 0;
	if (*at != '{')
		return add_text(r, *at) ? 1 : 0;
	size_t n = strcspn(at + 1, "}");
	if (at[1 + n] == '\0')
		return refuse(r, "has a { without }");
	return add_field(r, at + 1, n) ? n + 2 : 0;
}

bool text_pattern_read(const char *text, struct text_pattern *ret, char why[TEXT_PATTERN_WHY])
{
	struct parse r = { .why = why };
	size_t n = 1;

	for (const char *at = text; *at && n > 0; at += n)
		n = step(&r, at);
	if (n == 0)
		return false;
	if (r.p.n_items == 0)
		return refuse(&r, "is empty");
	*ret = r.p;
	return true;
}

/* What it says. */

int text_pattern_field(const struct text_pattern *p, const char *name)
{
	for (size_t i = 0; i < p->n_fields; i++)
		if (strcmp(p->field[i], name) == 0)
			return (int)i;
	return -1;
}

static bool has_name(enum text_item kind)
{
	return kind != ITEM_TEXT && kind != ITEM_SKIP;
}

size_t text_pattern_words(const struct text_pattern *p, int field)
{
	size_t words = 1;

	for (size_t i = 0; i < p->n_items; i++) {
		if (!has_name(p->item[i].kind) || field-- != 0)
			continue;
		for (size_t k = 0; k < p->item[i].n; k++)
			words += p->text[p->item[i].from + k] == '|';
		return p->item[i].kind == ITEM_WORDS ? words : 0;
	}
	return 0;
}

/* Matching: each gives what is left of the line, NULL when it does not fit. */

static const char *match_text(const char *text, size_t n, const char *line)
{
	for (size_t i = 0; i < n; i++) {
		if (text[i] != ' ') {
			if (*line++ != text[i])
				return NULL;
			continue;
		}
		size_t blanks = strspn(line, BLANKS);
		if (blanks == 0)
			return NULL;
		line += blanks;
		while (i + 1 < n && text[i + 1] == ' ')
			i++;
	}
	return line;
}

static const char *take_digits(const char *line, char *buf, size_t *n)
{
	size_t digits = strspn(line, DIGITS);

	if (*n + digits > NUMBER_LONGEST)
		return NULL;
	memcpy(buf + *n, line, digits);
	*n += digits;
	return line + digits;
}

/* Past an exponent, where one stands whole. */
static const char *take_exponent(const char *line, char *buf, size_t *n)
{
	size_t sign = (line[0] == 'e' || line[0] == 'E') && (line[1] == '+' || line[1] == '-');
	size_t digits = line[0] == 'e' || line[0] == 'E' ? strspn(line + 1 + sign, DIGITS) : 0;

	if (digits == 0)
		return line;
	if (*n + 1 + sign + digits > NUMBER_LONGEST)
		return NULL;
	memcpy(buf + *n, line, 1 + sign + digits);
	*n += 1 + sign + digits;
	return line + 1 + sign + digits;
}

static const char *match_number(const char *line, double *ret)
{
	char buf[NUMBER_LONGEST + 2] = "";
	size_t n = 0;

	line += strspn(line, BLANKS);
	if (*line == '+' || *line == '-') {
		buf[n++] = *line++;
		line += strspn(line, BLANKS);
	}
	size_t sign = n;
	line = take_digits(line, buf, &n);
	if (line && *line == '.' && n < NUMBER_LONGEST) {
		buf[n++] = *line++;
		line = take_digits(line, buf, &n);
	}
	if (line == NULL || strcspn(buf + sign, DIGITS) == strlen(buf + sign))
		return NULL;
	line = take_exponent(line, buf, &n);
	*ret = strtod(buf, NULL);
	return line && isfinite(*ret) ? line : NULL;
}

static const char *match_hex(const char *line, double *ret)
{
	char buf[HEX_LONGEST + 1] = "";

	line += strspn(line, BLANKS);
	size_t n = strspn(line, HEX_DIGITS);
	if (n == 0 || n > HEX_LONGEST)
		return NULL;
	memcpy(buf, line, n);
	*ret = (double)strtoul(buf, NULL, 16);
	return line + n;
}

static const char *match_words(const char *words, size_t n, const char *line, double *ret)
{
	const char *best = NULL;
	size_t word = 0;

	for (size_t at = 0; at <= n; word++) {
		const char *end = memchr(words + at, '|', n - at);
		size_t length = end ? (size_t)(end - words) - at : n - at;
		const char *left = match_text(words + at, length, line);
		if (left && (best == NULL || left > best)) {
			best = left;
			*ret = (double)word;
		}
		at += length + 1;
	}
	return best;
}

static const char *match_skip(const struct text_pattern *p, size_t next, const char *line)
{
	if (next == p->n_items)
		return line + strlen(line);
	for (; *line; line++)
		if (match_text(p->text + p->item[next].from, p->item[next].n, line))
			return line;
	return NULL;
}

static const char *match_item(const struct text_pattern *p, size_t i, const char *line, double *ret)
{
	const char *text = p->text + p->item[i].from;

	switch (p->item[i].kind) {
	case ITEM_TEXT: return match_text(text, p->item[i].n, line);
	case ITEM_NUMBER: return match_number(line, ret);
	case ITEM_HEX: return match_hex(line, ret);
	case ITEM_WORDS: return match_words(text, p->item[i].n, line, ret);
	case ITEM_SKIP: break;
	}
	return match_skip(p, i + 1, line);
}

bool text_pattern_match(const struct text_pattern *p, const char *line, double value[TEXT_PATTERN_FIELDS])
{
	size_t field = 0;
	double unused = 0;

	line += strspn(line, BLANKS "\r\n");
	for (size_t i = 0; i < p->n_items && line; i++) {
		bool named = has_name(p->item[i].kind);
		line = match_item(p, i, line, named ? &value[field] : &unused);
		field += named;
	}
	return line && strspn(line, BLANKS "\r\n") == strlen(line);
}

/* Writing. */

static size_t put_word(const char *words, size_t n, double value, char *buf, size_t size)
{
	size_t at = 0;

	for (double word = 0; word < value && at <= n; word++) {
		const char *end = memchr(words + at, '|', n - at);
		at = end ? (size_t)(end - words) + 1 : n + 1;
	}
	if (!(value >= 0) || at > n)
		return size;
	const char *end = memchr(words + at, '|', n - at);
	size_t length = end ? (size_t)(end - words) - at : n - at;
	if (length < size)
		memcpy(buf, words + at, length);
	return length;
}

static size_t put_number(int decimals, double value, char *buf, size_t size)
{
	int n = decimals >= 0 ? snprintf(buf, size, "%.*f", decimals, value)
			      : snprintf(buf, size, "%.*g", SHORTEST_DIGITS, value);

	return isfinite(value) && n > 0 ? (size_t)n : size;
}

static size_t put_hex(double value, char *buf, size_t size)
{
	bool whole = value >= 0 && value < 4294967296.0 && !(fabs(value - floor(value)) > 0);

	return whole ? (size_t)snprintf(buf, size, "%lX", (unsigned long)value) : size;
}

size_t text_pattern_put(const struct text_pattern *p, const double *value, char *buf, size_t size)
{
	size_t at = 0, field = 0;

	for (size_t i = 0; i < p->n_items; i++) {
		const char *text = p->text + p->item[i].from;
		size_t n = p->item[i].n, room = size - at;

		switch (p->item[i].kind) {
		case ITEM_TEXT:
			if (n < room)
				memcpy(buf + at, text, n);
			break;
		case ITEM_NUMBER: n = put_number(p->item[i].decimals, value[field++], buf + at, room); break;
		case ITEM_HEX: n = put_hex(value[field++], buf + at, room); break;
		case ITEM_WORDS: n = put_word(text, n, value[field++], buf + at, room); break;
		case ITEM_SKIP: break;
		}
		if (n >= room)
			return 0;
		at += n;
	}
	buf[at] = '\0';
	return at;
}
