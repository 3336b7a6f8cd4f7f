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
 * The search for the limit (limit_search.h) comes at each speed after the last load on the way up. A load holds when
 * its torque is reached and the speed is held, unless the speed was short at the lightest load already: then the speed
 * is the actuator's own, and a load holds that does not make it collapse. No try is made that by the current so far (it
 * grows with the square of the load at most), by the temperatures or by the forecast comes too near to another limit.
 * What held is taken on the way down as well.
 *
 * The stop is not the sequence's business: the guard does it. The zero readings before and after are struct
 * cell_reading's.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_SWEEP_H
#define BRIDLE_RUN_SEQ_SWEEP_H

#include "run/sweep_state.h"

/* The order of a plan as its reader leaves it, at each speed its first n_allowed[] loads only (as plan->speed_rpm;
 * NULL: all). All that turns forward comes first; within a way as [steps] inner and order say, and the first item of
 * the way is repeated at its end. Returns the number of items. */
size_t sweep_order(const struct plan_profile *plan, const size_t *n_allowed, struct sweep_item items[SWEEP_ITEMS]);

/* Cross off what an earlier run has finished; true when it was an item of this order and not done yet. rpm: commanded
 * then, NaN where none was. */
bool sweep_cross_off(struct sweep_item *items, size_t n, int step, int direction, double rpm, unsigned flags);

/* The items from one change of the way of turning to the next. */
struct sweep_leg {
	size_t first, n;
	int way; /* +1, -1 */
};
/* Of items in that order, only those in which something is left to do. */
size_t sweep_legs(const struct sweep_item *items, size_t n, struct sweep_leg ret[SWEEP_WAYS]);

/* config and items are copied; the items have one way of turning. False when there is nothing left to do. */
bool seq_sweep_begin(struct seq_sweep *s, const struct sweep_config *config, const struct sweep_item *items, size_t n);
void seq_sweep_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
