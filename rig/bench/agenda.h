/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the hands shall do at given bench times: "40 fault estop; 55.5 mend". So a fault comes at the same moment of
 * the physics in every run, while the control line belongs to the host. */
#ifndef BRIDLE_BENCH_AGENDA_H
#define BRIDLE_BENCH_AGENDA_H

#include "calib/number/err.h"

#include <stddef.h>
#include <stdint.h>

#define AGENDA_ACTS 16
#define AGENDA_TEXT 64

struct agenda_item {
	int64_t t_us;
	char act[AGENDA_TEXT];
};
struct agenda {
	size_t n, done;
	struct agenda_item item[AGENDA_ACTS];
};

/* Times in s, rising. RC_ARG. */
enum rc agenda_parse(const char *text, struct agenda *ret, struct err *err) MUST_CHECK;

/* The act that is due at t_us, and on to the next; NULL when none is. Borrowed from the agenda. */
const struct agenda_item *agenda_due(struct agenda *agenda, int64_t t_us);

#endif
