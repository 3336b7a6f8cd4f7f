/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The result of a run of hold, play, obey, ripple, tame, endure or a response, computed anew from its samples by
 * today's program. */
#ifndef BRIDLE_COMMAND_PROCEDURE_AGAIN_H
#define BRIDLE_COMMAND_PROCEDURE_AGAIN_H

#include "reports/reduce/report.h"

/* lb: the bench's logbook, or an extract. *ret given to the caller; NULL where the run is of another kind. Errors as
 * live_procedure_again and report_of_procedure. */
enum rc procedure_report_again(struct logbook *lb, int64_t run_id, struct report **ret, struct err *err) MUST_CHECK;

#endif
