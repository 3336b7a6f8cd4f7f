/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What `bridle log` shows: text for 80 columns, or one JSON document. */
#ifndef BRIDLE_COMMAND_LOG_PRINT_H
#define BRIDLE_COMMAND_LOG_PRINT_H

#include "logbook/logbook.h"

#include <stdio.h>

enum rc log_list(struct logbook *lb, bool json, struct err *err) MUST_CHECK;
enum rc log_show(struct logbook *lb, const struct run_info *run, bool json, struct err *err) MUST_CHECK;
/* After logbook_verify: how much there is, and each run's digest. */
enum rc log_verified(struct logbook *lb, bool json, struct err *err) MUST_CHECK;
/* One line a sample, units in the heading, empty where unknown; time from the run's start. The caller checks the
 * stream. */
enum rc log_export_csv(struct logbook *lb, const struct run_info *run, FILE *to, struct err *err) MUST_CHECK;

#endif
