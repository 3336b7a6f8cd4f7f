/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The sweep's search for the limit at each speed: what the loads so far tell it, and the items that it puts in. For
 * seq_sweep.c alone, on its state. Pure. */
#ifndef BRIDLE_RUN_SWEEP_SEARCH_H
#define BRIDLE_RUN_SWEEP_SEARCH_H

#include "run/sweep_state.h"

/* From the configuration and the items that an earlier run has finished. */
void sweep_search_begin(struct seq_sweep *s);

/* Before item[at] is begun: where the way up at a speed has ended, the next try is put there, or, when the search is
 * over, its way down, and found_text is filled. */
void sweep_search_go_on(struct seq_sweep *s);

/* A load on the way up did not hold: why. */
void sweep_search_failed(struct seq_sweep *s, const struct sweep_item *it, const char *why);
/* A point on the way up is finished; reached: its torque. True when it is the limit. */
bool sweep_search_point(struct seq_sweep *s, const struct sweep_item *it, bool reached);

#endif
