/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Counts full cycles of a signal that swings to and fro without dying out. */
#ifndef BRIDLE_GUARD_OSCILLATION_H
#define BRIDLE_GUARD_OSCILLATION_H

#include "guard/guard.h"

/* swing: peak-to-peak value from which a swing counts. A turning point is believed when the signal has come back by a
 * quarter of it, so noise below that makes none. Value NaN forgets everything. Gives the full cycles counted in a row.
 */
unsigned oscillation_step(struct guard_osc *osc, double value, double swing, double dt_s);

/* Two full cycles in a row that grow, the last three swings of them beyond the swing that counts: a stall and its
 * recovery, after noise that happened to grow, make two. */
bool oscillation_grows(const struct guard_osc *osc);

/* The load was let go at once: what the signal does then is the answer to that. Growth is counted from here on; the
 * cycles are counted on. */
void oscillation_let_go(struct guard_osc *osc);

/* A new word of the drive's rotor, both speeds at the output, in rpm: true from the third one of five that jumped by
 * more than swing_rpm beyond what the shaft's speed changed in between (a load that comes at once makes two). A dead
 * pick-up and a drive that repeats an old speed make none: the word does not jump, or goes one way before a shaft that
 * stands. NaN begins anew. */
bool rattle_step(struct guard_rattle *r, double rotor_rpm, double speed_rpm, double swing_rpm);

#endif
