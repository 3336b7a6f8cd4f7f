/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a rig and one actuator did over months, out of the logbook: a few figures that should stay as they are, each
 * with a control chart (calib/fit/control_chart.h: Nelson's tests 1, 2, 3, 5 and 6), and what was changed in between.
 *
 * | series | from | unit |
 * | zero | the first zero of each sweep: mean count of its windows, both ways of turning alike, by its calibration |
 * N·m | | check_weight | each check of the calibration with the weights of the newest | count/(N·m) |
 * | sensitivity | each calibration: its coefficient of the first degree | count/(N·m) |
 * | brake_slope | each map of the brake, rising branch, linear range | N·m/A |
 * | no_load_current | sweeps of that actuator: step without load, at the speed of the newest; as the meter shows it |
 * A |
 *
 * A change is a key of rig.ini or of the actuator's file that differs from the run before, a calibration (told after
 * its own value), or another version of the program. Virtual and real runs are never mixed. Reads the logbook alone. */
#ifndef BRIDLE_REPORTS_REDUCE_HISTORY_H
#define BRIDLE_REPORTS_REDUCE_HISTORY_H

#include "calib/fit/control_chart.h"
#include "logbook/logbook.h"
#include "reports/reduce/ini_changes.h"

#define HISTORY_FILE 80
#define HISTORY_WHAT (HISTORY_FILE + 1 + INI_CHANGE)

enum history_quantity {
	HISTORY_ZERO,
	HISTORY_CHECK,
	HISTORY_SENSITIVITY,
	HISTORY_BRAKE,
	HISTORY_NO_LOAD,
	HISTORY_QUANTITIES
};
const char *history_word(enum history_quantity quantity);  /* "zero", "check_weight", ... */
const char *history_title(enum history_quantity quantity); /* for people, with its unit */
const char *history_unit(enum history_quantity quantity);

struct history_value {
	int64_t wall_ns, run_id; /* run_id 0: none */
	double value, u;         /* u: standard uncertainty as the record has it, NaN not known */
	double speed_rpm;        /* of a step without load; else NaN */
	bool in_base;            /* may make the limits: a check that held */
	char *weights;           /* of a check, owned; else NULL */
};

struct history_series {
	size_t n, room;
	struct history_value *value; /* in the order of time */
	bool charted;                /* two values that differ, so that there are limits */
	struct control_chart chart;
};

struct history_change {
	int64_t wall_ns, run_id;
	char what
		[HISTORY_WHAT]; /* "rig.ini [arm] length: 500 mm, was 498 mm", "calibration, record 5", "mounting B, was
				  * A" */
};

struct history {
	char actuator[64];       /* "" when there is no sweep */
	char file[HISTORY_FILE]; /* the actuator's: "actuators/paddle-winder.ini"; "" when there is no sweep */
	char rig[INI_VALUE];
	bool on_bench;     /* all of it is of a virtual bench: what the newest sweep is, or the newest run */
	size_t n_left_out; /* runs of the other kind, of which nothing is here */
	struct history_series series[HISTORY_QUANTITIES];
	size_t n_changes, room;
	struct history_change *change; /* in the order of time */
};

/* actuator: its name or that of its file, NULL: that of the newest sweep. *ret given to the caller.
 * RC_ARG: no value of any series; no sweep of that actuator. RC_DB, RC_NOMEM. */
enum rc history_of(struct logbook *lb, const char *actuator, struct history **ret, struct err *err) MUST_CHECK;
void history_free(struct history *h); /* NULL is fine */

/* Changes after value no - 1 up to value no of a series (no 0: none): the first of them and how many. */
size_t history_changes(const struct history *h, const struct history_series *s, size_t no, size_t *ret_first);

#endif
