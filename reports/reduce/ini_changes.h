/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Which keys differ between two INI texts, both of which were read without a mistake before. Comments, blanks and the
 * order of keys do not count. Values are compared whole; what is told of a long one ends in "...", at a character.
 * Pure. */
#ifndef BRIDLE_REPORTS_REDUCE_INI_CHANGES_H
#define BRIDLE_REPORTS_REDUCE_INI_CHANGES_H

#include <stdbool.h>

/* told: "[arm] length: 500 mm, was 498 mm", once for each key; "none" stands for a key that is not there. At most
 * INI_CHANGE bytes with the end of the text. */
#define INI_CHANGE 224
void ini_changes(const char *before, const char *after, void (*told)(void *ctx, const char *what), void *ctx);

/* The value of a key, without a comment behind it; false, and "" in ret, where it is not there. Reads what a newer
 * program might no longer take whole. */
#define INI_VALUE 80
bool ini_value(const char *text, const char *section, const char *key, char ret[INI_VALUE]);

#endif
