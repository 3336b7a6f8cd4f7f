/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The data sheet's curve as it was when a run began: a record of kind "claimed" of that run. */
#ifndef BRIDLE_LOGBOOK_CLAIMED_H
#define BRIDLE_LOGBOOK_CLAIMED_H

#include "channel/claimed_curve.h"
#include "logbook/logbook.h"

/* A curve without points is kept as no record. Errors as logbook_record. */
enum rc claimed_add(struct logbook *lb, int64_t run_id, int64_t wall_ns, const struct claimed_curve *curve,
		    struct err *err) MUST_CHECK;

/* n = 0 where the run has none, or one that is not whole. */
enum rc claimed_find(struct logbook *lb, int64_t run_id, struct claimed_curve *ret, struct err *err) MUST_CHECK;

#endif
