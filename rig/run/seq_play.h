/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The loop of a gear whose output the brake locks: torque slowly to + the largest, to - the largest and back to +, in
 * torque mode; what the cell reads against the rotor's angle by the drive's own sensor, divided by the ratio.
 *
 * Order: contactor; the brake takes hold; the loop, so many times over; the torque back to zero, the drive off, the
 * brake let go slowly, since a gear that was wound up turns back. A row is taken with a new angle; its torque is
 * the mean of the conversions before it. There is no row where torque and angle do not belong together: while the
 * flanks cross the play, and where a gear that sticks and slips jumps, so that the conversions after the angle have a
 * mean apart from that by more than three times what command and noise make of it. The way to
 * the first + the largest begins anywhere in the play; calib/play/play.h leaves it out.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_PLAY_H
#define BRIDLE_RUN_SEQ_PLAY_H

#include "run/sequence.h"

#define SEQ_PLAY_ROWS 20000
#define SEQ_PLAY_WORDS (2 * SEQ_PLAY_ROWS)
#define SEQ_PLAY_MEAN 4 /* conversions, before and after an angle */

struct seq_play_config {
	double torque_Nm, slew_Nm_per_s;
	int loops;
	double lock_A, slew_A_per_s; /* of the brake */
	double limit_rpm;            /* of the output, that the drive keeps in the play */
	double slip_deg;             /* of the output; more is a slip */
	double ratio;                /* rotor turns per output turn */
	/* Of the output: where it moves by more in 0.2 s, or from word to word, it crosses the play. */
	double jump_arcmin;
};

enum seq_play_phase { SEQ_PLAY_START, SEQ_PLAY_LOCK, SEQ_PLAY_MOVE, SEQ_PLAY_OFF, SEQ_PLAY_RELEASE, SEQ_PLAY_END };

struct seq_play {
	struct seq_play_config config;
	enum seq_play_phase phase;
	bool started;
	struct mono phase_at, last_now, begin;
	int leg; /* 0 up, then down and up in turn; the last one back to zero */
	double set_Nm, brake_A, locked_deg;
	uint32_t drive_fresh, conversion;
	bool has_angle;
	double rotor_deg, turned_deg, before_deg; /* within its turn; unwrapped; of the angle before */
	struct mono before_at;
	double newest_Nm[2 * SEQ_PLAY_MEAN];
	unsigned n_newest;
	bool has_still; /* noise of the locked cell, by differences of successive conversions */
	double last_still_Nm, still_Nm2;
	unsigned still_n;
	bool word_waits; /* an angle whose later conversions are still to come */
	unsigned word_n; /* conversions before it */
	struct mono word_now;
	double word_turned_deg;
	/* results: rows in the order of time */
	size_t n, from; /* from: the first row of the loops */
	/* Every angle that was told while it moved, and when: the logbook's samples have none. */
	size_t n_words;
	struct mono word_at[SEQ_PLAY_WORDS];
	double word_deg[SEQ_PLAY_WORDS];
	double torque_Nm[SEQ_PLAY_ROWS], angle_arcmin[SEQ_PLAY_ROWS]; /* of the output side */
};

double seq_play_s(const struct seq_play_config *config); /* about how long it takes */
/* What a play needs and nobody tells, a sentence (static); NULL: nothing. */
const char *seq_play_untold(const struct snapshot *snap);
void seq_play_begin(struct seq_play *s, const struct seq_play_config *config);
void seq_play_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
