/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The shaft turned slowly, there and back over the same turns: what the cell reads against the angle by the pick-up.
 *
 * Order: contactor; the drive turns forward; the brake takes its torque during the first turn or more, and its current
 * stays as it is from then on, so that no controller works against what is to be seen; the record; a turn beyond it, so
 * that the way back has settled where it begins; the same turns backward; the speed back to zero, the drive off, the
 * brake let go. A row is taken with each new conversion of the cell; its angle is that of the last pulse and what the
 * speed makes of the time since, at most one pulse.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_RIPPLE_H
#define BRIDLE_RUN_SEQ_RIPPLE_H

#include "run/sequence.h"
#include "run/torque_control.h"

#define RIPPLE_ROWS 120000

struct ripple_config {
	double speed_rpm, slew_rpm_per_s; /* both positive */
	double turns;                     /* each way, whole, 2 or more */
	double pulses_per_rev;
	double torque_Nm;                     /* of the brake; 0: no current */
	struct torque_control_config control; /* where there is torque */
};
double seq_ripple_s(const struct ripple_config *config); /* about how long it takes */

enum ripple_phase {
	RIPPLE_START,
	RIPPLE_SETTLE, /* forward and backward */
	RIPPLE_RECORD,
	RIPPLE_BEYOND,
	RIPPLE_DOWN,
	RIPPLE_RELEASE,
	RIPPLE_END
};

struct seq_ripple {
	struct ripple_config config;
	enum ripple_phase phase;
	bool started;
	int way; /* +1, then -1 */
	struct mono phase_at, last_now, begin;
	double phase_rev, set_rpm, brake_A;
	struct torque_control control;
	uint32_t conversion;
	/* results */
	size_t n, n_there; /* rows; of them forward */
	double turn[RIPPLE_ROWS], torque_Nm[RIPPLE_ROWS], time_s[RIPPLE_ROWS];
};

void seq_ripple_begin(struct seq_ripple *s, const struct ripple_config *config);
void seq_ripple_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
