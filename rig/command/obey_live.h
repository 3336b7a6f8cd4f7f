/* SPDX-License-Identifier: GPL-3.0-or-later */
/* `obey` at the rig: torque commanded in steps at a locked shaft (run/seq_obey.h), kept as a run, then the same
 * calculation as for a table, with the cell's own uncertainty. */
#ifndef BRIDLE_COMMAND_OBEY_LIVE_H
#define BRIDLE_COMMAND_OBEY_LIVE_H

#include "live/live.h"

struct obey_request {
	const char *actuator, *torque, *steps, *cycles, *answers, *figure; /* as typed; NULL: not given */
	struct live_options live;
};

/* Returns the exit status. */
int obey_live(const struct cli *cli, const struct obey_request *request);

#endif
