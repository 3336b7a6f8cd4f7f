/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/stats.h"

#include "calib/number/uncertain.h"

#include <math.h>
#include <stdlib.h>

#define FEWEST_MEANS 12
#define MOST_FOR_ACF 4096
#define STANDS_OUT 1.3 /* of r by its own scatter 1/sqrt(n): one-sided 10 % */

static double count_of(size_t n, double r)
{
	double count = stats_n_effective_finite(n, fmin(r, 0.9999));

	if (!(count > 1))
		return 1;
	return fmin(count, (double)n);
}

static double unbiased(size_t n, double r)
{
	return ((double)n * r + 1) / ((double)n - 4);
}

static struct stats_mean coarse(const double *x, size_t n, size_t grain)
{
	struct stats_run run;

	stats_run_begin(&run);
	for (size_t i = 0; i + grain <= n; i += grain) {
		double sum = 0;
		for (size_t k = 0; k < grain; k++)
			sum += x[i + k];
		stats_run_add(&run, sum / (double)grain);
	}
	return stats_run_result(&run);
}

static double half_width(double u, double dof)
{
	return u * unc_coverage_factor(dof, 0.95);
}

static void consider(struct stats_shy *s, const struct stats_mean *all, enum stats_look look, size_t grain, double u,
		     double count)
{
	double dof = fmax(1, count - 1);

	s->n_effective = fmin(s->n_effective, all->sd * all->sd / (u * u));
	if (isfinite(s->u_mean) && !(half_width(u, dof) > half_width(s->u_mean, s->dof)))
		return;
	s->look = look;
	s->grain = grain;
	s->u_mean = u;
	s->dof = dof;
}

static void look_at_coarse(struct stats_shy *s, const struct stats_mean *all, const double *x)
{
	for (size_t grain = 2; all->n / grain >= FEWEST_MEANS; grain *= 2) {
		struct stats_mean m = coarse(x, all->n, grain);
		double chance = 1 / sqrt((double)m.n);
		double count = m.lag1 > chance ? count_of(m.n, unbiased(m.n, m.lag1)) : (double)m.n;
		if (!(m.sd > 0))
			continue;
		consider(s, all, STATS_COARSE, grain, m.sd / sqrt(count), count);
		if (m.lag1 > STANDS_OUT * chance && count < STATS_FEWEST)
			s->doubt = STATS_SLOW;
	}
}

static enum rc look_at_acf(struct stats_shy *s, const struct stats_mean *all, const double *x, struct err *err)
{
	size_t grain = all->n / MOST_FOR_ACF + 1, n = all->n / grain;
	double *mean = malloc(n * sizeof *mean);

	if (!mean)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	for (size_t i = 0; i < n; i++) {
		double sum = 0;
		for (size_t k = 0; k < grain; k++)
			sum += x[i * grain + k];
		mean[i] = sum / (double)grain;
	}
	double count = stats_n_effective_acf(mean, n), sd = grain > 1 ? coarse(x, all->n, grain).sd : all->sd;
	free(mean);
	if (isfinite(count) && sd > 0)
		consider(s, all, STATS_ACF, grain, sd / sqrt(count), count);
	return RC_OK;
}

enum rc stats_mean_shy(const double *x, size_t n, struct stats_shy *ret, struct err *err)
{
	struct stats_mean all;
	enum rc rc = stats_mean(x, n, &all, err);
	struct stats_shy s = { .doubt = STATS_SHORT, .grain = 1, .u_mean = NAN, .dof = NAN, .n_effective = NAN };

	if (rc)
		return rc;
	if (n >= 5 && !isfinite(all.lag1)) {
		s.doubt = STATS_EQUAL;
	} else if (n >= 5) {
		double count = count_of(n, unbiased(n, all.lag1));
		s.doubt = STATS_SURE;
		s.n_effective = (double)n;
		consider(&s, &all, STATS_LAG1, 1, all.sd / sqrt(count), count);
		look_at_coarse(&s, &all, x);
		rc = look_at_acf(&s, &all, x, err);
		if (!(s.n_effective >= STATS_FEWEST))
			s.doubt = n < STATS_FEWEST ? STATS_SHORT : STATS_CORRELATED;
	}
	if (!rc)
		*ret = s;
	return rc;
}
