/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/procedure_again.h"

#include "command/endure_report.h"
#include "command/hold_live.h"
#include "command/obey_live.h"
#include "command/obey_response_live.h"
#include "command/play_live.h"
#include "command/ripple_live.h"
#include "command/tame_live.h"

#include <string.h>

enum rc procedure_report_again(struct logbook *lb, int64_t run_id, struct report **ret, struct err *err)
{
	static const struct {
		const char *kind;
		enum rc (*again)(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err);
	} list[] = { { "hold", hold_again },     { "play", play_again }, { "obey", obey_again },
		     { "ripple", ripple_again }, { "tame", tame_again }, { "response", obey_response_again },
		     { "endure", endure_again } };
	struct procedure found = { 0 };
	struct run_info run;
	enum rc rc = logbook_run_info(lb, run_id, &run, err);

	*ret = NULL;
	for (size_t i = 0; i < sizeof list / sizeof list[0] && rc == RC_OK; i++) {
		if (strcmp(list[i].kind, run.kind) != 0)
			continue;
		rc = list[i].again(lb, run_id, &found, err);
		return rc == RC_OK ? report_of_procedure(lb, run_id, &found, ret, err) : rc;
	}
	return rc;
}
