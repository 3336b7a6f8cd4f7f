/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tables of keys as scdoc text, for bridle-bench-folder(5). Runs at build time only. */
#include "profile/profile_private.h"

#include <stdio.h>
#include <string.h>

/* scdoc's signs stand for themselves behind a backslash. */
static void plain(const char *text)
{
	for (; *text; text++) {
		if (strchr("_*\\#[]<>~+", *text))
			putchar('\\');
		putchar(*text);
	}
}

static void print_key(const struct profile_key *key)
{
	char range[200];
	bool required = (key->flags & KEY_REQUIRED) != 0;

	profile_range_text(key, range, sizeof range);
	putchar('*');
	plain(key->key);
	fputs("* = _", stdout);
	plain(key->sample ? key->sample : key->fallback);
	fputs("_\n\t", stdout);
	plain(key->meaning);
	fputs(".", stdout);
	if (*range) {
		fputs(" Range: ", stdout);
		plain(range);
		fputs(".", stdout);
	}
	if (key->flags & KEY_UNCERTAIN)
		fputs(" Its uncertainty must be written.", stdout);
	if (key->fallback && *key->fallback) {
		fputs(" Default: ", stdout);
		plain(key->fallback);
		fputs(".", stdout);
	} else {
		fputs(required ? " Required." : " May be left out.", stdout);
	}
	fputs("\n\n", stdout);
}

int main(void)
{
	for (int which = PROFILE_RIG; which <= PROFILE_WEIGHTS; which++) {
		const struct profile_table *table = profile_table((enum profile_file)which);
		printf("# %s\n\n", table->file);
		plain(table->meaning);
		printf(".\n\n");
		for (size_t i = 0; i < table->n_sections; i++) {
			size_t first = 0, n = 0;
			printf("## [%s]\n\n", table->sections[i].name[0] ? table->sections[i].name : "NAME");
			plain(table->sections[i].meaning);
			printf(".\n\n");
			profile_section_keys(table, i, &first, &n);
			for (size_t k = first; k < first + n; k++)
				print_key(&table->keys[k]);
		}
	}
	return ferror(stdout) ? 1 : 0;
}
