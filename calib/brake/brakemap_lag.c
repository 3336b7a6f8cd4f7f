/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/brake/brakemap.h"

#include <math.h>

/* y = a + b exp(-t / lag): for a given lag a straight line in e = exp(-t / lag), so one unknown is left to search. */
struct answer {
	double a, b, rss;
};

static struct answer at_lag(const double *t, const double *y, size_t n, double lag)
{
	double e_mean = 0, y_mean = 0, see = 0, sey = 0;
	struct answer ans = { 0 };

	for (size_t i = 0; i < n; i++) {
		e_mean += exp(-t[i] / lag) / (double)n;
		y_mean += y[i] / (double)n;
	}
	for (size_t i = 0; i < n; i++) {
		double e = exp(-t[i] / lag) - e_mean;
		see += e * e;
		sey += e * (y[i] - y_mean);
	}
	ans.b = see > 0 ? sey / see : 0;
	ans.a = y_mean - ans.b * e_mean;
	for (size_t i = 0; i < n; i++) {
		double r = y[i] - ans.a - ans.b * exp(-t[i] / lag);
		ans.rss += r * r;
	}
	return ans;
}

/* The best of a coarse search in log lag, then golden section inside its neighbours. */
static double search(const double *t, const double *y, size_t n, double low, double high)
{
	const double golden = 0.6180339887498949;
	const int steps = 60;
	double best = INFINITY, at = 0, width = (log(high) - log(low)) / steps;

	for (int k = 0; k <= steps; k++) {
		double rss = at_lag(t, y, n, exp(log(low) + k * width)).rss;
		if (rss < best) {
			best = rss;
			at = log(low) + k * width;
		}
	}
	double a = at - width, b = at + width;
	for (int k = 0; k < 80; k++) {
		double c = b - golden * (b - a), d = a + golden * (b - a);
		if (at_lag(t, y, n, exp(c)).rss < at_lag(t, y, n, exp(d)).rss)
			b = d;
		else
			a = c;
	}
	return exp(0.5 * (a + b));
}

/* From the part of df/dlag that a and b cannot take over. */
static double lag_error(const double *t, size_t n, double lag, const struct answer *ans)
{
	double e_mean = 0, d_mean = 0, see = 0, sed = 0, sdd = 0;

	for (size_t i = 0; i < n; i++) {
		double e = exp(-t[i] / lag);
		e_mean += e / (double)n;
		d_mean += ans->b * e * t[i] / (lag * lag) / (double)n;
	}
	for (size_t i = 0; i < n; i++) {
		double e = exp(-t[i] / lag), d = ans->b * e * t[i] / (lag * lag) - d_mean;
		see += (e - e_mean) * (e - e_mean);
		sed += (e - e_mean) * d;
		sdd += d * d;
	}
	double left = sdd - sed * sed / see;
	return left > 0 ? sqrt(ans->rss / ((double)n - 3) / left) : NAN;
}

enum rc brakemap_lag(const double *t_s, const double *torque_Nm, size_t n, double *ret_lag_s, double *ret_u_s,
		     struct err *err)
{
	double first = INFINITY, last = -INFINITY, low_Nm = INFINITY, high_Nm = -INFINITY;

	if (n < 8)
		return err_set(err, RC_ARG, 0, "the lag of the brake needs at least 8 readings after the step, got %zu",
			       n);
	for (size_t i = 0; i < n; i++) {
		if (!isfinite(t_s[i]) || !isfinite(torque_Nm[i]))
			return err_set(err, RC_ARG, 0, "reading %zu of %zu after the step is not finite", i + 1, n);
		first = fmin(first, t_s[i]);
		last = fmax(last, t_s[i]);
		low_Nm = fmin(low_Nm, torque_Nm[i]);
		high_Nm = fmax(high_Nm, torque_Nm[i]);
	}
	if (!(last > first) || !(high_Nm > low_Nm))
		return err_set(err, RC_SINGULAR, 0,
			       "torque or time stands still after the step of the brake's current");
	double span = last - first, low = span / (50 * (double)n), high = 20 * span;
	double lag = search(t_s, torque_Nm, n, low, high);
	struct answer ans = at_lag(t_s, torque_Nm, n, lag);
	double u = lag_error(t_s, n, lag, &ans);
	if (!(lag > 1.5 * low && lag < high / 1.5) || !isfinite(u) || !(u < lag))
		return err_set(err, RC_SINGULAR, 0,
			       "the readings after the step (%.3g s of them) do not show a lag: take more "
			       "of them closer to the step, and until torque stands",
			       span);
	*ret_lag_s = lag;
	*ret_u_s = u;
	return RC_OK;
}
