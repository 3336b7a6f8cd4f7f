/* SPDX-License-Identifier: GPL-3.0-or-later */
/* `obey` at the rig: torque commanded in steps at a locked shaft (run/seq_obey.h) and, where speeds are given, against
 * the brake at each of them both ways (run/seq_obey_turn.h); kept as one run, then the same
 * calculation as for a table, with the cell's own uncertainty. */
#ifndef BRIDLE_COMMAND_OBEY_LIVE_H
#define BRIDLE_COMMAND_OBEY_LIVE_H

#include "live/live.h"
#include "reports/reduce/procedure.h"

struct obey_request {
	const char *actuator, *torque, *steps, *cycles, *speeds, *answers, *figure; /* as typed; NULL: not given */
	double constant_Nm_per_A, u_constant; /* of the drive, as it is set; 0: not told */
	struct live_options live;
};

/* Returns the exit status. */
int obey_live(const struct cli *cli, const struct obey_request *request);

/* What would refuse it with its defaults, of the open session of a command at the rig; as live_procedure_would. */
enum rc obey_would(const struct live *live, struct err *err) MUST_CHECK;

/* The result of such a run again, from its samples; as live_procedure_again. */
enum rc obey_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err) MUST_CHECK;

#endif
