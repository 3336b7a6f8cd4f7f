/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/keys_tables.h"
#include "profile/profile_private.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define WIDTH 100
#define GENEROUS 1000 /* a larger upper bound only catches slips of the pen: no news to a reader */

/* A comment, its lines broken at WIDTH. */
static void comment(FILE *f, const char *text)
{
	size_t column = 0;

	for (const char *word = text; *word;) {
		size_t n = strcspn(word, " ");
		if (column > 0 && column + 1 + n > WIDTH) {
			fputc('\n', f);
			column = 0;
		}
		fprintf(f, column == 0 ? "# %.*s" : " %.*s", (int)n, word);
		column += n + (column == 0 ? 2 : 1);
		word += n;
		word += strspn(word, " ");
	}
	fputc('\n', f);
}

/* What only the owner knows; a serial port is tried, and found to be the wrong one, without harm. */
static bool is_owners(const struct profile_key *key)
{
	return strcmp(key->key, "link") != 0 && strcmp(key->key, "actuator") != 0;
}

/* A key that has a default, or may be left out, stands as a comment that shows it. */
static void print_key(FILE *f, const struct profile_key *key, bool off, bool filled)
{
	char text[800], range[200];
	const char *shown = key->sample ? key->sample : key->fallback;
	bool empty = !filled && !off && is_owners(key);

	profile_range_text(key, range, sizeof range);
	int at = snprintf(text, sizeof text, "%s.", key->meaning);
	if (*range && key->max < GENEROUS)
		at += snprintf(text + at, sizeof text - (size_t)at, " Range: %s.", range);
	if (key->fallback && *key->fallback && key->sample)
		snprintf(text + at, sizeof text - (size_t)at, " Default: %s.", key->fallback);
	size_t end = strlen(text);
	if (empty)
		snprintf(text + end, sizeof text - end, " Such as: %s.", shown);
	comment(f, text);
	fprintf(f, "%s%s =%s%s\n", off ? "#" : "", key->key, empty ? "" : " ", empty ? "" : shown);
}

static void print_section(FILE *f, const struct profile_table *table, size_t section, bool filled)
{
	const struct profile_section *s = &table->sections[section];
	size_t first = 0, n = 0;
	bool off = strcmp(s->name, "virtual") == 0 || strcmp(s->name, INSTRUMENT_SECTION) == 0 ||
		   strcmp(s->name, "warden") == 0 || strcmp(s->name, "message") == 0 ||
		   strcmp(s->name, "endurance") == 0;
	char text[400];

	snprintf(text, sizeof text, "%s.", s->meaning);
	fputc('\n', f);
	comment(f, text);
	fprintf(f, "%s[%s]\n", off ? "#" : "", s->name);
	profile_section_keys(table, section, &first, &n);
	for (size_t i = first; i < first + n; i++)
		print_key(f, &table->keys[i], off || !(table->keys[i].flags & (KEY_REQUIRED | KEY_SHOWN)), filled);
}

/* Pieces have names of their own, so their keys are shown once, as a comment, and then used. */
static void print_weights(FILE *f, const struct profile_table *table, bool filled)
{
	char text[400];

	snprintf(text, sizeof text, "%s.", table->sections[0].meaning);
	fputc('\n', f);
	comment(f, text);
	fputs("#[NAME]\n", f);
	for (size_t i = 0; i < table->n_keys; i++)
		print_key(f, &table->keys[i], true, filled);
	if (!filled) {
		fputs("\n[hanger]\n# Weigh it. Such as: 0.512 kg \xc2\xb1 0.5 g.\nmass =\n\n"
		      "[weight-1]\n# Such as: 2 kg.\nnominal =\n# Such as: M1.\nclass =\n",
		      f);
		return;
	}
	fputs("\n[hanger]\nmass = 0.512 kg \xc2\xb1 0.5 g\n", f);
	for (char name = 'a'; name <= 'e'; name++)
		fprintf(f, "\n[2kg-%c]\nnominal = 2 kg\nclass = M1\n", name);
	fputs("\n[1kg]\nnominal = 1 kg\nclass = M1\n", f);
}

char *profile_template(enum profile_file which, bool filled)
{
	const struct profile_table *table = profile_table(which);
	char *text = NULL, head[200];
	size_t size;
	FILE *f = open_memstream(&text, &size);

	if (!f)
		return NULL;
	snprintf(head, sizeof head, "%s: %s.", table->file, table->meaning);
	comment(f, head);
	comment(f, "A key is written as key = value; a line that begins with # is a comment. Fill in "
		   "every key that ends in =; every command names the keys that are still empty. A key that stands as "
		   "a comment may be left out: the value "
		   "shown is its default unless the comment says otherwise.");
	comment(f, "Uncertainties: \xc2\xb1 0.4 mm are limits (rectangular); add k=2 for an expanded uncertainty, "
		   "normal for "
		   "a standard one, tri for triangular limits.");
	if (which == PROFILE_WEIGHTS)
		print_weights(f, table, filled);
	for (size_t i = 0; which != PROFILE_WEIGHTS && i < table->n_sections; i++)
		print_section(f, table, i, filled);
	bool bad = ferror(f) != 0;
	if (fclose(f) != 0 || bad) {
		free(text);
		return NULL;
	}
	return text;
}
