/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The zero of the cell at the rig: turned both ways where that can be done, else at rest; and a hysteresis brake
 * cleared. */
#ifndef BRIDLE_LIVE_LIVE_ZERO_H
#define BRIDLE_LIVE_LIVE_ZERO_H

#include "live/live.h"

/* The zero of the cell as it was found. */
struct live_zero {
	bool both_ways;        /* turned slowly both ways; else at rest */
	bool fades;            /* the drag still changed when it was read */
	double count, u_count; /* signed count */
	double drag_count;     /* NaN at rest */
	double ambient_degC;
};

/* Zero with the brake off; it becomes the tare when set. With a person, or an actuator that knows the speed mode, and a
 * pick-up, the shaft is turned both ways at about speed_rpm, faster where a coarse pick-up needs it and no limit
 * forbids it (run/seq_zero.h); else, or with speed_rpm 0, it is read at rest, where friction may have locked torque
 * into a coupled shaft. So it is where the shaft is not seen to turn back, as a pick-up without direction may find.
 * most_Nm: torque that is known to be turned against, for the clearing of a hysteresis brake; NaN: not known. */
enum rc live_zero(struct live *live, double speed_rpm, double most_Nm, bool set, struct live_zero *ret,
		  struct err *err) MUST_CHECK;

/* Something can turn the shaft slowly: a person, or an actuator that knows the speed mode; and a pick-up sees it. At
 * what speed: faster where a coarse pick-up needs it. */
bool live_can_turn(const struct live *live, double speed_rpm);
/* And both ways: a drive that a person sets may not turn back. */
bool live_can_turn_back(const struct live *live, double speed_rpm);
double live_zero_rpm(const struct live *live, double speed_rpm);
/* At rest, when there is no zero yet: the guard wants a torque before anything turns. */
enum rc live_rough_zero(struct live *live, struct err *err) MUST_CHECK;

/* A hysteresis brake, and something that can turn its shaft slowly. */
bool live_can_clear(const struct live *live, double speed_rpm);
/* Turn it slowly and clear it (run/pole_clear.h). Nothing to do for another brake. */
enum rc live_clear_brake(struct live *live, double speed_rpm, double most_Nm, struct err *err) MUST_CHECK;

#endif
