/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The two ways of bridle hang, a guided series and a table of readings taken by hand, and what they share. */
#ifndef BRIDLE_COMMAND_HANG_H
#define BRIDLE_COMMAND_HANG_H

#include "command/hang_loads.h"
#include "command/hang_result.h"
#include "live/live.h"
#include "profile/torque_table.h"

struct hang_options {
	const char *series, *steps, *from, *model, *arm, *gravity, *guide, *classes, *resolution, *type;
	bool dry_run, resume;
	struct live_options live;
	int n_series;
	size_t n_steps;
	enum cellcal_model fit;
	struct torque_table table;
	double resolution_read; /* --resolution; 0 not given */
};

/* Either way: the whole command after its options were read. cli and o are borrowed. Returns the exit status; an error
 * was told. */
int hang_guided(const struct cli *cli, const struct hang_options *o);
int hang_by_table(const struct cli *cli, const struct hang_options *o);

/* --arm and --gravity go before what place holds. RC_ARG names the option. */
enum rc hang_place_options(const struct hang_options *o, struct hang_place *place, struct err *err) MUST_CHECK;

/* The result, judged by its gate, in the logbook: as a calibration, or as a record of the kind SESSION_UNUSABLE
 * (run/session.h); sets r->record_id. RC_DB, RC_NOMEM. */
enum rc hang_store(struct logbook *lb, int64_t run_id, int64_t wall_ns, struct hang_result *r,
		   struct err *err) MUST_CHECK;

#define HANG_NOT_USABLE "not_usable" /* cause */
/* RC_SAYS_NO with the first reason when the gate refuses the result. */
enum rc hang_verdict(const struct hang_result *r, struct err *err) MUST_CHECK;

/* As text or as JSON. Returns the exit status: 1 when the result is not usable. */
int hang_show(const struct cli *cli, const struct hang_result *r);

#endif
