/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inertia and friction of a free shaft from pulses of a pick-up and a torque that was commanded tick by tick.
 *
 * The angle between two pulses is taken as straight; the speed of a row is the mean over one step, and the torque is
 * averaged the same way twice (over the mean and over the step from row to row), so that what the averages take off is
 * in both. One mass is fitted (tame_identify.h); how late the torque acts is unknown, and the delay is the one whose
 * model leaves the least squares. Pure but for memory, which it allocates for the length of a call. */
#ifndef BRIDLE_CALIB_TAME_TAME_FREE_H
#define BRIDLE_CALIB_TAME_TAME_FREE_H

#include "calib/tame/tame_identify.h"

#define TAME_DELAY_MOST_S 0.1

struct tame_pulses {
	const double *set_s, *set_Nm;    /* commanded from that moment on */
	const double *edge_s, *edge_rad; /* newest pulse then; moments may repeat */
	size_t n;
	double step_s; /* of the even rows that are made */
};

struct tame_free {
	struct tame_identified id; /* of one mass, by the commanded torque as it is */
	double delay_s;            /* command to motion: line, drive, sampling */
	double swing_rad_per_s;    /* standard deviation of the speed */
	double mean_rad_per_s, mean_Nm;
	size_t n; /* even rows; the caller frees them */
	double *time_s, *torque_Nm, *speed_rad_per_s;
};
/* RC_ARG too few pulses, too few rows; further errors as tame_identify. ret: freed by tame_free_clear in any case. */
enum rc tame_free_find(const struct tame_pulses *pulses, struct tame_free *ret, struct err *err) MUST_CHECK;
void tame_free_clear(struct tame_free *f);

#endif
