/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From torque against angle to what `ripple` tells, whether it came from a table or from the rig. */
#ifndef BRIDLE_COMMAND_RIPPLE_FIND_H
#define BRIDLE_COMMAND_RIPPLE_FIND_H

#include "calib/ripple/order_spectrum.h"

#include <jansson.h>

#define RIPPLE_NAMED 20 /* eight from what was built, two of the output, the rest asked for */
#define RIPPLE_ORDERS 8

/* What was built, as far as it is known; NaN: not told. */
struct ripple_wanted {
	double ratio_1, pole_pairs_1, slots_1, teeth_1, belt_1;
	double list[RIPPLE_ORDERS]; /* further orders to be told in any case */
	size_t n_list;
	double cell_rate_Hz; /* conversions of the cell, where rows repeat them; NaN: the rows' own rate */
	/* How much later than its angle a torque is told, as it is known: late_s, give or take late_limit_s
	 * (rectangular); NaN: not told, nothing is done about it. It matters both ways only. */
	double late_s, late_limit_s;
	bool means; /* each reading is a mean over the time since the one before */
};
struct ripple_wanted ripple_nothing_wanted(void);

struct ripple_found {
	struct order_spectrum s;
	size_t n_named;
	double named[RIPPLE_NAMED];
	const char *name[RIPPLE_NAMED]; /* static text */
	bool both;                      /* there and back over the same angles */
	double friction_Nm, u_friction_Nm;
	double rate_Hz, speed_rpm, cell_order; /* NaN where not known */
	double readings_of_wave;               /* the fewest to a wave that is told */
	/* Both ways with a lag that is told: the waves are made larger by what it took from them, and their u has what
	 * may be wrong with that, u_late_Nm; late_s NaN: nothing was done. */
	double late_s, late_limit_s, mean_s; /* mean_s: of which each reading is the mean; 0: of a moment */
	double u_late_Nm[ORDER_WAVES], u_late_rms_Nm, u_late_peak_Nm;
};

/* turn: angle of the output in turns, one way, or there and back; a record that goes backward alone is turned round in
 * place. span_s: of the rows, without a turning round between the ways that has none; NaN where no time is known.
 * RC_ARG as order_spectrum; a lag that is told, and no time. */
enum rc ripple_find(const struct ripple_wanted *w, double *turn, const double *torque_Nm, size_t n, double span_s,
		    struct ripple_found *ret, struct err *err) MUST_CHECK;

/* Of a wave of that order: the largest share that the limits of the lag leave it short of, 0 to 1. */
double ripple_late_share(const struct ripple_found *f, double order);

/* To a u that has more in it; that is taken as known (JCGM 100:2008, G.4.1). */
void ripple_widen(struct order_wave *wave, double u_Nm);

const char *ripple_name_of(const struct ripple_found *f, double order);    /* NULL: no name */
double ripple_slow_enough_rpm(const struct ripple_found *f, double order); /* that the cell sees it */

/* ripple_tell.c */
json_t *ripple_json(const struct ripple_found *f);
void ripple_print(const struct ripple_found *f);

#endif
