/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The comparison of one document and of one table. */
#ifndef BRIDLE_REPORTS_PACK_PACK_CHECK_PRIVATE_H
#define BRIDLE_REPORTS_PACK_PACK_CHECK_PRIVATE_H

#include "reports/pack/pack_check.h"

#include "logbook/logbook.h"

/* Within rounding: apart by at most 1e-9 of the larger, or by a millionth of the standard uncertainty that is beside
 * the number as u_NAME (a difference of large numbers has fewer digits). Of the tables, which have ten digits: 2e-9. */
void pack_check_json(struct pack_check *c, const json_t *published, const json_t *recomputed);
void pack_check_table(struct pack_check *c, const char *name, const char *published, const char *recomputed);
/* samples.csv against the rows, number by number; it ends at the first row that differs. */
enum rc pack_check_samples(struct pack_check *c, const char *text, struct logbook *lb, int64_t run_id,
			   struct err *err) MUST_CHECK;
void pack_check_differ(struct pack_check *c, const char *name, const char *published, const char *recomputed);

#endif
