/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Commanded against measured torque at a shaft that turns: the drive in torque mode, the brake its load.
 *
 * For each speed, forward and then backward: the brake off, the torque rises until the shaft turns; the command is then
 * the load that the cell reads and a controller of the mean speed; the brake goes through its loads, none first, up and
 * down, and for each a mean of command, torque and speed is taken; the brake off, the torque to 0, the drive off until
 * the shaft stands. A brake can only hold back, so the command always has the sign of the turning.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_OBEY_TURN_H
#define BRIDLE_RUN_SEQ_OBEY_TURN_H

#include "run/sequence.h"
#include "run/torque_control.h"

#define OBEY_TURN_SPEEDS 5
#define OBEY_TURN_ROWS 200

struct obey_turn_config {
	size_t n_speeds;
	double speed_rpm[OBEY_TURN_SPEEDS]; /* above 0; each is turned both ways */
	size_t steps;                       /* loads beyond none */
	double load_Nm;                     /* the largest load */
	double most_Nm;                     /* that may be commanded */
	double settle_s, window_s;
	struct torque_control_config control; /* of the brake */
};

struct obey_turn_row {
	double commanded_Nm, measured_Nm, speed_rpm; /* means; signed */
	double rotor_rpm;                            /* of the drive's words of its rotor; NaN: none told it */
	size_t load;                                 /* 0: none */
	struct mono begin, end;
};

enum obey_turn_phase { TURN_START, TURN_RISE, TURN_LOAD, TURN_TAKE, TURN_DOWN, TURN_OFF, TURN_END };

struct seq_obey_turn {
	struct obey_turn_config config;
	enum obey_turn_phase phase;
	bool started;
	struct mono phase_at, last_now;
	size_t leg, at; /* speed and way; load of the stair */
	double set_Nm, slow_Nm, load_Nm, broke_Nm, brake_A;
	struct torque_control control;
	double sum_set_Nm, sum_Nm, sum_rpm, sum_rotor_rpm;
	unsigned sum_n, sum_ticks, sum_words;
	uint32_t conversion, word;
	/* results */
	size_t n;
	struct obey_turn_row row[OBEY_TURN_ROWS];
};

size_t seq_obey_turn_rows(const struct obey_turn_config *config); /* readings in all: at most OBEY_TURN_ROWS */
double seq_obey_turn_s(const struct obey_turn_config *config);    /* about how long it takes */
void seq_obey_turn_begin(struct seq_obey_turn *s, const struct obey_turn_config *config);
void seq_obey_turn_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
