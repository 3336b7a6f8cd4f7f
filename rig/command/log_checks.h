/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle log check: every check of the calibration by a check weight, and its control chart
 * (calib/fit/control_chart.h).
 *
 * What the chart follows is the sensitivity that each check gives, counts per N·m of the check weight: a new
 * calibration does not change it, the cell does. Only checks with the same weights go into one chart: those of the
 * newest. */
#ifndef BRIDLE_COMMAND_LOG_CHECKS_H
#define BRIDLE_COMMAND_LOG_CHECKS_H

#include "logbook/logbook.h"

/* As text of at most 80 columns or as one JSON document on standard output. RC_ARG no check yet; RC_IO, RC_DB,
 * RC_NOMEM. */
enum rc log_checks(struct logbook *lb, bool json, struct err *err) MUST_CHECK;

#endif
