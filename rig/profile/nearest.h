/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The word that a misspelt one was meant to be. Pure. */
#ifndef BRIDLE_PROFILE_NEAREST_H
#define BRIDLE_PROFILE_NEAREST_H

#include <stddef.h>

/* The word of the list with the smallest edit distance (insert, delete, replace, swap of neighbours),
 * letter case ignored; NULL when none is near: more than a third of the letters differ. words may hold NULLs. */
const char *nearest_word(const char *word, const char *const *words, size_t n);

#endif
