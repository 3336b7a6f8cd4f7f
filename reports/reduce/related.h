/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What else the logbook holds of an actuator beside its sweeps: results of hold, play, obey, ripple and tame at the
 * rig. */
#ifndef BRIDLE_REPORTS_REDUCE_RELATED_H
#define BRIDLE_REPORTS_REDUCE_RELATED_H

#include "logbook/logbook.h"

#define RELATED_MAX 24
struct related {
	size_t n, n_older; /* n_older: that found no room */
	struct related_result {
		int64_t run_id, wall_ns;
		char kind[16]; /* "hold", "play", ...: of the run and its record */
		char page[64]; /* where its page stands, as a link from the page that names it; "" not known */
	} result[RELATED_MAX];
};

/* Of runs whose result was kept, real or virtual as on_bench says: by kind in that order, the newest first. RC_DB. */
enum rc related_of(struct logbook *lb, const char *actuator, bool on_bench, struct related *ret,
		   struct err *err) MUST_CHECK;

/* "hold: continuous torque and holding times"; static text, "" for another kind. */
const char *related_words(const char *kind);

#endif
