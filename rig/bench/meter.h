/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Power meter: voltage and current at its plane, averaged between samples, with gain, offset and noise.
 * reading = true * gain + offset + noise.
 *
 * The switching ripple is faster than a step: what the steps know as current is power over voltage. The true mean of
 * the current is larger by ripple_frac, since the current is high while it pulls the voltage down: the product of the
 * two means is more than the power. What is lost so is the mean of the product of the ripples, which a node that
 * multiplies before it averages keeps. */
#ifndef BRIDLE_BENCH_METER_H
#define BRIDLE_BENCH_METER_H

#include <gsl/gsl_rng.h>

struct meter_truth {
	double volt_gain, amp_gain, volt_offset_V, amp_offset_A, noise_V, noise_A, ripple_frac;
};

struct meter {
	struct meter_truth truth;
	gsl_rng *rng;
	double sum_V, sum_A, sum_W;
	unsigned n;
	double last_V, last_A, last_ripple_W; /* without noise: repeated when no step lies between two samples */
};

/* rng: kept, given to the meter. */
void meter_init(struct meter *meter, const struct meter_truth *truth, gsl_rng *rng);
static inline void meter_add(struct meter *meter, double volt, double ampere)
{
	meter->sum_V += volt;
	meter->sum_A += ampere * (1 + meter->truth.ripple_frac);
	meter->sum_W += volt * ampere;
	meter->n++;
}
/* Averages since the last call; ripple: mean of the product of the readings less the product of their means. */
void meter_read(struct meter *meter, double *ret_V, double *ret_A, double *ret_ripple_W);

#endif
