/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle log history: what should stay as it is over months, and what was changed (reports/reduce/history.h). */
#ifndef BRIDLE_COMMAND_LOG_HISTORY_H
#define BRIDLE_COMMAND_LOG_HISTORY_H

#include "logbook/logbook.h"

/* actuator, out: NULL when not given. As text of at most 80 columns or as one JSON document on standard output; page,
 * figure and tables into out. Errors as history_of. */
enum rc log_history(struct logbook *lb, const char *actuator, const char *out, bool json, struct err *err) MUST_CHECK;

#endif
