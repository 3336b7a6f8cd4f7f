/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How fast a temperature still rises over the air's. Pure arithmetic, no allocation. */
#ifndef BRIDLE_CALIB_THERMAL_STEEPNESS_H
#define BRIDLE_CALIB_THERMAL_STEEPNESS_H

#include <stdbool.h>
#include <stddef.h>

struct steepness {
	double K_per_h, u_K_per_h; /* of the rise over the ambient; k = 1 */
};

/* Straight line by least squares through rows first to last of temp less ambient. u has its scatter, and what the steps
 * hide in which a thermometer tells: a reading that never changes over the window may have moved by a whole step
 * (rectangle). The step is the smallest change between neighbours in rows 0 to last. rise: room for last + 1 - first.
 * false: fewer than 3 rows, a temperature that is NaN, or no span of time. */
bool steepness_of(const double *time_s, const double *temp_degC, const double *ambient_degC, size_t first, size_t last,
		  double *rise, struct steepness *ret);

#endif
