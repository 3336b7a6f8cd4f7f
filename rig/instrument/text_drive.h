/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive that is commanded and tells its values by lines of text, whatever they look like: somebody's own
 * microcontroller. How its lines look are patterns of rig.ini (channel/text_pattern.h).
 *
 * It sends the line of a speed, current, torque or angle or of off (instrument/drive_side.h says when), and, where it
 * has to be asked, the question once a period. Each line that comes is tried against all patterns of what it tells; a
 * line that fits none is passed over. When it is opened it waits up to 2 s for all its values: a drive that nobody
 * hears is told before anything is energised. */
#ifndef BRIDLE_INSTRUMENT_TEXT_DRIVE_H
#define BRIDLE_INSTRUMENT_TEXT_DRIVE_H

#include "channel/text_pattern.h"
#include "instrument/drive_side.h"
#include "instrument/instrument.h"

#define TEXT_DRIVE_TELLS 3
#define TEXT_DRIVE_LINE 160

struct text_drive_setup {
	struct drive_setup drive;
	/* Of speed: {speed}; of current: {current}; of torque: {torque} and {limit}; of position: {angle} and {limit};
	 * off and ask have no field. n_items 0: it has none. */
	struct text_pattern speed, current, torque, position, off, ask;
	struct text_pattern tell[TEXT_DRIVE_TELLS]; /* fields named as drive_word_name */
	size_t n_tell;
};

/* config->text_drive: not NULL. RC_TIMEOUT: not all values came. */
enum rc text_drive_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
			struct instrument *ret, struct err *err) MUST_CHECK;

/* The line for a command, with its end, into buf; its length, 0 when the drive has no such mode. */
size_t text_drive_put(const struct text_drive_setup *setup, const struct drive_command *command,
		      char buf[TEXT_DRIVE_LINE + 2]);

#endif
