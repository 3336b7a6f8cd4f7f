/* SPDX-License-Identifier: GPL-3.0-or-later */
/* `hold` at the rig: a torque held (run/seq_hold.h), kept as a run, then the same calculation as for a table. */
#ifndef BRIDLE_COMMAND_HOLD_LIVE_H
#define BRIDLE_COMMAND_HOLD_LIVE_H

#include "command/hold_find.h"
#include "live/live.h"
#include "reports/reduce/procedure.h"

struct hold_request {
	const char *actuator, *torque, *speed, *time, *cool, *answers, *figure, *out; /* as typed; NULL: not given */
	struct live_options live;
};

/* wanted: of the calculation, limit_degC NaN for the actuator's own. ambient_degC: where the rig tells none; NaN.
 * Returns the exit status. */
int hold_live(const struct cli *cli, const struct hold_request *request, const struct hold_wanted *wanted,
	      double ambient_degC);

/* What would refuse it with its defaults, of the open session of a command at the rig; as live_procedure_would. */
enum rc hold_would(const struct live *live, struct err *err) MUST_CHECK;

/* The result of such a run again, from its samples; as live_procedure_again. */
enum rc hold_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err) MUST_CHECK;

#endif
