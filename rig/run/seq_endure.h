/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Cycles of load, unattended: in each cycle at each speed of the plan (negative: the other way) first without load,
 * then each load held, then off; after the last speed the shaft stands with nothing driven for the pause, and the
 * cycle's numbers are told and judged (endure_watch.h).
 *
 * A rule that is met ends it in order: the load comes off while the shaft turns, the speed goes to 0, everything off.
 * The case's temperature is looked at on each tick, the other rules after each cycle. What the guard watches stays the
 * guard's. Rows of samples: each cycle that is kept (the first of a call, and each keep-th) has all of its ticks, the
 * others a row each ENDURE_THIN_S.
 *
 * Pure: no I/O, no clock, no allocation, no globals; the state does not grow. */
#ifndef BRIDLE_RUN_SEQ_ENDURE_H
#define BRIDLE_RUN_SEQ_ENDURE_H

#include "run/endure_watch.h"
#include "run/sequence.h"
#include "run/torque_control.h"

#define ENDURE_LEGS 20   /* speeds in a cycle */
#define ENDURE_LOADS 400 /* at one speed, up and down */
#define ENDURE_THIN_S 1.0

struct endure_config {
	size_t n_legs;
	double rpm[ENDURE_LEGS];
	size_t n_loads[ENDURE_LEGS]; /* the first of load_Nm */
	double load_Nm[ENDURE_LOADS];
	double no_load_s, hold_s, pause_s;
	double slew_rpm_per_s;
	struct torque_control_config control; /* its map is borrowed */
	long first, last;                     /* cycles of this call */
	long keep;
	double most_s; /* no cycle begins after it; INFINITY: none */
};
double seq_endure_cycle_s(const struct endure_config *config); /* about */

enum endure_phase {
	ENDURE_START,
	ENDURE_SPEED,
	ENDURE_NO_LOAD,
	ENDURE_LOAD,
	ENDURE_UNLOAD,
	ENDURE_DOWN,
	ENDURE_PAUSE,
	ENDURE_TELL,
	ENDURE_END
};

struct endure_mean {
	double sum;
	long n;
};

struct seq_endure {
	struct endure_config config;
	struct endure_watch watch;
	enum endure_phase phase;
	bool started;
	struct mono begin, phase_at, last_now;
	size_t leg, load;
	long number; /* of the cycle under way */
	double set_rpm, brake_A;
	struct torque_control control;
	struct endure_mean no_load_A, no_load_rpm, load_Nm, load_rpm;
	double case_degC, ambient_degC; /* as the load came off last */
	/* results */
	struct endure_found found; /* why it ended, or what drifts */
	bool out_of_time;
	long cycles; /* whole ones in this call */
};

/* watch: with the cycles that went before. */
void seq_endure_begin(struct seq_endure *s, const struct endure_config *config, const struct endure_watch *watch);
/* Notes: each cycle as endure_cycle_text has it; a drift as "drift: ...", a rule that stops as "rule: ...". */
void seq_endure_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
