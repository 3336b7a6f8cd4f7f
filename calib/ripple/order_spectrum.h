/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Torque ripple by order: how often a wave comes in one turn of the output. Readings at known angles are put on even
 * steps of angle (a polynomial through the six readings around), and Fourier's transform (GSL) over whole turns shows
 * the waves; a wave's size is taken at its very order with a Hann window, so that orders between whole numbers keep
 * theirs. A wave with only six readings to it loses 0.3 % that way, one with ten less than 0.05 %. The floor is the
 * noise next to each wave, by the median of its neighbours. What stands out is above any wave that noise makes in 99 %
 * of records: counted are all bins in sight, and that a median of neighbours is noise itself.
 *
 * RMS and peak to peak are those of the ripple, without the readings' noise. RMS: the mean square of what varies, less
 * the noise's, which is the floor over all orders (Hann: the floors add up to three times the noise's square); its u by
 * the noise along the waves and by the number of floors. Peak to peak: of the waves that stand out, added up with their
 * phases; its u by the noise in both extremes, and, where the waves leave more of the RMS unexplained than three times
 * its u, by what that rest would add as one sine, rectangular. Allocates for the length of a call. */
#ifndef BRIDLE_CALIB_RIPPLE_ORDER_SPECTRUM_H
#define BRIDLE_CALIB_RIPPLE_ORDER_SPECTRUM_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

#define ORDER_WAVES 40

struct order_wave {
	double order, amplitude_Nm, u_Nm; /* amplitude is half of peak to peak; u by the floor and what leaks, k = 1 */
	double dof;                       /* of u: a median of n exponentials varies by 2.08/n of its square */
	double phase_rad;                 /* of the cosine, at the first reading */
	bool stands_out; /* of the floor: by chance in no more than 1 % of records; and of what leaks */
	bool beside;     /* a wave beside it leaks into it by more than the floor: in u */
};
struct order_spectrum {
	size_t n_waves;
	struct order_wave
		wave[ORDER_WAVES]; /* those asked for first, as given; then what else stands out, largest first,
					     down to a ten-thousandth of varies_Nm */
	double turns;              /* whole, used */
	double highest_order;      /* half of the fewest readings a turn: nothing above is seen, and it folds down */
	double mean_Nm;            /* of the torque */
	double varies_Nm;          /* RMS of what varies, with the noise */
	double noise_Nm;           /* of it, the noise */
	double rms_Nm, u_rms_Nm;   /* of the ripple, k = 1 */
	double peak_to_peak_Nm, u_peak_to_peak_Nm;
};

/* turn: angle of the output in turns, going one way; ask: n_ask orders to be told in any case. RC_ARG angles that go
 * back or have a gap of more than eight usual steps, less than two turns, fewer than 64 readings; RC_NOMEM. */
enum rc order_spectrum(const double *turn, const double *torque_Nm, size_t n, const double *ask, size_t n_ask,
		       struct order_spectrum *ret, struct err *err) MUST_CHECK;

/* Both ways over the same angles: half the sum is what the angle makes (cogging), half the difference what the way
 * makes (friction). Records as above, the second going back; both put on ret_n even steps of the angle that they share:
 * ret_turn, ret_cogging_Nm have room for size. RC_ARG as above, and when they share less than two turns. */
enum rc order_both_ways(const double *turn, const double *torque_Nm, size_t n_there, size_t n, size_t size,
			size_t *ret_n, double *ret_turn, double *ret_cogging_Nm, double *ret_friction_Nm,
			double *ret_u_friction_Nm, struct err *err) MUST_CHECK;

#endif
