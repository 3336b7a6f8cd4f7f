/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/thermal/thermal_fit.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

#define DRAWS 400

static double moved(const struct thermal_fit *fit, const double *z,
		    double (*f)(const struct thermal_model *, const struct thermal_loss *, void *), void *ctx)
{
	struct thermal_model m;
	struct thermal_loss l;

	thermal_fit_moved(fit, z, &m, &l);
	return f(&m, &l, ctx);
}

static int rising(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

/* Multivariate Student's t: what a covariance from a few readings stands for (JCGM 101:2008, 6.4.9). Always the same
 * draws, so that the same record gives the same digits. */
static void interval(const struct thermal_fit *fit,
		     double (*f)(const struct thermal_model *, const struct thermal_loss *, void *), void *ctx,
		     struct thermal_answer *ret)
{
	double y[DRAWS], z[THERMAL_PARAMS];
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	if (!rng)
		return;
	for (size_t i = 0; i < DRAWS; i++) {
		double stretch = fit->dof < 1e6 ? sqrt(fit->dof / gsl_ran_chisq(rng, fit->dof)) : 1;
		for (size_t k = 0; k < fit->p; k++)
			z[k] = stretch * gsl_ran_ugaussian(rng);
		y[i] = moved(fit, z, f, ctx);
		if (isnan(y[i]))
			y[i] = INFINITY;
	}
	gsl_rng_free(rng);
	qsort(y, DRAWS, sizeof *y, rising);
	ret->low = y[(size_t)(0.025 * DRAWS)];
	ret->high = y[(size_t)(0.975 * DRAWS)];
}

struct thermal_answer thermal_answer(const struct thermal_fit *fit,
				     double (*f)(const struct thermal_model *, const struct thermal_loss *, void *),
				     void *ctx)
{
	double z[THERMAL_PARAMS] = { 0 }, variance = 0;
	struct thermal_answer a = { moved(fit, z, f, ctx), NAN, NAN, NAN, NAN };

	if (!(fit->dof > 0))
		return a;
	for (size_t k = 0; k < fit->p; k++) {
		z[k] = 0.5;
		double up = moved(fit, z, f, ctx);
		z[k] = -0.5;
		double down = moved(fit, z, f, ctx);
		z[k] = 0;
		variance += (up - down) * (up - down);
	}
	a.u = a.u_fit = isfinite(variance) ? sqrt(variance) : NAN;
	interval(fit, f, ctx, &a);
	return a;
}
