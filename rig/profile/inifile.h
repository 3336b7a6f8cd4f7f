/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One INI text walked through with a table of keys, all its mistakes collected. Inside this room only. */
#ifndef BRIDLE_PROFILE_INIFILE_H
#define BRIDLE_PROFILE_INIFILE_H

#include "profile/keys_tables.h"
#include "profile/profile_private.h"

#define INIFILE_KEYS 160
#define INIFILE_SECTIONS 48

struct inifile {
	const char *name; /* of the file, for people */
	const struct profile_table *table;
	void *whole; /* base of the file: a section with a name of its own has another */
	void *base;  /* what the table's offsets belong to; NULL: the values of this section are not kept */
	struct mistakes *mistakes;
	struct mistakes own; /* used when the caller wants none */
	size_t n_mistakes;   /* of this file alone */
	char first[sizeof((struct mistakes *)0)->line[0]];

	/* Table with any section (""), or a section whose name ends in NAME: called when one begins; sets base, or
	 * refuses by inifile_mistake. NULL else. */
	void (*enter)(struct inifile *r, const char *section);
	void (*leave)(struct inifile *r); /* the section's end: its own checks */
	void *ctx;

	const char *at; /* rest of the text */
	int line;
	bool in_section;
	size_t section; /* index in the table, INIFILE_SECTIONS when unknown */
	char section_name[64];
	int section_line[INIFILE_SECTIONS]; /* 0: not there */
	int key_line[INIFILE_KEYS];         /* 0: not there; of the present section when the table has "" */
};

/* Fill base with the fallbacks of all keys but those of sections with names of their own. */
void inifile_defaults(const struct profile_table *table, void *base);
/* Of one section alone. */
void inifile_section_defaults(const struct profile_table *table, const char *section, void *base);

/* Walk through text (NUL-terminated). Mistakes of form, names and values and missing keys are noted. */
void inifile_run(struct inifile *r, const char *text);

/* Note a mistake: "NAME:LINE: [SECTION] KEY: ...". line 0 leaves it out, section or key may be NULL. */
void inifile_mistake(struct inifile *r, int line, const char *section, const char *key, const char *format, ...)
	PRINTF_LIKE(5, 6);

/* Line of a key that was given, 0 when it was not. */
int inifile_line(const struct inifile *r, const char *section, const char *key);

/* RC_OK, or RC_ARG with the one mistake or their count in the sentence. */
enum rc inifile_end(const struct inifile *r, struct err *err);

#endif
