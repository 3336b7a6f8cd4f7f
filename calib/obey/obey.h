/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Does an actuator give the torque that was commanded? Slow readings tell gain, offset, dead band and hysteresis, a
 * fast record of a chirp or of pseudo-random steps the bandwidth. u is k = 1, from the scatter. No I/O; allocates for
 * the length of a call. */
#ifndef BRIDLE_CALIB_OBEY_OBEY_H
#define BRIDLE_CALIB_OBEY_OBEY_H

#include "calib/number/err.h"

#include <stddef.h>

struct obey_number {
	double value, u, dof; /* value NaN: the record does not tell */
};

/* measured = offset + gain commanded - gain (dead band/2) sign(commanded)
 *            - (hysteresis + growth (|commanded| - most/2))/2 way
 *            [+ (drift of the offset + drift of the gain commanded) (temperature - mean temperature)]
 *
 * by least squares over the commands beyond a tenth of the largest (most); way is +1 while the command rises, -1 while
 * it falls. The friction of a gear grows with its load, so the hysteresis grows; the one told is at half of most. The
 * dead band needs both signs of command, the hysteresis both ways.
 *
 * After a turn of the command nothing moves until the other branch is reached (a play element; M. A. Krasnosel'skii,
 * A. V. Pokrovskii, Systems with Hysteresis, 1989, from memory). Rows that by the model lie there, or less than two
 * scatters beyond, are left out, and the fit is done again until they stay the same. A table that is too short for the
 * growth is fitted without it: its hysteresis is the mean over the rows used, and the growth NaN. */
struct obey_slow {
	struct obey_number gain, offset_Nm, dead_band_Nm;
	struct obey_number hysteresis_Nm,
		hysteresis_growth; /* growth: N.m for each N.m of command; NaN: too few rows */
	struct obey_number gain_per_K,
		offset_Nm_per_K; /* NaN: no temperatures, or less than OBEY_WARMING_K between them */
	double at_degC;          /* gain and offset are those there: the mean of the rows used; NaN likewise */
	double linearity_Nm;     /* the largest mean deviation in a tenth of the range of -most to most */
	double scatter_Nm;
	size_t left_out; /* rows after turns of the command that did not move yet */
};
/* RC_ARG too few rows or different commands, or too few that moved after the turns. */
enum rc obey_slow(const double *commanded_Nm, const double *measured_Nm, size_t n, struct obey_slow *ret,
		  struct err *err) MUST_CHECK;

#define OBEY_WARMING_K 2.0 /* common practice, no source */
/* The same with a temperature beside each reading (NULL: none), of the winding, the case or the drive. */
enum rc obey_warm(const double *commanded_Nm, const double *measured_Nm, const double *temp_degC, size_t n,
		  struct obey_slow *ret, struct err *err) MUST_CHECK;

/* Response by Welch's method: Hann windows of half overlap, H = S_xy/S_xx, coherence beside it. Bandwidth is where |H|
 * has fallen to 1/sqrt 2 of its value at the lowest frequencies; its u by the random error of |H| (J. S. Bendat, A. G.
 * Piersol, Random Data, 4th ed., Wiley 2010; place 9.2.4 from memory: sqrt((1 - c)/(2 c N)) with coherence c and N
 * windows). */
struct obey_fast {
	struct obey_number bandwidth_Hz;
	double gain, lowest_coherence; /* at the low end; over the band up to the bandwidth */
	double highest_Hz;             /* up to where the coherence is above 0.5 */
	size_t windows;
};
/* RC_ARG times that are not even within 1 %, fewer than 512 readings, no coherence. Where the response does not fall
 * that far, bandwidth is NaN. */
enum rc obey_fast(const double *time_s, const double *commanded_Nm, const double *measured_Nm, size_t n,
		  struct obey_fast *ret, struct err *err) MUST_CHECK;

#endif
