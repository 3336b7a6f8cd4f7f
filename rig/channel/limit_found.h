/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the search for the limit found at a speed, as the sentence that the logbook keeps:
 * "limit at 60 rpm: 23.75 N·m held, 24.375 N·m did not: the speed fell"
 * "no limit at 60 rpm up to 45 N·m: 90 % of the brake torque"
 * "no limit found at 60 rpm: no load held" */
#ifndef BRIDLE_CHANNEL_LIMIT_FOUND_H
#define BRIDLE_CHANNEL_LIMIT_FOUND_H

#include <stdbool.h>
#include <stddef.h>

struct limit_found {
	double rpm;    /* as commanded, negative: backward */
	double held;   /* heaviest load that held, N·m or A as the plan's steps; NaN: none */
	double failed; /* lightest that did not; NaN: no limit was found */
};

void limit_found_write(const struct limit_found *found, const char *unit, const char *why, char *buf, size_t size);
/* False when it is another sentence. */
bool limit_found_read(const char *text, struct limit_found *ret);
/* A number commanded is the one that was told: the sentence has six digits of it. False for NaN. */
bool limit_found_same(double commanded, double told);

#endif
