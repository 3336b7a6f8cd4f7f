/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/stats.h"

#include "calib/number/dd.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

struct group {
	struct dd sum;
	double n, mean;
};

static enum rc check(const double *y, const size_t *group, size_t n, size_t n_groups, struct err *err)
{
	for (size_t i = 0; i < n; i++) {
		if (!isfinite(y[i]))
			return err_set(err, RC_ARG, 0, "value %zu of %zu is not a finite number", i + 1, n);
		if (group[i] >= n_groups)
			return err_set(err, RC_ARG, 0, "value %zu belongs to group %zu, but there are %zu groups",
				       i + 1, group[i] + 1, n_groups);
	}
	return RC_OK;
}

static enum rc evaluate(const double *y, const size_t *group, size_t n, struct group *g, size_t n_groups,
			struct stats_anova *ret, struct err *err)
{
	struct dd total = dd_of(0), between = dd_of(0), within = dd_of(0);
	double filled = 0;

	for (size_t i = 0; i < n; i++) {
		g[group[i]].sum = dd_add(g[group[i]].sum, dd_of(y[i]));
		g[group[i]].n++;
		total = dd_add(total, dd_of(y[i]));
	}
	for (size_t k = 0; k < n_groups; k++)
		filled += g[k].n > 0 ? 1 : 0;
	if (!(filled >= 2) || !((double)n > filled))
		return err_set(err, RC_ARG, 0,
			       "an analysis of variance needs at least 2 groups and more values than "
			       "groups, got %zu values in %.0f groups",
			       n, filled);
	struct dd mean = dd_div(total, dd_of((double)n));
	for (size_t k = 0; k < n_groups; k++) {
		if (!(g[k].n > 0))
			continue;
		struct dd d = dd_sub(dd_div(g[k].sum, dd_of(g[k].n)), mean);
		between = dd_add(between, dd_mul(dd_of(g[k].n), dd_mul(d, d)));
	}
	for (size_t i = 0; i < n; i++) {
		struct dd d = dd_sub(dd_of(y[i]), dd_div(g[group[i]].sum, dd_of(g[group[i]].n)));
		within = dd_add(within, dd_mul(d, d));
	}
	struct stats_anova a = { .ss_between = dd_to(between),
				 .ss_within = dd_to(within),
				 .dof_between = filled - 1,
				 .dof_within = (double)n - filled };
	a.sd_within = sqrt(a.ss_within / a.dof_within);
	a.F = (a.ss_between / a.dof_between) / (a.ss_within / a.dof_within);
	a.p = isfinite(a.F) ? gsl_cdf_fdist_Q(a.F, a.dof_between, a.dof_within) : (a.ss_between > 0 ? 0 : NAN);
	a.r_squared = a.ss_between / (a.ss_between + a.ss_within);
	*ret = a;
	return RC_OK;
}

enum rc stats_anova(const double *y, const size_t *group, size_t n, size_t n_groups, struct stats_anova *ret,
		    struct err *err)
{
	enum rc rc = check(y, group, n, n_groups, err);

	if (rc)
		return rc;
	struct group *g = calloc(n_groups ? n_groups : 1, sizeof *g);
	if (!g)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu groups", n_groups);
	rc = evaluate(y, group, n, g, n_groups, ret, err);
	free(g);
	return rc;
}

static double two_sided(double t, double dof)
{
	return isfinite(t) ? 2 * gsl_cdf_tdist_Q(fabs(t), dof) : NAN;
}

enum rc stats_two_sample(const double *a, size_t n_a, const double *b, size_t n_b, struct stats_two_sample *ret,
			 struct err *err)
{
	struct stats_mean m[2];
	enum rc rc;

	if (n_a < 2 || n_b < 2)
		return err_set(err, RC_ARG, 0,
			       "comparing two means needs at least 2 values in each group, got %zu and %zu", n_a, n_b);
	if ((rc = stats_mean(a, n_a, &m[0], err)) || (rc = stats_mean(b, n_b, &m[1], err)))
		return rc;
	double na = (double)n_a, nb = (double)n_b;
	double va = m[0].sd * m[0].sd / na, vb = m[1].sd * m[1].sd / nb, difference = m[0].mean - m[1].mean;
	struct stats_two_sample t = { .mean = { m[0].mean, m[1].mean }, .sd = { m[0].sd, m[1].sd } };

	t.dof_pooled = na + nb - 2;
	t.pooled_sd = sqrt(((na - 1) * m[0].sd * m[0].sd + (nb - 1) * m[1].sd * m[1].sd) / t.dof_pooled);
	t.t_pooled = difference / (t.pooled_sd * sqrt(1 / na + 1 / nb));
	t.p_pooled = two_sided(t.t_pooled, t.dof_pooled);
	t.t_welch = difference / sqrt(va + vb);
	t.dof_welch = (va + vb) * (va + vb) / (va * va / (na - 1) + vb * vb / (nb - 1));
	t.p_welch = two_sided(t.t_welch, t.dof_welch);
	*ret = t;
	return RC_OK;
}
