/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual end of a serial relay: it closes or opens when it has read the bytes that rig.ini states for that, and
 * keeps what it has when its host goes. Nothing comes back. */
#ifndef BRIDLE_BENCH_RELAY_LINE_H
#define BRIDLE_BENCH_RELAY_LINE_H

#include "profile/instrument_profile.h"

#include <stdbool.h>

struct relay_line {
	struct profile_bytes close, open;
	char seen[PROFILE_BYTES]; /* the newest bytes, newest last */
	bool closed;
};

void relay_line_init(struct relay_line *line, const struct profile_bytes *close, const struct profile_bytes *open);
void relay_line_receive(struct relay_line *line, const char *bytes, size_t n);

#endif
