/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a person accepted on purpose although two figures do not agree (profile/plausible.h): records of kind
 * "accepted". An acceptance holds for the same check with the same two figures, each within a tenth, and for nothing
 * else. */
#ifndef BRIDLE_LOGBOOK_ACCEPTED_H
#define BRIDLE_LOGBOOK_ACCEPTED_H

#include "logbook/logbook.h"

/* word: of the check. run_id 0: of no run. reason, sentence: kept as they are. Errors as logbook_record. */
enum rc accepted_add(struct logbook *lb, int64_t run_id, int64_t wall_ns, const char *word, double found,
		     double expected, const char *reason, const char *sentence, struct err *err) MUST_CHECK;

/* The reason of the newest acceptance that holds, "" when there is none. lb NULL: "". */
enum rc accepted_find(struct logbook *lb, const char *word, double found, double expected, char *ret_reason,
		      size_t size, struct err *err) MUST_CHECK;

#endif
