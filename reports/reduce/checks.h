/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Every check of the calibration by one check weight, out of the logbook, with its control chart
 * (calib/fit/control_chart.h).
 *
 * What the chart follows is the sensitivity that each check gives, counts per N·m of the check weight: a new
 * calibration does not change it, the cell does. Only checks with the same weights go into one chart: those of the
 * newest. Virtual and real ones are never mixed: those as the newest count. Reads the logbook alone. */
#ifndef BRIDLE_REPORTS_REDUCE_CHECKS_H
#define BRIDLE_REPORTS_REDUCE_CHECKS_H

#include "calib/fit/control_chart.h"
#include "logbook/logbook.h"
#include "reports/reduce/ini_changes.h"

#define CHECKS_BASE_LEAST 8 /* fewer make limits that may still move much: said (common practice, no source) */

struct check_result {
	int64_t record_id, run_id, wall_ns, calibration_id;
	double sensitivity; /* counts per N·m of the weight */
	double expected_Nm; /* what the weight makes */
	double off_Nm;      /* by the calibration, less that; U_Nm is its expanded uncertainty */
	double U_Nm, e_n;
	double ambient_degC; /* NaN not known */
	bool ok;             /* |e_n| <= 1 and the zero came back */
	bool zero_moved;     /* it did not come back */
	bool on_bench;
	char weights[160];
};

struct checks {
	size_t n, room;
	struct check_result *check;                                      /* in the order of time */
	size_t n_other_weights, n_other_kind;                            /* left out */
	bool all_refused;                                                /* none held: all make the limits */
	struct control_chart chart;                                      /* sigma NaN or 0: no limits yet */
	char rig[INI_VALUE], place[INI_VALUE], operator_name[INI_VALUE]; /* by rig.ini at the newest; "" */
};
void checks_free(struct checks *c); /* NULL is fine */

/* *ret given to the caller. RC_ARG no check yet; RC_DB, RC_NOMEM. */
enum rc checks_of(struct logbook *lb, struct checks **ret, struct err *err) MUST_CHECK;

bool checks_charted(const struct checks *c);            /* there are limits */
double checks_sigmas(const struct checks *c, size_t i); /* off the centre; NaN without limits */
/* The sentence of the newest check, and of the run rules. */
void checks_verdict(const struct checks *c, char *buf, size_t size);

#endif
