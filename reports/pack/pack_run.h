/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What goes into the pack of a run: everything that report_write publishes, the profiles and records as the logbook has
 * them, the samples of the windows as CSV, and the run's rows themselves. */
#ifndef BRIDLE_REPORTS_PACK_PACK_RUN_H
#define BRIDLE_REPORTS_PACK_PACK_RUN_H

#include "reports/pack/pack.h"
#include "reports/reduce/report.h"

/* r: of this logbook, as it is to be published. *ret_head: the manifest without "files", given to the caller.
 * Errors as report_write (a folder in $TMPDIR is used and taken away), extract_make, pack_add. */
enum rc pack_run(struct logbook *lb, const struct report *r, struct pack *ret, json_t **ret_head,
		 struct err *err) MUST_CHECK;

/* windows.csv: one row a window, zeros too; times on the run's clock. samples.csv: the samples of the windows in order,
 * raw, every digit; empty where not told; samples NULL: windows.csv alone. Windows count from 1 through both. */
enum rc pack_windows(struct logbook *lb, int64_t run_id, FILE *windows, FILE *samples, struct err *err) MUST_CHECK;

#endif
