/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tables of keys: what may stand in each file that people write. The reader, the templates of
 * `bridle new` and the man page all come from them. Static data only. */
#ifndef BRIDLE_PROFILE_KEYS_H
#define BRIDLE_PROFILE_KEYS_H

#include "profile/profile.h"

#include <stdbool.h>
#include <stddef.h>

enum key_type {
	KEY_TEXT,     /* char[size] */
	KEY_NAME,     /* char[size]: letters, digits, '-', '_', '.': a file's or section's plain name */
	KEY_VALUE,    /* double in unit, without an uncertainty */
	KEY_QUANTITY, /* struct quantity in unit */
	KEY_SPREAD,   /* double: the relative standard uncertainty of "± 50 ppm" */
	KEY_WHOLE,    /* int */
	KEY_CHOICE,   /* int-sized enum: choices in its order, split by '|' */
	KEY_SIGN,     /* int, +1 or -1 */
	KEY_YESNO,    /* bool */
	KEY_CLAIM,    /* struct claim in unit, "@ SPEED" allowed */
	KEY_STEPS,    /* the steps of a plan */
	KEY_SPEEDS,   /* its speeds */
	KEY_DWELL     /* its dwell: a time or a target */
};

#define KEY_REQUIRED 1u  /* otherwise: fallback, or, without one, may be left out */
#define KEY_UNCERTAIN 2u /* an uncertainty must be written */
#define KEY_ABOVE 4u     /* more than min, not min itself */
#define KEY_NO_SPEED 16u /* of a claim: nothing may stand after @ */
#define KEY_WHOLES 32u   /* a value that is counted: whole */
#define KEY_SHOWN 8u     /* not required, but the template gives it */

struct profile_key {
	const char *section, *key;
	enum key_type type;
	unsigned flags;
	const char *unit;     /* for quantity_parse; "1" dimensionless; NULL where there is none */
	const char *fallback; /* as one would write it; NULL none */
	const char *sample;   /* what the template shows; NULL: the fallback */
	double min, max;      /* of the value in unit, both allowed */
	const char *choices;
	const char *meaning; /* ends without a full stop */
	size_t offset, size; /* in the struct that is read */
};

struct profile_section {
	const char *name; /* "" stands for any name */
	bool optional;    /* its required keys are required only when it is there */
	const char *meaning;
};

struct profile_table {
	const char *file;    /* "rig.ini", "actuators/NAME.ini" */
	const char *meaning; /* of the whole file */
	const struct profile_section *sections;
	size_t n_sections;
	const struct profile_key *keys; /* grouped by section, in the order of sections */
	size_t n_keys;
};

const struct profile_table *profile_table(enum profile_file which);

/* The keys of a section (which there is) are keys[*ret_first] and the next *ret_n. */
void profile_section_keys(const struct profile_table *table, size_t section, size_t *ret_first, size_t *ret_n);

/* "more than 0 N.m", "10 to 1000 Hz", "" when anything goes. */
void profile_range_text(const struct profile_key *key, char *buf, size_t size);

/* What the key expects, for mistakes, templates and the manual: "a torque with its unit, such as 60 N.m". */
void profile_expects(const struct profile_key *key, char *buf, size_t size);

#endif
