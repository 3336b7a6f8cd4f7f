/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/probe_hum.h"

#include "calib/number/units.h"

#include <math.h>

#define LEAST 60
#define SURE 20.0
#define MAINS_FRAC 0.002 /* a grid's frequency; common practice, no source */
#define TICK_S 0.01      /* a conversion is dated by its tick */
#define EDGE_WAVES 4.0   /* over the watch: slower is drift */
#define NYQUIST_FRAC 0.48

static double mean_of(const struct probe_conversion *ring, size_t n, double *ret_variance)
{
	double sum = 0, squares = 0;

	for (size_t i = 0; i < n; i++)
		sum += ring[i].value / (double)n;
	for (size_t i = 0; i < n; i++)
		squares += (ring[i].value - sum) * (ring[i].value - sum);
	*ret_variance = squares / (double)n;
	return sum;
}

/* |sum of value * exp(-i * phase)|, the phase from the oldest conversion on. */
static double at_frequency(const struct probe_conversion *ring, size_t n, uint32_t oldest, double mean, double turns)
{
	double re = 0, im = 0;

	for (size_t i = 0; i < n; i++) {
		const double phase = 2 * UNITS_PI * turns * (uint32_t)(ring[i].number - oldest);

		re += (ring[i].value - mean) * cos(phase);
		im += (ring[i].value - mean) * sin(phase);
	}
	return hypot(re, im);
}

bool probe_hum(const struct probe_conversion *ring, size_t n, size_t first, double mains_Hz, double *ret_amplitude,
	       double *ret_Hz)
{
	const struct probe_conversion *from = &ring[n ? first % n : 0], *to = &ring[n ? (first + n - 1) % n : 0];
	double variance, most = 0;

	if (n < LEAST || !(to->t_s - from->t_s > 0))
		return false;
	const double span_s = to->t_s - from->t_s, rate_Hz = (uint32_t)(to->number - from->number) / span_s;
	const double folds = round(mains_Hz / rate_Hz), at_Hz = fabs(mains_Hz - folds * rate_Hz);
	const double room_Hz = mains_Hz * MAINS_FRAC + folds * rate_Hz * TICK_S / span_s + 0.5 / span_s;
	const double mean = mean_of(ring, n, &variance);

	if (!(at_Hz - room_Hz > EDGE_WAVES / span_s) || !(at_Hz + room_Hz < NYQUIST_FRAC * rate_Hz) || !(variance > 0))
		return false;
	for (double f = at_Hz - room_Hz; f <= at_Hz + room_Hz; f += 0.25 / span_s) {
		const double found = at_frequency(ring, n, from->number, mean, f / rate_Hz);

		if (found > most)
			*ret_Hz = f;
		most = fmax(most, found);
	}
	*ret_amplitude = 2 * most / (double)n;
	return most * most / ((double)n * variance) > SURE;
}
