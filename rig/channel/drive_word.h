/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a drive on a line of its own can tell, by the words that rig.ini uses for it. */
#ifndef BRIDLE_CHANNEL_DRIVE_WORD_H
#define BRIDLE_CHANNEL_DRIVE_WORD_H

enum drive_word {
	DRIVE_WORD_SPEED,       /* in its own unit, of the side that rig.ini states */
	DRIVE_WORD_CURRENT,     /* torque-producing, in its own unit */
	DRIVE_WORD_TEMPERATURE, /* of its winding, °C */
	DRIVE_WORD_ENABLED,     /* the rest: 0 no, anything else yes */
	DRIVE_WORD_FAULT,
	DRIVE_WORD_UNDERVOLTAGE,
	DRIVE_WORD_OVERSPEED,
	DRIVE_WORD_LIMITED, /* its current limit acts */
	DRIVE_WORD_DERATING,
	DRIVE_WORD_ANGLE, /* in its own unit, of the side that rig.ini states; whole turns count for nothing */
	DRIVE_WORDS
};

/* What every drive has to tell: whether it turns and whether it is off. */
#define DRIVE_WORDS_NEEDED (1u << DRIVE_WORD_SPEED | 1u << DRIVE_WORD_ENABLED)

const char *drive_word_name(enum drive_word word);
/* -1: there is no such word. */
int drive_word_of(const char *name);
/* Its DRIVE_... bit of the snapshot's drive_flags, 0 for numbers. */
unsigned drive_word_flag(enum drive_word word);

#endif
