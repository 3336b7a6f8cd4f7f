/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of the order spectrum: torque on even steps of angle, and its spectrum. */
#ifndef BRIDLE_CALIB_RIPPLE_ORDER_SPECTRUM_PRIVATE_H
#define BRIDLE_CALIB_RIPPLE_ORDER_SPECTRUM_PRIVATE_H

#include "calib/ripple/order_spectrum.h"

#define ORDER_NEIGHBOURS 60 /* bins on either side that tell the floor */

struct order_grid {
	size_t m;    /* steps, a power of two */
	size_t seen; /* bins below this one lie below the highest order */
	double turns;
	double *y;                              /* torque less its mean, times the Hann window */
	double *power;                          /* square of the amplitude at each multiple of 1/turns */
	double times[2 * ORDER_NEIGHBOURS + 1]; /* the median of so many neighbours: above that it is no noise */
};

/* Mean square of the noise's amplitude around a bin in sight, by its neighbours in sight: beyond, the even steps of
 * angle between the readings have less of it. NaN without neighbours. */
double order_floor(const struct order_grid *g, size_t bin);

/* Waves less than two bins apart, or between whole bins, leak into each other by Hann's window: that is in u (limits,
 * rectangular), and a wave that is no more than what leaks into it does not stand out. */
void order_leaks(struct order_spectrum *s);

/* RMS and peak to peak by the waves that are found; g->y is used up. */
void order_sizes(const struct order_grid *g, struct order_spectrum *s);

#endif
