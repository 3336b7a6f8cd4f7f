/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The mains in a cell's conversions: 50 or 60 Hz are above half of what most converters sample, and stand folded at
 * |mains - m * rate| with the nearest whole m. The periodogram around that frequency tells: |sum|^2 / (n * variance) is
 * exponential with mean 1 for white noise, so that 20 comes by chance once in 5e8. Where the folded wave lies at a
 * standstill or at half of the rate (10 conversions a second: 0 Hz) it cannot be told. Pure. */
#ifndef BRIDLE_RUN_PROBE_HUM_H
#define BRIDLE_RUN_PROBE_HUM_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct probe_conversion {
	uint32_t number; /* of the conversion: one that was not seen leaves a gap */
	double t_s, value;
};

/* n conversions from the oldest on, kept as a ring of n that begins at first. ret_amplitude: of the wave, in the unit
 * of value; ret_Hz: where it stands. False: there is none, or it cannot be told. */
bool probe_hum(const struct probe_conversion *ring, size_t n, size_t first, double mains_Hz, double *ret_amplitude,
	       double *ret_Hz);

#endif
