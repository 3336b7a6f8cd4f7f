/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A record for `tame`: its table read, its joint identified, its two ways onto paper. */
#ifndef BRIDLE_COMMAND_TAME_RECORD_H
#define BRIDLE_COMMAND_TAME_RECORD_H

#include "calib/tame/tame_identify.h"
#include "profile/mistakes.h"

#include <jansson.h>

/* Columns time (s), torque (N.m) or current (A), speed (rpm) of the rotor over the ratio; per_A: torque at the output
 * for an ampere, NaN: not given. RC_ARG names the table and what is wrong. */
enum rc tame_record_read(const char *path, double per_A, struct tame_identified *ret, struct mistakes *m,
			 struct err *err) MUST_CHECK;

json_t *tame_record_json(const struct tame_identified *id);
void tame_record_print(const struct tame_identified *id);

#endif
