/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A serial relay in the contactor's coil circuit. It has nothing to tell: what comes from it is thrown away. It is
 * closed and opened by the warden alone (rig/warden), so that it has an end when this program has one. */
#ifndef BRIDLE_INSTRUMENT_RELAY_H
#define BRIDLE_INSTRUMENT_RELAY_H

#include "instrument/instrument.h"

enum rc relay_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		   struct instrument *ret, struct err *err) MUST_CHECK;

#endif
