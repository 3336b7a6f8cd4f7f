/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One INI text walked through with a table of keys, all its mistakes collected. Inside this room only. */
#ifndef BRIDLE_PROFILE_READING_H
#define BRIDLE_PROFILE_READING_H

#include "profile/profile_keys.h"

#define READING_KEYS 96
#define READING_SECTIONS 48

struct reading {
	const char *name; /* of the file, for people */
	const struct profile_table *table;
	void *base;       /* what the table's offsets belong to; NULL: the values of this section are not kept */
	struct mistakes *mistakes;
	struct mistakes own; /* used when the caller wants none */
	size_t n_mistakes;   /* of this file alone */
	char first[sizeof ((struct mistakes *)0)->line[0]];

	/* Table with any section (""): called when one begins; sets base, or refuses by reading_mistake. NULL else. */
	void (*enter)(struct reading *r, const char *section);
	void (*leave)(struct reading *r); /* the section's end: its own checks */
	void *ctx;

	const char *at;   /* rest of the text */
	int line;
	bool in_section;
	size_t section;   /* index in the table, READING_SECTIONS when unknown */
	char section_name[64];
	int section_line[READING_SECTIONS]; /* 0: not there */
	int key_line[READING_KEYS];         /* 0: not there; of the present section when the table has "" */
};

/* Fill base with the fallbacks of all keys. */
void reading_defaults(const struct profile_table *table, void *base);

/* Walk through text (NUL-terminated). Mistakes of form, names and values and missing keys are noted. */
void reading_run(struct reading *r, const char *text);

/* Note a mistake: "NAME:LINE: [SECTION] KEY: ...". line 0 leaves it out, section or key may be NULL. */
void reading_mistake(struct reading *r, int line, const char *section, const char *key, const char *format, ...)
	PRINTF_LIKE(5, 6);

/* Line of a key that was given, 0 when it was not. */
int reading_line(const struct reading *r, const char *section, const char *key);

/* RC_OK, or RC_ARG with the one mistake or their count in the sentence. */
enum rc reading_end(const struct reading *r, struct err *err);

#endif
