/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The zero of the cell with the actuator coupled. At rest a coupled shaft keeps whatever torque friction locked into it
 * when it stopped, up to the brake's drag, and the cell cannot tell that from its zero. So the shaft is turned slowly
 * both ways with the brake off: drag has the sign of the motion, and what lies between the readings is the zero (common
 * practice, no source). Each reading is a mean over whole turns, counted from a pulse on, so that what is uneven in a
 * turn falls out.
 *
 * Forward, backward, forward (calib/cell/turned_zero.h): the two forwards also tell whether the drag still fades, as it
 * does while the poles of a hysteresis brake wear off or powder spreads. When they differ by more than their noise and
 * by more than a share of the drag, it is read again, a bounded number of times; what is left then is in the
 * uncertainty. A hysteresis brake is cleared first (run/pole_clear.h), and before each new try.
 *
 * Points flagged POINT_TARE come out, direction +1, -1, +1; the last three in a row are the zero. The motion is the
 * drive's in speed mode, or a person's; the guard must be told to expect either direction. Where the pick-up cannot
 * tell the direction, the drive's own rotor speed or, without one, the torque's change has to show that the shaft
 * turned back: when neither does, both readings come out with direction +1, reversed stays false and there is no zero.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_ZERO_H
#define BRIDLE_RUN_SEQ_ZERO_H

#include "calib/fit/stats.h"
#include "calib/cell/turned_zero.h"
#include "run/pole_clear.h"
#include "run/sequence.h"

struct zero_config {
	double speed_rpm, slew_rpm_per_s; /* of the output, both positive */
	double settle_turns, average_turns,
		least_s;                 /* backward; a forward reading takes half the turns and half the time */
	double sign;                     /* of the cell */
	double drag_ratio, u_drag_ratio; /* drag turned backwards over drag turned forwards */
	double clear_A;                  /* peak of the clearing of a hysteresis brake; 0: none */
	bool clear_only;                 /* clear, let the shaft rest, read nothing */
	bool no_direction;               /* the pick-up counts up whichever way the shaft turns */
	bool set_tare;
	bool by_hand; /* a person turns the shaft, told by notes; nothing is energised but the brake's clearing */
};

enum zero_phase { ZERO_START, ZERO_CLEAR, ZERO_SETTLE, ZERO_AVERAGE, ZERO_COAST, ZERO_END };

struct seq_zero {
	struct zero_config config;
	enum zero_phase phase;
	bool started;
	bool told; /* by hand: the person was asked for this way */
	struct pole_clear clear;
	unsigned way, round; /* way: 0 forward, 1 back, 2 forward again; round: tries so far */
	struct mono phase_at, last_now;
	double phase_angle_rev, last_angle_rev, speed_set_rpm, settle_s;
	uint32_t last_conversion;
	struct stats_run run;
	char say[96]; /* a note that waits for a tick without another event */
	/* results, signed counts, not tared; NaN without a zero */
	struct turned_half half[3];
	struct turned_zero found;
	bool reversed;                               /* the shaft was seen to turn back */
	bool there;                                  /* settling: the wanted speed has been reached */
	bool fades;                                  /* the drag still changed in the last try */
	double zero_count, u_zero_count, drag_count; /* u: noise, unlike drag and fade together */
	double ambient_degC;
};

void seq_zero_begin(struct seq_zero *z, const struct zero_config *config);
void seq_zero_step(void *state, const struct snapshot *snap, struct seq_out *ret);
/* +1 forward, -1 back: the way that is turned now. */
int seq_zero_way(const struct seq_zero *z);

#endif
