/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Doubts on terminal and in JSON, and the word that goes past one. */
#ifndef BRIDLE_COMMAND_DOUBTS_TELL_H
#define BRIDLE_COMMAND_DOUBTS_TELL_H

#include "reports/reduce/curve.h"
#include "run/doubts.h"

#include <jansson.h>

/* Whether a doubt refuses still: false for one that only doubts and for one that was accepted before (ret_reason then
 * has the words, else ""). lb NULL: nothing was accepted. */
enum rc doubt_refuses(struct logbook *lb, const struct doubt *d, char *ret_reason, size_t size, bool *ret,
		      struct err *err) MUST_CHECK;
/* Keep that it is accepted from now on. */
enum rc doubt_accept(struct logbook *lb, int64_t run_id, int64_t wall_ns, const struct doubt *d, const char *reason,
		     struct err *err) MUST_CHECK;

/* {"check", "refuses", "message", "found", "expected", "accepted"}; reason "" or NULL: null. */
json_t *doubt_json(const struct doubt *d, bool refuses, const char *reason);
/* "Wrong: ...", "Doubtful: ...", "Accepted (reason): ...", wrapped, on standard output. */
void doubt_print(const struct doubt *d, bool refuses, const char *reason);

/* What a curve, its map and its calibration contradict, refusals only. map, cal NULL: not looked at. */
void doubts_of_curve(const struct curve *curve, const struct rig_profile *rig, const struct actuator_profile *actuator,
		     const struct brakemap *map, const struct cellcal *cal, struct doubts *ret);

#endif
