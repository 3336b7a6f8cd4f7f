/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the sequences that load a locked shaft share (seq_obey, seq_play, seq_hold, seq_excite), and seq_ripple with
 * them: their times, a ramp, and why they give up. Pure. */
#ifndef BRIDLE_RUN_LOCKED_H
#define BRIDLE_RUN_LOCKED_H

#include "run/sequence.h"

/* Common practice, no source. */
#define LOCKED_CONTACTOR_S 2.0 /* for the contactor to close */
#define LOCKED_WAIT_S 1.0      /* at the full current: a brake's torque lags its current */
#define LOCKED_OFF_S 0.5       /* the drive idle, before the brake is let go */

/* value, nearer to its end by at most most (>= 0). */
double locked_toward(double value, double end, double most);

/* Ask the guard to stop; text (a sentence for people, copied) says why. */
void locked_give_up(struct seq_out *ret, const char *text);
void locked_no_contactor(struct seq_out *ret);

/* Give up when the shaft has turned by more than slip_deg, either way, from locked_deg. set_Nm: commanded now.
 * what_to_do: end of the sentence, such as "command less torque". */
void locked_watch_slip(const struct snapshot *snap, double locked_deg, double slip_deg, double set_Nm,
		       const char *what_to_do, struct seq_out *ret);

#endif
