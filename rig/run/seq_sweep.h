/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The stepped-load sweep: load up and down again, wait until steady, dwell, average, go on.
 *
 * In speed mode the drive holds the speed and the brake sets the torque. In current mode the actuator sets the torque
 * and would run away without the brake: so the brake is engaged first and let go last. In hand mode a person turns the
 * shaft.
 *
 * Where the actuator, its drive or its supply cannot hold the speed, the point is taken all the same when it is steady:
 * what limited it is told from the samples later. When the torque set-point is not reached, or the speed falls toward
 * the stall, the brake is eased at once and the higher steps are left out; the way down goes on from there.
 *
 * Several speeds: the load is taken down to the lesser of both steps before the speed changes, and what one speed could
 * not carry is left out at that speed and at higher ones. One sequence turns one way (struct sweep_leg); backward it
 * sees the rig as in a mirror, so that torque, speed and angle are positive while the actuator works.
 *
 * The stop is not the sequence's business: the guard does it. The zero readings before and after are struct
 * cell_reading's.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_SWEEP_H
#define BRIDLE_RUN_SEQ_SWEEP_H

#include "profile/plan_profile.h"
#include "run/torque_control.h"
#include "run/sequence.h"
#include "run/steady.h"

#define SWEEP_ITEMS (2 * PROFILE_STEPS + 2)
#define SWEEP_WAYS 2

struct sweep_item {
	int step;      /* of the plan */
	int direction; /* +1 rising, -1 falling, 0 shuffled or repeat */
	double set;    /* N·m or A, never negative */
	double rpm;    /* of the output, negative: backward; 0 with another drive than PLAN_SPEED */
	bool repeat;   /* of the first point */
	bool done;     /* taken by the run that this one resumes, or left out */
};

/* The order of a plan, at each speed its first n_allowed[] loads only (as plan->speed_rpm; NULL: all). All that turns
 * forward comes first; within a way as [steps] inner and order say, and the first item of the way is repeated at its
 * end. Returns the number of items. */
size_t sweep_order(const struct plan_profile *plan, const size_t *n_allowed, struct sweep_item items[SWEEP_ITEMS]);

/* Cross off what an earlier run has finished; true when it was an item of this order and not done yet. rpm: commanded
 * then, NaN where none was. */
bool sweep_cross_off(struct sweep_item *items, size_t n, int step, int direction, double rpm, unsigned flags);

/* The items from one change of the way of turning to the next. */
struct sweep_leg {
	size_t first, n;
	int way; /* +1, -1 */
};
/* Only those in which something is left to do. */
size_t sweep_legs(const struct sweep_item *items, size_t n, struct sweep_leg ret[SWEEP_WAYS]);

struct sweep_config {
	enum plan_load load;
	enum plan_drive drive;
	double top_rpm; /* the largest of the items' speeds; by hand what a person is asked for */
	double drive_A;
	double dwell_s, window_s, timeout_s,
		cool_s; /* dwell: to the end of its last turn, when that comes within half of it */
	double torque_slope_Nm_per_s, speed_slope_rpm_per_s, temp_slope_K_per_s;
	double min_slip_rpm;
	double speed_slew_rpm_per_s, drive_slew_A_per_s;
	double reach_frac, reach_Nm; /* a torque set-point within the larger of these counts as reached */
	unsigned flags;              /* POINT_FORCED or 0: put on every point */
	struct torque_control_config control;
};

enum sweep_phase {
	SWEEP_START,
	SWEEP_SPIN,
	SWEEP_CHANGE, /* of the speed */
	SWEEP_LOAD,
	SWEEP_DWELL,
	SWEEP_REST,
	SWEEP_EASE,
	SWEEP_UNLOAD,
	SWEEP_COAST,
	SWEEP_END
};

struct seq_sweep {
	struct sweep_config config;
	struct sweep_item item[SWEEP_ITEMS];
	size_t n, at;
	enum sweep_phase phase;
	struct mono phase_at, began, last_now, step_at;
	bool started;
	bool driven;     /* current mode: the drive has been let in */
	size_t approach; /* where to come from before a falling step that does not follow its neighbour; SIZE_MAX none
			  */
	double set;      /* what the brake is asked for now, N·m or A */
	int way;         /* of all items; what follows is seen along it */
	double want_rpm; /* of the item */
	double brake_A, speed_set_rpm, drive_set_A;
	struct torque_control control;
	struct steady steady;
	bool settled, reached;
	bool announce; /* a new step is to be told on the next tick that has no other event */
	double settle_s;
	double phase_angle_rev; /* of the shaft when the dwell began */
	double top_speed_rpm;   /* fastest of late, for the collapse */
	double collapse_for_s;
	/* means of the dwell, for the live line */
	struct stats_run torque, speed;
	double live_torque_Nm; /* lightly filtered */
	uint32_t last_conversion;
	/* results */
	size_t points, left_out;
	/* Lightest load that the actuator could not carry, at each speed where there was one. */
	struct sweep_failure {
		double set, rpm;
	} failed[PROFILE_SPEEDS];
	size_t n_failed;
	int highest_step; /* last step that was reached on the way up, -1 none */
	bool collapsed;
	char why_left_out[120]; /* "" = nothing was */
};

/* config and items are copied; the items have one way of turning. False when there is nothing left to do. */
bool seq_sweep_begin(struct seq_sweep *s, const struct sweep_config *config, const struct sweep_item *items, size_t n);
void seq_sweep_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
