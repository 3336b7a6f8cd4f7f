/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a watch (seq_probe.h) says of each channel: a wiring fault has its signature in readings at rest. Pure.
 *
 * | channel | signature | verdict |
 * |---|---|---|
 * | cell | 99 % of the converter's end or beyond | fault: a wire of the bridge is open |
 * | cell | no conversion in the watch | fault |
 * | cell | 20 conversions or more, all equal | fault: data or clock line |
 * | cell | less than half of the conversions that the node states | fault: rate pin |
 * | cell | a wave where 50 or 60 Hz stand folded (run/probe_hum.h) | look: hum of the mains |
 * | pick-up of two channels | turned by hand, the drive's rotor is told the other way 3 times, never the same | fault:
 *   a sign is reversed |
 * | pick-up of two channels | 8 edges or more within one pulse to and fro | fault: one channel is dead, or a shaft that
 *   shakes at an edge |
 * | pick-up | no pulse | look: nobody turned the shaft, or it is dead |
 * | temperature | exactly 85 °C (start value of common digital sensors), below -55 °C or above 250 °C | fault |
 * | temperature | 30 readings or more over 60 s or more, all equal | look: stuck, or only steady |
 *
 * The limits are common practice, no source. What needs a load (the cell's sign, a gain) is not judged here. */
#ifndef BRIDLE_RUN_PROBE_SIGNS_H
#define BRIDLE_RUN_PROBE_SIGNS_H

#include "run/seq_probe.h"

#define PROBE_WORDS 200

enum probe_say {
	PROBE_NONE, /* nothing was read: no such channel, or not yet calibrated */
	PROBE_GOOD, /* no signature of a fault */
	PROBE_LOOK, /* the readings alone do not tell */
	PROBE_FAULT
};

/* What is known beforehand. */
struct probe_stated {
	double saturation_count; /* [cell] saturation or the converter's end, as the session has it */
	double conversions_Hz;   /* that the node states; 0: it does not */
	bool has_cell;
	bool two_channels; /* of the pick-up */
};

struct probe_verdict {
	enum probe_say say;
	char words[PROBE_WORDS]; /* what is seen, what to do; "" for PROBE_NONE and PROBE_GOOD */
};

struct probe_verdict probe_judge(const struct probe *w, enum probe_channel channel, const struct probe_stated *stated);

const char *probe_say_word(enum probe_say say); /* "none", "good", "look", "fault" */

#endif
