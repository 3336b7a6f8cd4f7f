/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Means of readings that follow one another in time, the settle test, Allan
 * deviation and the analysis of variance.
 * Pure arithmetic: no I/O, no clock, no globals. Only what says so allocates. */
#ifndef BRIDLE_CALIB_FIT_STATS_H
#define BRIDLE_CALIB_FIT_STATS_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

struct stats_mean {
	size_t n;
	double mean;
	double sd; /* n - 1; NaN for n 1 */
	/* Lag-1 autocorrelation as NIST defines it (e-Handbook 1.3.5.12):
	 * sum (x_i - m)(x_i+1 - m) / sum (x_i - m)^2; NaN when all readings are equal or n < 3. */
	double lag1;
	/* Independent readings that tell as much as these about the mean, if they are autoregressive of first
	 * order with r = lag1: n (1 - r)/(1 + r) for long records, n / (1 + 2 sum (1 - k/n) r^k) for any n
	 * (Bayley and Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184). Between 1 and n: a negative r does
	 * not make more of the readings than they are. */
	double n_effective, n_effective_finite;
	double u_mean;       /* sd / sqrt(n_effective) */
	double u_mean_naive; /* sd / sqrt(n) */
};

/* x: borrowed. RC_ARG n 0 or a value not finite; RC_RANGE overflow. */
enum rc stats_mean(const double *x, size_t n, struct stats_mean *ret, struct err *err) MUST_CHECK;

/* The form for any n alone. NaN when r is not inside (-1, 1) or n is 0. Not clipped. */
double stats_n_effective_finite(size_t n, double r);

/* Effective count without a model: the sum of the autocorrelation in pairs of lags until a pair is no longer
 * positive (Geyer, Stat. Sci. 7 (1992) 473, initial positive sequence). Between 1 and n; NaN for n < 4.
 * n^2/2 at worst. */
double stats_n_effective_acf(const double *x, size_t n);

/* Standard error of the mean by batch means: n split into batches equal runs (a rest at the end is left out).
 * RC_ARG batches < 2 or n < batches. */
enum rc stats_batch_means(const double *x, size_t n, size_t batches, double *ret_mean, double *ret_u,
			  struct err *err) MUST_CHECK;

/* --- the mean of a record with what it cannot tell ---
 * The shyest of several looks at how much neighbours go together; each errs towards too many readings somewhere:
 * - lag-1 autocorrelation, the finite form above, with r freed of its bias by the mean that was taken off,
 *   (n r + 1)/(n - 4) (Kendall, Biometrika 41 (1954) 403; Marriott and Pope, ibid. 390: both from memory):
 *   blind to slow noise under white noise, and low for short records;
 * - the same of the means of 2, 4, 8, ... readings, down to 12 means, r only where it stands out from chance
 *   (batch means, and what they still go together): sees slow noise;
 * - the autocorrelation summed (stats_n_effective_acf).
 * The one with the widest interval counts; dof is its effective count less 1.
 * Not known: fewer than 5 readings or all of them equal (their scatter is below the resolution), fewer than
 * STATS_FEWEST effective ones by any look, or fewer of coarse means that still go together. Noise slower than the whole
 * record cannot be seen in it by anybody: white noise of sd 1 with slow noise of sd 0.3 and a correlation time of 100
 * readings under it was caught in 32 % of records of 240 and covered in 58 % of the others (400 simulated). Records of
 * fifty correlation times and more: 95 to 98 % of the intervals given hold (test_stats_shy). reports/reduce/window.c
 * takes the shyer of two looks at its stretches, for its own question; this is for records of unknown kind. */
#define STATS_FEWEST 10
enum stats_look { STATS_LAG1, STATS_COARSE, STATS_ACF };
enum stats_doubt { STATS_SURE, STATS_EQUAL, STATS_SHORT, STATS_CORRELATED, STATS_SLOW };
struct stats_shy {
	/* not STATS_SURE: no interval can be given; u_mean and dof are a lower bound's, for display */
	enum stats_doubt doubt;
	enum stats_look look; /* the one that counted */
	size_t grain;         /* readings to a mean of STATS_COARSE, else 1 */
	double u_mean, dof;   /* NaN for n < 5 and equal readings */
	double n_effective;   /* sd^2 / u_mean^2, the least of all looks; NaN for n < 5 and equal readings */
};
/* RC_ARG n 0 or a value not finite; RC_NOMEM. Allocates for the call; n^2/2 up to 4096 readings, then n. */
enum rc stats_mean_shy(const double *x, size_t n, struct stats_shy *ret, struct err *err) MUST_CHECK;

/* --- one reading at a time, constant memory: Welford's update with the product of neighbours --- */
struct stats_run {
	size_t n;
	double first, last; /* readings */
	double mean, m2;    /* about the running mean */
	double neighbours;  /* sum of (x_i - first)(x_i+1 - first) */
	double min, max;
};
void stats_run_begin(struct stats_run *run);
void stats_run_add(struct stats_run *run, double x); /* not finite: mean becomes NaN and stays so */
/* As stats_mean; n 0 gives NaN everywhere. */
struct stats_mean stats_run_result(const struct stats_run *run);

/* --- settle test: is the slope over the last window small, its error included? ---
 * Readings fall into STATS_SETTLE_BINS equal stretches of the window; the means of the stretches are fitted with a
 * straight line, and the error of the slope comes from their scatter, widened when neighbours go together.
 * No allocation; a call costs some microseconds. */
#define STATS_SETTLE_BINS 24
struct stats_settle {
	double window_s;
	size_t n, head; /* finished bins, ring */
	double t_s[STATS_SETTLE_BINS], y[STATS_SETTLE_BINS];
	double bin_begin_s, bin_t, bin_y; /* the open bin: sums relative to its begin and first reading */
	double bin_y0;
	size_t bin_n;
	double first_s, last_s;
	bool bad; /* a reading was not finite since the last begin */
};
struct stats_slope {
	bool known;                        /* the window is full and has at least 6 filled bins */
	double slope_per_s, u_slope_per_s; /* NaN until known */
	double mean;                       /* of the bins */
};
void stats_settle_begin(struct stats_settle *s, double window_s);
/* t_s must not run backwards (such a reading is left out). */
void stats_settle_add(struct stats_settle *s, double t_s, double y);
struct stats_slope stats_settle_slope(const struct stats_settle *s);
/* |slope| + k u inside the limit. False until the window is full, and for anything not finite. */
bool stats_settled(const struct stats_settle *s, double limit_per_s, double k);

/* --- Allan deviation (NIST SP 1065, W. J. Riley 2008, 5.2) of equally spaced readings ---
 * m: averaging factor, tau = m tau0. NaN when n < 2 m (adev) or n < 2 m (oadev), or a value is not finite. */
double stats_adev(const double *y, size_t n, size_t m);
double stats_oadev(const double *y, size_t n, size_t m); /* every overlapping pair of averages */

/* --- groups --- */
struct stats_anova {
	double ss_between, ss_within, dof_between, dof_within, F, p, r_squared, sd_within;
};
/* One-way: group[i] in 0..n_groups-1 for each y[i]. Allocates. RC_ARG fewer than two filled groups, no dof within,
 * a value not finite; RC_NOMEM. */
enum rc stats_anova(const double *y, const size_t *group, size_t n, size_t n_groups, struct stats_anova *ret,
		    struct err *err) MUST_CHECK;

struct stats_two_sample {
	double mean[2], sd[2], pooled_sd;
	double t_pooled, dof_pooled, p_pooled; /* equal variances; p two-sided */
	double t_welch, dof_welch, p_welch;    /* not assumed */
};
enum rc stats_two_sample(const double *a, size_t n_a, const double *b, size_t n_b, struct stats_two_sample *ret,
			 struct err *err) MUST_CHECK;

#endif
