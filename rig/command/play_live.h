/* SPDX-License-Identifier: GPL-3.0-or-later */
/* `play` at the rig: the loop of a gear whose output the brake locks (run/seq_play.h), kept as a run, then the same
 * calculation as for a table, with what cell, angle and the rig's own twist are uncertain by. */
#ifndef BRIDLE_COMMAND_PLAY_LIVE_H
#define BRIDLE_COMMAND_PLAY_LIVE_H

#include "command/play_tell.h"
#include "live/live.h"
#include "reports/reduce/procedure.h"

struct play_request {
	const char *actuator, *torque, *loops, *stiffness, *u_angle, *answers, *figure,
		*out; /* as typed; NULL: not given */
	struct live_options live;
};

/* Returns the exit status. */
int play_live(const struct cli *cli, const struct play_request *request);

/* What would refuse it with its defaults, of the open session of a command at the rig; as live_procedure_would. */
enum rc play_would(const struct live *live, struct err *err) MUST_CHECK;

/* The result of such a run again, from its samples; as live_procedure_again. */
enum rc play_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err) MUST_CHECK;

#endif
