/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The heat that earlier runs left in the brake, from the logbook: a guard that began each run with a cold brake would
 * let two runs in a row put in twice what it can store. */
#ifndef BRIDLE_RUN_BRAKE_HEAT_H
#define BRIDLE_RUN_BRAKE_HEAT_H

#include "logbook/logbook.h"

struct brake_heat_now {
	int64_t mono_ns, wall_ns;
	bool on_bench; /* a virtual bench: its own clock tells the rest between runs, and one that was started anew is
			  cold */
};

/* Heat above the continuous slip power, as the guard counts it, J, at this moment. slip_power_W cools; slip_energy_J is
 * what the brake can store: runs before a rest that cools so much are not looked at. Samples without torque or speed
 * count as no heat. Between runs of a real rig the wall clock tells the rest; one that was set back counts as none.
 * Runs that kept their heat are taken at their word; the samples of runs after the newest such one (killed, or of an
 * older program) are replayed, which takes one or two microseconds a sample. */
/* Keep the heat with a run, before it ends: heat_J above the continuous slip power at mono_ns of the run's clock. */
enum rc brake_heat_keep(struct logbook *lb, int64_t run_id, double heat_J, int64_t mono_ns, struct err *err) MUST_CHECK;

enum rc brake_heat_left(struct logbook *lb, double slip_power_W, double slip_energy_J, const struct brake_heat_now *now,
			double *ret_J, struct err *err) MUST_CHECK;

#endif
