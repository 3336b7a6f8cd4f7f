/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/dwell_until.h"

#include "calib/fit/stats.h"
#include "calib/number/uncertain.h"

#include <math.h>
#include <string.h>

#define ANOTHER_WINDOW (2 * sqrt(2)) /* of the scatter of one mean */
#define FEWEST 8                     /* stretches that tell anything */

void dwell_record_begin(struct dwell_record *r)
{
	memset(r, 0, sizeof *r);
	r->each = 1;
}

static void halve(struct dwell_record *r)
{
	for (size_t i = 0; i < r->n / 2; i++)
		r->mean[i] = (r->mean[2 * i] + r->mean[2 * i + 1]) / 2;
	r->n /= 2;
	r->each *= 2;
}

void dwell_record_add(struct dwell_record *r, double torque_Nm)
{
	r->sum += torque_Nm;
	if (++r->in < r->each)
		return;
	if (r->n == DWELL_MEANS)
		halve(r);
	if (r->in >= r->each) {
		r->mean[r->n++] = r->sum / (double)r->in;
		r->sum = 0;
		r->in = 0;
	}
}

static double within(double length_s, const struct dwell_until *t)
{
	return length_s < t->longest_s ? fmax(length_s, t->pilot_s) : t->longest_s; /* NaN: the longest */
}

static double wanted_Nm(const struct dwell_until *t, double torque_Nm)
{
	return t->frac * fmax(fabs(torque_Nm), t->floor_Nm);
}

double dwell_until_s(const struct dwell_until *t, const struct dwell_record *pilot, double pilot_s)
{
	struct stats_mean m;
	struct err err;

	if (pilot->n < FEWEST || stats_mean(pilot->mean, pilot->n, &m, &err) != RC_OK)
		return t->longest_s;
	double effective = fmin(m.n_effective, stats_n_effective_acf(pilot->mean, pilot->n));
	if (!(m.sd > 0))
		return within(t->pilot_s, t);
	/* fewer than two: NaN, and so the longest */
	double student = unc_coverage_factor(effective - 1, 0.95) / unc_coverage_factor(INFINITY, 0.95);
	double another_Nm = ANOTHER_WINDOW * student * m.sd / sqrt(effective);
	double times = another_Nm / wanted_Nm(t, m.mean);
	return within(pilot_s * times * times, t);
}

double dwell_until_expected_s(const struct dwell_until *t, double torque_Nm, double scatter_Nm)
{
	double times = ANOTHER_WINDOW * scatter_Nm / wanted_Nm(t, torque_Nm);

	return within(times * times, t);
}
