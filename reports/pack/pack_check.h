/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a pack publishes against what this program computes anew from its rows. Pure but for a folder in $TMPDIR. */
#ifndef BRIDLE_REPORTS_PACK_PACK_CHECK_H
#define BRIDLE_REPORTS_PACK_PACK_CHECK_H

#include "reports/pack/pack.h"
#include "reports/reduce/report.h"

#define PACK_DIFFERS_MAX 100

struct pack_check {
	size_t numbers;                /* that were compared */
	size_t rounding;               /* of these: not bit for bit, but within rounding */
	bool same_program;             /* else wording is not compared; verdicts, limits and outcomes always are */
	bool compared[PACK_FILES_MAX]; /* of the pack's files, in their order; or there is nothing to compare */
	size_t n_differs;              /* all that differ; the list holds the first */
	struct pack_difference {
		char name[120]; /* "points[3].torque_Nm", "points.csv line 4: torque (N m)", "records/map-2.json" */
		char published[80], recomputed[80];
	} differs[PACK_DIFFERS_MAX];
};

/* again: reduced anew from the rows of the pack, with their digest; lb those rows. */
enum rc pack_check(const struct pack *pack, struct logbook *lb, const struct report *again, struct pack_check *ret,
		   struct err *err) MUST_CHECK;

#endif
