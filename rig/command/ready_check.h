/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The check weight of bridle ready: hang it, judge whether the calibration still holds (calib/cell/check_mass.h), keep
 * the result. */
#ifndef BRIDLE_COMMAND_READY_CHECK_H
#define BRIDLE_COMMAND_READY_CHECK_H

#include "live/live.h"

#include <jansson.h>

#define READY_CHECK "check" /* kind of the record of each result, also of one that says no */

/* With a session that has a calibration and a [check] weight. *ret_json: the last result, NULL when there is none.
 * RC_SAYS_NO when the calibration does not hold, RC_ARG no such weight; *ret_cause then a word. Weights and arm are
 * asked off also after a failure. */
enum rc ready_check_mass(struct live *live, json_t **ret_json, const char **ret_cause, struct err *err) MUST_CHECK;

#endif
