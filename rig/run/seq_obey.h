/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A torque commanded in steps against a shaft that the brake locks: what the drive is told and what the cell reads, up,
 * down and of both signs.
 *
 * Order: contactor; the brake takes hold; then for each step the command moves slowly, waits, and a mean is taken; the
 * command back to zero, the drive off, the brake let go slowly, since a gear that was wound up turns back. A shaft that
 * turns further than play and twist let it is a brake that slips: the sequence asks to stop, and says so.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_OBEY_H
#define BRIDLE_RUN_SEQ_OBEY_H

#include "run/sequence.h"

#define OBEY_STEPS 200

struct obey_config {
	size_t n;
	double torque_Nm[OBEY_STEPS]; /* commanded, in order */
	double slew_Nm_per_s;
	double settle_s, window_s;
	double lock_A, slew_A_per_s; /* of the brake */
	double limit_rpm;            /* that the drive keeps when its load lets go */
	double slip_deg;             /* of the output; more is a slip */
};

struct obey_reading {
	double commanded_Nm, measured_Nm;
	int way;                /* +1 rising, -1 falling */
	struct mono begin, end; /* of the mean */
};

enum obey_phase {
	OBEY_START,
	OBEY_LOCK,
	OBEY_MOVE,
	OBEY_SETTLE,
	OBEY_TAKE,
	OBEY_BACK,
	OBEY_OFF,
	OBEY_RELEASE,
	OBEY_END
};

struct seq_obey {
	struct obey_config config;
	enum obey_phase phase;
	bool started;
	struct mono phase_at, last_now;
	size_t at; /* step */
	double set_Nm, brake_A, locked_deg;
	double sum_Nm;
	unsigned sum_n;
	uint32_t conversion;
	/* results */
	size_t n;
	struct obey_reading reading[OBEY_STEPS];
};

/* 0 to +most, to -most, to 0 in steps of most / quarter, so many times over: 4 quarter cycles readings. Returns how
 * many; 0 when that is none or more than OBEY_STEPS. */
size_t seq_obey_stairs(double most_Nm, size_t quarter, size_t cycles, double *ret);
double seq_obey_s(const struct obey_config *config); /* about how long it takes */

void seq_obey_begin(struct seq_obey *s, const struct obey_config *config);
void seq_obey_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
