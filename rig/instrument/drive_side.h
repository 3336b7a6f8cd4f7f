/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What all drives beside the node have in common, whatever they speak: units, side and sign of what is told and
 * commanded, when a command goes out, how old what they told is. No I/O, no allocation, no clock of its own.
 *
 * A command goes out when it changes (at most each DRIVE_LEAST_S, off at once), and again each third of the drive's
 * lease, or each DRIVE_AGAIN_S where it has none: a line that was lost is made good. It goes out only when somebody
 * sets, so that the lease of a drive ends when the tick does.
 *
 * The channel is as old as the older of speed and "enabled".
 *
 * A drive that has not told one of its words for stale_s is not heard: DRIVE_UNHEARD, values NaN, quality MISSING. The
 * channel's age then says that this was found, as with a node whose drive does not answer it. Where the contactor feeds
 * the drive's electronics (boot_s > 0) it may be silent without power and for that time after: then it is off. */
#ifndef BRIDLE_INSTRUMENT_DRIVE_SIDE_H
#define BRIDLE_INSTRUMENT_DRIVE_SIDE_H

#include "channel/drive_word.h"
#include "channel/rigio.h"
#include "instrument/absence.h"

#define DRIVE_LEAST_S 0.02 /* between two commands that differ; common practice, no source */
#define DRIVE_AGAIN_S 0.2  /* between two that do not, where the drive has no lease */
#define DRIVE_STALE_S 0.5  /* at least; five periods */
#define DRIVE_ERROR 300

struct drive_setup {
	double unit_rpm, unit_A; /* one unit of its speed and of its current */
	double unit_Nm;          /* of its torque, at the shaft of its speed */
	double unit_deg;         /* of its angle, of that shaft */
	double gear_ratio;       /* rotor turns per turn of the output */
	int sign;                /* -1: its positive direction is the rig's negative one */
	bool at_output;          /* its speed is that of the output, else of the rotor */
	double lease_s;          /* without a command for so long it goes off by itself; 0: it has no lease */
	double boot_s;           /* after the contactor has closed; 0: it is always powered */
	double period_s;         /* between two of its readings */
};

struct drive_command {
	enum drive_mode mode;
	double value; /* in the drive's own unit: speed, torque or angle of its side, or current; 0 when off */
	double limit; /* of torque and position mode: the most speed either way, in its own unit, above 0; else 0 */
};

struct drive_side {
	struct drive_setup setup;
	unsigned words; /* bits of those that it tells */
	uint8_t number; /* in the session */
	struct {
		double value;
		struct mono at;
		bool told;
	} word[DRIVE_WORDS];
	struct absence absence;
	uint32_t fresh;
	struct mono taken;
	bool gone; /* its line is */
	bool powered;
	struct mono powered_at;
	struct drive_command sent;
	struct mono sent_at;
	bool ever_sent;
	char error[DRIVE_ERROR]; /* why it is not heard, "" = it is */
};

/* words: those that it tells, DRIVE_WORDS_NEEDED among them. */
void drive_side_init(struct drive_side *side, const struct drive_setup *setup, unsigned words, uint8_t number,
		     struct mono now);

/* At each look, before what it finds is taken in. snap: as it is before the drive's share, for the contactor. */
void drive_side_look(struct drive_side *side, const struct snapshot *snap, struct mono now);
/* It told a word. */
void drive_side_hear(struct drive_side *side, enum drive_word word, double value, struct mono now);
/* Its share of the snapshot. The winding's temperature only where nobody else tells it. */
void drive_side_tell(struct drive_side *side, struct snapshot *snap, struct mono now);

/* Has it told all its words? */
bool drive_side_heard(const struct drive_side *side, struct mono now);

/* Is something to be sent now? Then *ret, which counts as sent. */
bool drive_side_command(struct drive_side *side, const struct wish *allowed, struct mono now,
			struct drive_command *ret);

#endif
