/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The zero of the cell with the actuator coupled. At rest a coupled shaft keeps whatever torque friction locked into it when it
 * stopped, up to the brake's drag, and the cell cannot tell that from its zero. So the shaft is turned slowly both ways with the
 * brake off: drag has the sign of the motion, and the mean of the two readings is the zero (common practice, no source). Each
 * reading is a mean over whole turns, so that what is uneven in a turn falls out.
 *
 * Two points flagged POINT_TARE come out, direction +1 and -1; together they are one zero. The motion is the drive's in speed
 * mode, or a person's; the guard must be told to expect either direction.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_ZERO_H
#define BRIDLE_RUN_SEQ_ZERO_H

#include "calib/stats.h"
#include "run/sequence.h"

struct zero_config {
	double speed_rpm, slew_rpm_per_s; /* of the output, both positive */
	double settle_turns, average_turns, least_s;
	double sign;                      /* of the cell */
	double drag_ratio, u_drag_ratio;  /* drag turned backwards over drag turned forwards */
	bool set_tare;
	bool by_hand;                     /* a person turns the shaft, told by notes; nothing is energised */
};

enum zero_phase { ZERO_START, ZERO_SETTLE, ZERO_AVERAGE, ZERO_COAST, ZERO_END };

struct seq_zero {
	struct zero_config config;
	enum zero_phase phase;
	bool started, back;      /* back: turning the negative way */
	bool told;               /* by hand: the person was asked for this way */
	struct mono phase_at, last_now;
	double phase_angle_rev, speed_set_rpm, settle_s;
	uint32_t last_conversion;
	struct stats_run run;
	/* results, signed counts, not tared */
	struct stats_mean way[2]; /* forward, back */
	double zero_count, u_zero_count, drag_count; /* drag: half the difference of the two */
	double ambient_degC;
};

void seq_zero_begin(struct seq_zero *z, const struct zero_config *config);
void seq_zero_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
