/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/slope.h"

#include <math.h>
#include <string.h>

/* Common practice, no source. */
#define BIN_S 0.1
#define LONGEST_S 0.15 /* the slowest tick that a profile allows is 0.1 s, and none comes on the dot */
#define END_BINS 3
#define BACK_FRAC 0.05 /* of the step: a coil's current that goes back by less still rises */
#define SPEED_FRAC 0.1

static void next_bin(struct guard_slope *s)
{
	if (s->bins == GUARD_SLOPE_BINS) {
		memmove(&s->bin[0], &s->bin[1], (GUARD_SLOPE_BINS - 1) * sizeof s->bin[0]);
		s->bins--;
	}
	s->bin[s->bins++] =
		(struct guard_slope_bin){ s->sum.A / s->sum_s, s->sum.Nm / s->sum_s, s->sum.rpm / s->sum_s };
	s->sum = (struct guard_slope_bin){ 0 };
	s->sum_s = 0;
}

static bool speed_is_steady(const struct guard_slope *s, double least_rpm)
{
	double low = INFINITY, high = 0;

	for (unsigned i = 0; i < s->bins; i++) {
		low = fmin(low, s->bin[i].rpm);
		high = fmax(high, s->bin[i].rpm);
	}
	return low >= least_rpm && high - low <= SPEED_FRAC * high;
}

/* sense: 1 for a current that rises, -1 for one that falls. */
static bool only_goes(const struct guard_slope *s, double step_A, int sense)
{
	for (unsigned i = 1; i < s->bins; i++)
		if (!(sense * (s->bin[i].A - s->bin[i - 1].A) >= -BACK_FRAC * step_A))
			return false;
	return sense * (s->bin[s->bins - 1].A - s->bin[0].A) >= step_A;
}

static double fall_of(const struct guard_slope *s, int sense)
{
	double first = INFINITY, last = -INFINITY;

	for (unsigned i = 0; i < END_BINS; i++) {
		first = fmin(first, sense * s->bin[i].Nm);
		last = fmax(last, sense * s->bin[s->bins - 1 - i].Nm);
	}
	return first - last;
}

bool slope_step(struct guard_slope *s, double current_A, double along_Nm, double rpm, double dt_s, double step_A,
		double fall_Nm, double least_rpm)
{
	if (!isfinite(current_A) || !isfinite(along_Nm) || !isfinite(rpm) || !(dt_s <= LONGEST_S)) {
		*s = (struct guard_slope){ 0 };
		return false;
	}
	s->sum.A += current_A * dt_s;
	s->sum.Nm += along_Nm * dt_s;
	s->sum.rpm += rpm * dt_s;
	s->sum_s += dt_s;
	if (s->sum_s < BIN_S - dt_s / 2)
		return false;
	next_bin(s);
	if (s->bins < GUARD_SLOPE_BINS || !speed_is_steady(s, least_rpm))
		return false;
	s->fell_Nm = only_goes(s, step_A, 1) ? fall_of(s, 1) : only_goes(s, step_A, -1) ? fall_of(s, -1) : 0;
	return s->fell_Nm > fall_Nm;
}
