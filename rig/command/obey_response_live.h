/* SPDX-License-Identifier: GPL-3.0-or-later */
/* `obey --response` at the rig: small steps of the commanded torque about a standing one at a locked shaft
 * (run/seq_excite.h), kept as a run of the kind "response", then the same calculation as for a fast table. */
#ifndef BRIDLE_COMMAND_OBEY_RESPONSE_LIVE_H
#define BRIDLE_COMMAND_OBEY_RESPONSE_LIVE_H

#include "live/live.h"
#include "reports/reduce/procedure.h"

struct obey_response_request {
	const char *actuator, *torque, *swing, *time, *answers, *figure, *out; /* as typed; NULL: not given */
	struct live_options live;
};

/* Returns the exit status. */
int obey_response_live(const struct cli *cli, const struct obey_response_request *request);

/* What would refuse it with its defaults, of the open session of a command at the rig; as live_procedure_would. */
enum rc obey_response_would(const struct live *live, struct err *err) MUST_CHECK;

/* The result of such a run again, from its samples; as live_procedure_again. */
enum rc obey_response_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err) MUST_CHECK;

#endif
