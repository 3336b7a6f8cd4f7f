/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Do the sensors agree which way is up? The shaft is turned slowly forward, by the drive or by a person, and the
 * brake's current is brought up only until the torque has answered. Then the pick-up's speed must be forward, the
 * drive's own rotor speed of the same sign and in the gear's ratio, and the torque must have risen: a torque loop with
 * any other sign would load the shaft without end.
 *
 * What answers wrongly is told at once (stop, with words); what stays silent is told too: no torque at the largest
 * current that is tried. Where the pick-up cannot tell the way, its sign is not judged; where the drive tells no
 * speed, its sign is not.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_SIGNS_H
#define BRIDLE_RUN_SEQ_SIGNS_H

#include "run/sequence.h"

struct signs_config {
	double speed_rpm, slew_rpm_per_s; /* of the output, both positive */
	double answer_Nm;  /* a change of torque that cannot be noise; what the torque swings by within a turn comes on
			      top */
	double most_A;     /* no more current than this */
	double max_A;      /* of the brake: the current rises and falls by a tenth of it a second */
	double gear_ratio; /* rotor turns per turn of the output; 0: not known, then only the sign is judged */
	bool no_direction; /* the pick-up counts up whichever way the shaft turns */
	bool by_hand;      /* a person turns the shaft, told by notes */
};

enum signs_phase { SIGNS_START, SIGNS_TURN, SIGNS_BASE, SIGNS_LOAD, SIGNS_UNLOAD, SIGNS_COAST, SIGNS_END };

struct seq_signs {
	struct signs_config config;
	enum signs_phase phase;
	bool started, told;
	struct mono phase_at, last_now;
	double speed_set_rpm, brake_A;
	double torque_Nm; /* lightly filtered */
	/* of at least one whole turn without current, the torque filtered: its mean, and what it swings by goes on the
	 * answer */
	double base_Nm, base_sum_Nm, low_Nm, high_Nm, needed_Nm, rotor_sum_rpm, speed_sum_rpm, from_rev;
	unsigned base_n, rotor_n, torque_n;
	/* results */
	double answer_Nm, at_A; /* how far the torque rose, at what current read back; NaN before */
	bool rotor_judged;
	const char *wrong; /* "wrong_sign", "wrong_direction", "wrong_ratio", "no_answer"; NULL: nothing is */
};

void seq_signs_begin(struct seq_signs *s, const struct signs_config *config);
void seq_signs_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
