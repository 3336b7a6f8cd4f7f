/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive that a person sets on its own panel or knob. It has no line: it is asked for and told nothing. That it fills
 * the role of the drive, knows the mode speed and is set by a person is all that the session learns from it; the
 * asking is run/hand_set.h. Its channel is never told, so the guard sees it off by the contactor alone. */
#ifndef BRIDLE_INSTRUMENT_HAND_DRIVE_H
#define BRIDLE_INSTRUMENT_HAND_DRIVE_H

#include "instrument/instrument.h"

/* config.person: needed. link: NULL. */
enum rc hand_drive_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
			struct instrument *ret, struct err *err) MUST_CHECK;

#endif
