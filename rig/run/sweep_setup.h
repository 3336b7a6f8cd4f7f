/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From plan and profiles to a sweep sequence, and what an earlier, stopped sweep leaves to do. */
#ifndef BRIDLE_RUN_SWEEP_SETUP_H
#define BRIDLE_RUN_SWEEP_SETUP_H

#include "run/forecast.h"
#include "run/seq_sweep.h"
#include "run/session.h"

/* Without a search for the limit. map and profiles stay borrowed from the session. flags: put on every point. */
struct sweep_config sweep_config_of(const struct session *s, unsigned flags);
/* The target of its dwell; frac 0: there is none. */
struct dwell_until sweep_until_of(const struct plan_profile *plan, const struct rig_profile *rig);
/* The search that the forecast allows; it stays borrowed. */
struct sweep_search_config sweep_search_of(const struct session *s, const struct forecast *f);

/* Speed at which the shaft is turned for the zero before and after the sweep. */
double sweep_zero_rpm(const struct sweep_config *config);
/* The heaviest of the loads allowed at each speed, N·m; by the brake's rating where the plan gives currents; NaN when
 * there is none. */
double sweep_heaviest_Nm(const struct session *s, const size_t *allowed);

/* RC_ARG where the run's own files are not those of the session. what: "sweep". */
enum rc sweep_same_files(struct session *s, int64_t run_id, const char *what, struct err *err) MUST_CHECK;
/* The newest sweep of this plan when it did not finish: its id, and its points crossed off. RC_ARG when there is none
 * or the plan or actuator file has changed since; RC_SAYS_NO when nothing is left to do. */
enum rc sweep_resume(struct session *s, struct sweep_item *items, size_t n, int64_t *ret_run_id, size_t *ret_done,
		     struct err *err) MUST_CHECK;

#endif
