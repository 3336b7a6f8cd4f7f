/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A channel is one kind of reading: the value itself stands in the snapshot's field of its name (channel/rigio.h);
 * here stands what is known of that reading. Whoever judges a value (guard, settle test, means, live view,
 * logbook) asks the channel how fresh it is: a slow meter in fast rows is not many readings, and a line that is no
 * longer told is not still good. */
#ifndef BRIDLE_CHANNEL_CHANNEL_H
#define BRIDLE_CHANNEL_CHANNEL_H

#include "channel/clock.h"

#include <stdint.h>

enum temp_place { TEMP_BRAKE, TEMP_CASE, TEMP_WINDING, TEMP_AMBIENT, TEMP_CELL, TEMP_COUNT };

enum channel_id {
	CHANNEL_CELL,
	CHANNEL_TURN,
	CHANNEL_BRAKE,
	CHANNEL_VOLTAGE,
	CHANNEL_CURRENT,
	CHANNEL_DRIVE, /* the drive's own telemetry */
	CHANNEL_STATE, /* of the node, with its reason */
	CHANNEL_ESTOP,
	CHANNEL_CAGE,
	CHANNEL_CONTACTOR,
	CHANNEL_TEMP, /* + enum temp_place */
	CHANNEL_COUNT = CHANNEL_TEMP + TEMP_COUNT
};

/* What an instrument can do for the rig. Each role is filled by one instrument. */
#define ROLE_CELL 0x01u
#define ROLE_PICK 0x02u
#define ROLE_BRAKE 0x04u
#define ROLE_VOLTAGE 0x08u
#define ROLE_DRIVE 0x10u
#define ROLE_TEMP 0x20u
#define ROLE_LINES 0x40u
#define ROLE_POWER 0x80u /* closes and opens the drive's supply */
#define ROLE_CURRENT 0x100u
#define ROLE_CUT \
	0x200u /* beside that one, a second means: the supply's own output goes on and off with the contactor */
#define ROLE_METER (ROLE_VOLTAGE | ROLE_CURRENT)
#define ROLE_OUTPUTS (ROLE_BRAKE | ROLE_DRIVE | ROLE_POWER | ROLE_CUT)
#define ROLE_ALL 0x1ffu

enum quality {
	QUALITY_MISSING, /* never told, or its instrument is gone: there is no value */
	QUALITY_GOOD,
	QUALITY_SATURATED, /* at an end of its range: the true value is at least so much */
	QUALITY_UNSTABLE   /* its instrument says that the value moves */
};

struct channel {
	struct mono taken; /* when the newest reading was taken, mapped to the host's clock; 0 before the first */
	double age_s; /* since then, less the time in which this program itself did not look; INFINITY before the first
		       * and when its instrument is gone */
	uint32_t fresh; /* readings so far: unchanged = the value is the old one */
	enum quality quality;
	uint8_t instrument; /* which of the session's fills it */
};

#endif
