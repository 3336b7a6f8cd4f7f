/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive on a CAN bus that is commanded and tells its values in frames of rig.ini's signal map (channel/can_signal.h),
 * through an adapter that speaks lines (instrument/can_bus.h).
 *
 * It is sent the frame of a speed, of a current or of off (instrument/drive_side.h says when), and, where it has to be
 * asked, that frame once a period. When the drive is not heard the adapter is asked for the state of the bus. */
#ifndef BRIDLE_INSTRUMENT_CAN_DRIVE_H
#define BRIDLE_INSTRUMENT_CAN_DRIVE_H

#include "channel/can_signal.h"
#include "instrument/drive_side.h"
#include "instrument/instrument.h"

struct can_drive_setup {
	struct drive_setup drive;
	int bit_rate;                       /* of the bus, bit/s */
	struct can_map speed, current, off; /* has_data false: it has no such mode */
	struct can_map ask;                 /* has_data false: it tells its values unasked */
	struct can_map tell[DRIVE_WORDS];   /* by enum drive_word; signal.there false: it does not tell that one */
};

/* config->can_drive: not NULL. RC_TIMEOUT: not all values came. */
enum rc can_drive_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		       struct instrument *ret, struct err *err) MUST_CHECK;

#endif
