/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Power meter: voltage and current at its plane, averaged between samples, with gain, offset and noise.
 * reading = true * gain + offset + noise. */
#ifndef BRIDLE_BENCH_METER_H
#define BRIDLE_BENCH_METER_H

#include <gsl/gsl_rng.h>

struct meter_truth { double volt_gain, amp_gain, volt_offset_V, amp_offset_A, noise_V, noise_A; };

struct meter {
	struct meter_truth truth;
	gsl_rng *rng;
	double sum_V, sum_A;
	unsigned n;
	double last_V, last_A; /* without noise: repeated when no step lies between two samples */
};

/* rng: kept, given to the meter. */
void meter_init(struct meter *meter, const struct meter_truth *truth, gsl_rng *rng);
static inline void meter_add(struct meter *meter, double volt, double ampere)
{
	meter->sum_V += volt;
	meter->sum_A += ampere;
	meter->n++;
}
/* Averages since the last call. */
void meter_read(struct meter *meter, double *ret_V, double *ret_A);

#endif
