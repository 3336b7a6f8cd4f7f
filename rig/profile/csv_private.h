/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A table from memory. */
#ifndef BRIDLE_PROFILE_CSV_PRIVATE_H
#define BRIDLE_PROFILE_CSV_PRIVATE_H

#include "profile/csv.h"

/* As csv_read. text (from malloc) is taken over, also after a failure. name: for messages. */
enum rc csv_parse(char *text, const char *name, struct csv *ret, struct mistakes *m, struct err *err) MUST_CHECK;

#endif
