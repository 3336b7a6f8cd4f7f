/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A model with uncertain inputs, evaluated two ways: by random draws (JCGM
 * 101:2008) and by the law of propagation (JCGM 100:2008, 5.1 and 5.2), and
 * whether the second may be trusted (JCGM 101, 8.1).
 *
 * The draws come in groups of fixed size, each from a generator seeded by the
 * run's seed and the group's number (calib/number/mc_rng.h): the same seed gives the
 * same digits whatever the number of threads. No I/O, no clock, no globals. */
#ifndef BRIDLE_CALIB_NUMBER_MONTECARLO_H
#define BRIDLE_CALIB_NUMBER_MONTECARLO_H

#include "calib/number/err.h"
#include "calib/number/quantity.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define MC_MAX_INPUTS 256
#define MC_MAX_OUTPUTS 32
#define MC_MAX_TRIALS 100000000u

/* How an input is drawn (JCGM 101, 6.4): normal; rect, tri, trap with half-width by u (dist_half_width); t with dof,
 * scaled by u (its standard deviation is larger than u). A rect with finite dof has limits that are themselves
 * uncertain by 1/sqrt(2 dof) of the half-width (GUM G.4.2 and JCGM 101, 6.4.3). */
struct mc_input {
	double value, u, dof, beta;
	enum dist dist;
};

/* x[i] and y[j] are columns of n numbers, one of each a draw. Returns 0, or anything else when it cannot. Called by
 * several threads at once, each with its own handle. */
typedef int mc_eval(void *handle, const double *const *x, double *const *y, size_t n);

struct mc_model {
	size_t n_inputs, n_outputs;
	const struct mc_input *inputs;
	const double *correlation; /* n_inputs x n_inputs, row by row; NULL when all are independent */
	mc_eval *eval;
	void *(*open)(void *ctx); /* a handle for one thread, NULL when it cannot; without it ctx is the handle */
	void (*close)(void *handle);
	void *ctx;
};

struct mc_options {
	uint64_t trials; /* 0: as many as the adaptive procedure of JCGM 101, 7.9 asks for */
	unsigned long seed;
	double coverage;  /* 0.95 */
	int digits;       /* significant digits of u that matter, 1 or 2 */
	unsigned threads; /* 0: all cores */
};

struct mc_output {
	double mean, u;
	double symmetric[2], shortest[2]; /* coverage intervals, JCGM 101, 7.7 */
	double delta;                     /* numerical tolerance of u by digits, JCGM 101, 7.9.2 */
	/* Standard deviations of the results themselves; ends are those of the symmetric interval. */
	double s_mean, s_u, s_low, s_high;
};

struct mc_result {
	uint64_t trials;
	bool stabilised; /* adaptive: 2 s below delta/5 for all outputs; fixed: whether that happened to be so */
	struct mc_output output[MC_MAX_OUTPUTS];
	double correlation[MC_MAX_OUTPUTS][MC_MAX_OUTPUTS]; /* NaN where an output does not vary */
};

/* ret: written on success only.
 * RC_ARG       sizes, a bad input (u < 0, not finite, dof < 1), coverage, digits, too few trials for the coverage,
 *              a correlation between inputs that are not both normal (JCGM 101, 6.4.8 is about normal ones)
 * RC_SINGULAR  impossible correlations
 * RC_RANGE     the model gave a number that is not finite for some draw
 * RC_NOMEM */
enum rc montecarlo_run(const struct mc_model *model, const struct mc_options *options, struct mc_result *ret,
		       struct err *err) MUST_CHECK;

/* ---- the law of propagation for the same model ---- */
struct mc_linear {
	double value, u, dof, k, expanded; /* expanded = k u; k from Student's t with dof */
	double sensitivity[MC_MAX_INPUTS]; /* dy/dx at the estimates, by differences of fourth order */
};
struct mc_linear_result {
	struct mc_linear output[MC_MAX_OUTPUTS];
	double correlation[MC_MAX_OUTPUTS][MC_MAX_OUTPUTS]; /* NaN where u is 0 */
};
/* dof by correlated_dof (correlated.h), correlated inputs as one component. Errors as above. */
enum rc montecarlo_linear(const struct mc_model *model, double coverage, struct mc_linear_result *ret,
			  struct err *err) MUST_CHECK;

/* JCGM 101, 8.1: both ends of value -+ expanded agree with the symmetric interval to within delta, plus twice the
 * standard deviation of that end, which an adaptive run makes small beside delta. ret_d: the two differences. */
bool montecarlo_linear_valid(const struct mc_linear *linear, const struct mc_output *drawn, double ret_d[2]);

/* JCGM 101, 7.9.2: half a unit of the last of so many significant digits of u. 0 for u 0. */
double montecarlo_tolerance(double u, int digits);

/* JCGM 101, 7.7 on n values, n >= 2: both intervals. values may be reordered. Returns false when coverage leaves
 * nothing outside. */
bool montecarlo_intervals(double *values, size_t n, double coverage, double ret_symmetric[2], double ret_shortest[2]);

#endif
