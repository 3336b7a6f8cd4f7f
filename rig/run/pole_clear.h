/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Clearing a hysteresis brake. Where the coil's field fell while the shaft stood, the rotor keeps poles that drag and
 * fade only slowly. Cure (common practice, no source): turn the shaft, bring the current up, and take it down again
 * over several turns, so that every place of the rotor passes through a field that becomes smaller step by step.
 *
 * The current goes up in the time of one turn, stays for half a turn, and then falls by the same share in each part of
 * a turn (as for demagnetising by an alternating field that dies away), down to a fiftieth; then it is switched off. It
 * falls with the angle, not with time: only while the shaft turns. A shaft that loses its speed under it is eased: the
 * peak becomes smaller and the rise ends.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_POLE_CLEAR_H
#define BRIDLE_RUN_POLE_CLEAR_H

#include "calib/brake/brakemap.h"
#include "profile/actuator_profile.h"
#include "profile/rig_profile.h"

#include <stdbool.h>

enum pole_clear_phase { POLE_CLEAR_UP, POLE_CLEAR_STAY, POLE_CLEAR_DOWN, POLE_CLEAR_DONE };

struct pole_clear {
	enum pole_clear_phase phase;
	double peak_A, current_A;
	double turned_rev, from_rev; /* in all, and where the phase began */
	double slow_s;
};

void pole_clear_begin(struct pole_clear *c, double peak_A);
/* dt_s since the last step, moved_rev: how far the shaft turned in it, whichever way. Returns the coil current. */
double pole_clear_step(struct pole_clear *c, double dt_s, double moved_rev, double speed_rpm, double wanted_rpm);
bool pole_clear_done(const struct pole_clear *c);

/* The peak: the current whose torque stays within four fifths of the weakest of limits, coupling, cell and actuator, of
 * the continuous slip power, of what supply and drive give at that speed, and within most_Nm, what is known to be
 * turned against (NaN: nothing known). map, actuator: NULL when there is none. */
double pole_clear_peak_A(const struct rig_profile *rig, const struct actuator_profile *actuator,
			 const struct brakemap *map, double speed_rpm, double most_Nm);

#endif
