/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Gain and phase margins of the opened loop (tame_loop.h), by a sweep of frequency with its crossings refined. Pure. */
#ifndef BRIDLE_CALIB_TAME_TAME_MARGIN_H
#define BRIDLE_CALIB_TAME_TAME_MARGIN_H

#include "calib/tame/tame_loop.h"

/* A loop that resonates crosses often. Of a stable one each margin is its smallest: gain_dB how much more gain it takes
 * (K_p and K_i together), lower_dB how much less (conditional stability). An unstable one has gain_dB below 0: by so
 * much the gain has to fall; phase_deg is its most negative. */
struct tame_margins {
	bool stable;
	double gain_dB, gain_rad_per_s; /* INFINITY: any gain is stable. Unstable: NaN, no lower gain alone mends it */
	double phase_deg, phase_rad_per_s; /* INFINITY: the loop's gain never crosses 1 */
	double lower_dB;                   /* below 0; -INFINITY: any smaller gain is stable too */
	double peak;                       /* largest 1/|1 + L| (maximum sensitivity) */
};
struct tame_margins tame_margins(const struct tame_loop *loop, const struct tame_quasi *quasi);

#endif
