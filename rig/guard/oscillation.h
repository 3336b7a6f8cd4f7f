/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Counts full cycles of a signal that swings to and fro without dying out. */
#ifndef BRIDLE_GUARD_OSCILLATION_H
#define BRIDLE_GUARD_OSCILLATION_H

#include "guard/guard.h"

/* swing: peak-to-peak value from which a swing counts. A turning point is believed when the signal has come back by a
 * quarter of it, so noise below that makes none. Value NaN forgets everything. Gives the full cycles counted in a row.
 */
unsigned oscillation_step(struct guard_osc *osc, double value, double swing, double dt_s);

#endif
