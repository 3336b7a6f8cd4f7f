/* SPDX-License-Identifier: GPL-3.0-or-later */
/* `ripple` at the rig: the shaft turned slowly there and back (run/seq_ripple.h), kept as a run, then the same
 * calculation as for a table. */
#ifndef BRIDLE_COMMAND_RIPPLE_LIVE_H
#define BRIDLE_COMMAND_RIPPLE_LIVE_H

#include "command/ripple_find.h"
#include "live/live.h"
#include "reports/reduce/procedure.h"

struct ripple_request {
	const char *actuator, *torque, *turns, *answers, *figure, *out; /* as typed; NULL: not given */
	double speed_rpm;                                               /* NaN: not given */
	struct live_options live;
};

/* wanted: orders to be named; a ratio that is not told is the actuator's. Returns the exit status. */
int ripple_live(const struct cli *cli, const struct ripple_request *request, const struct ripple_wanted *wanted);

/* What would refuse it with its defaults, of the open session of a command at the rig; as live_procedure_would. */
enum rc ripple_would(const struct live *live, struct err *err) MUST_CHECK;

/* The result of such a run again, from its samples; as live_procedure_again. */
enum rc ripple_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err) MUST_CHECK;

#endif
