/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Do the figures of one file agree with those of another, and with what was measured? No uncertainty is at stake here,
 * only slips: a lever in millimetres, a speed in the wrong unit, the torque of the wrong side of the gear. Two figures
 * of one thing that are further apart than a factor of PLAUSIBLE_FACTOR are refused with both of them, and a factor
 * that such a slip makes is named. Pure arithmetic: no I/O, no allocation, no globals. */
#ifndef BRIDLE_PROFILE_PLAUSIBLE_H
#define BRIDLE_PROFILE_PLAUSIBLE_H

#include "calib/brake/brakemap.h"
#include "calib/cell/cellcal.h"
#include "profile/actuator_profile.h"
#include "profile/rig_profile.h"

#include <stdbool.h>
#include <stddef.h>

/* Beyond it a refusal. Common practice, no source: makers' figures of a sound brake, drive or gear are within a fifth.
 */
#define PLAUSIBLE_FACTOR 1.5
/* A brake's torque is no straight line of its current: with less than PLAUSIBLE_CURRENT of it mapped, the wider factor.
 */
#define PLAUSIBLE_CURRENT 0.8
#define PLAUSIBLE_FACTOR_PART 2.5
/* So near to a factor that a slip makes, it is named. */
#define PLAUSIBLE_NEAR 0.12

enum plausible_check {
	PLAUSIBLE_BRAKE, /* torque of the map at its largest current by [brake] torque there */
	PLAUSIBLE_CELL, /* counts that the cell's full scale makes by [cell] full_scale_counts; where that is not stated
			 * by the converter's range: only above */
	PLAUSIBLE_EFFICIENCY, /* best measured by what the actuator's file expects at that load; too low only where the
			       * load is heavy or [forecast] no_load_power known */
	PLAUSIBLE_ENERGY,     /* best measured by 1: only above */
	PLAUSIBLE_GEAR,       /* rotor speed of the drive by output speed of the pick-up, by [actuator] ratio */
	PLAUSIBLE_TORQUE_CONSTANT, /* torque by the drive's current, by [drive] k_t */
	PLAUSIBLE_CURRENT_DRAWN, /* input power measured by what torque and speed need at least: only below; the drive's
				  * current and the meter's must tell the same */
	PLAUSIBLE_CLAIMED_POWER, /* rated_power by rated_torque at its speed */
	PLAUSIBLE_CHECKS
};
const char *plausible_word(enum plausible_check check); /* "brake_torque" */

struct plausible {
	enum plausible_check check;
	bool known; /* false: nothing to compare, the rest means nothing */
	double found, expected;
	double factor; /* found by expected */
	bool refused;
	char unit[16];  /* of found and expected; "" for plain numbers */
	char slip[120]; /* the likely slip, a clause; "" none is known */
};

/* most: the factor that is still fine (PLAUSIBLE_FACTOR). gear_ratio NaN where no gear is at stake. Not known unless
 * both are finite and above 0. */
struct plausible plausible_compare(enum plausible_check check, double found, double expected, double most,
				   double gear_ratio, const char *unit);

struct plausible plausible_brake(const struct rig_profile *rig, const struct brakemap *map,
				 const struct actuator_profile *actuator);
struct plausible plausible_cell(const struct rig_profile *rig, const struct cellcal *cal);
struct plausible plausible_claimed_power(const struct actuator_profile *actuator);

/* What a sweep says of itself: one point that carries load. NaN: not measured. */
struct plausible_point {
	double torque_Nm, speed_rpm, rotor_rpm, drive_A, input_power_W, efficiency;
};
/* points of one curve. Fills ret (PLAUSIBLE_CHECKS of room) with what can be compared and returns how many. Only points
 * from a third of the heaviest torque on count, by their median, so that no single one decides. */
size_t plausible_curve(const struct actuator_profile *actuator, const struct plausible_point *points, size_t n,
		       struct plausible ret[PLAUSIBLE_CHECKS]);

/* "the map gives 5.1 N·m where rig.ini's [brake] torque says 50 N·m (9.8 times less). ...". Without a full stop. */
void plausible_sentence(const struct plausible *p, char *buf, size_t size);

#endif
