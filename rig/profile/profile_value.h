/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One value as written, into the field that its key names. Inside this room only. */
#ifndef BRIDLE_PROFILE_VALUE_H
#define BRIDLE_PROFILE_VALUE_H

#include "profile/profile_private.h"

#define VALUE_WHY 200

/* base: the struct that the table's offsets belong to; the field is written on success only. False: ret_why says
 * what was expected ("a torque such as 60 N.m; the unit is missing"). */
bool value_read(const struct profile_key *key, const char *text, void *base, char ret_why[VALUE_WHY]);

#endif
