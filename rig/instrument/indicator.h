/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A weight indicator or torque gauge that sends its readings as lines of text, unasked or asked once a period. It
 * fills the torque cell's role: its count is its reading in divisions, the steps of its last digit, so that all that
 * stands behind a count (calibration, guard, reports) does not know who counted.
 *
 * How its lines look are patterns of rig.ini (channel/gauge_text.h). A line that fits none is passed over; one with a
 * reading beyond the saturation, or of an overload, leaves the count at the saturation of its side. While it says that
 * the reading moves, the channel's quality is UNSTABLE. Its own filter and rate are not known beforehand; a reading is
 * dated when it came, and `probe` tells what can be seen of both.
 *
 * When it is opened it waits up to 2 s for a line that fits: an indicator that nobody hears, or one in another unit, is
 * told before anything is energised. */
#ifndef BRIDLE_INSTRUMENT_INDICATOR_H
#define BRIDLE_INSTRUMENT_INDICATOR_H

#include "channel/text_pattern.h"
#include "instrument/instrument.h"

#define INDICATOR_TELLS 3

struct indicator_setup {
	struct text_pattern ask; /* n_items 0: it tells unasked */
	struct text_pattern tell[INDICATOR_TELLS];
	size_t n_tell;
	double division;    /* in its unit, above 0 */
	int32_t saturation; /* counts either way */
};

/* config->indicator: not NULL. RC_TIMEOUT: no line that fits came. */
enum rc indicator_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		       struct instrument *ret, struct err *err) MUST_CHECK;

#endif
