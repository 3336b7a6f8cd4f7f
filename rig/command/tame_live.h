/* SPDX-License-Identifier: GPL-3.0-or-later */
/* `tame` at the rig: the free shaft excited by small steps of torque (run/seq_excite.h), kept as a run. Inertia and
 * friction come from it, play and stiffness from the newest `play`, the torque's scale from the newest `obey`; then the
 * same loop as from a file. */
#ifndef BRIDLE_COMMAND_TAME_LIVE_H
#define BRIDLE_COMMAND_TAME_LIVE_H

#include "calib/tame/tame_advise.h"
#include "live/live.h"
#include "reports/reduce/procedure.h"

struct tame_request {
	/* as typed; NULL: not given */
	const char *actuator, *speed, *torque, *swing, *time, *rig_inertia, *torque_gain, *answers, *figure, *out;
	const char *loop; /* FILE.ini; NULL: inertia and friction alone */
	struct tame_target target;
	double draws;
	struct live_options live;
};

/* Returns the exit status. */
int tame_live(const struct cli *cli, const struct tame_request *request);

/* What would refuse it with its defaults, of the open session of a command at the rig; as live_procedure_would. */
enum rc tame_would(const struct live *live, struct err *err) MUST_CHECK;

/* The result of such a run again, from its samples; as live_procedure_again. */
enum rc tame_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err) MUST_CHECK;

#endif
