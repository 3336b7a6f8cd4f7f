/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A run of `endure` as a result that is published: its cycles, the first against the last, and the drift chart. */
#ifndef BRIDLE_COMMAND_ENDURE_REPORT_H
#define BRIDLE_COMMAND_ENDURE_REPORT_H

#include "logbook/logbook.h"
#include "reports/reduce/procedure.h"

/* From the events of the run and the plan that it kept. *ret given to the caller. RC_SAYS_NO the run has no whole
 * cycle; RC_NOMEM, RC_DB. */
enum rc endure_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err) MUST_CHECK;

#endif
