/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle log check: every check of the calibration by a check weight, and its control chart
 * (reports/reduce/checks.h). */
#ifndef BRIDLE_COMMAND_LOG_CHECKS_H
#define BRIDLE_COMMAND_LOG_CHECKS_H

#include "logbook/logbook.h"

/* out: NULL when not given. As text of at most 80 columns or as one JSON document on standard output; page, figure and
 * table into out. RC_ARG no check yet; RC_IO, RC_DB, RC_NOMEM. */
enum rc log_checks(struct logbook *lb, const char *out, bool json, struct err *err) MUST_CHECK;

#endif
