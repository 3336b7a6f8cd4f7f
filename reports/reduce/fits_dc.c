/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/fits_dc.h"
#include "channel/event.h"

#include "calib/number/units.h"

#include <math.h>
#include <stdlib.h>

#define CLEARLY 3.0 /* standard uncertainties that a slope must have */
#define FALL 0.05   /* of the speed that must be lost over the curve to speak of a line */
#define NEAR_STALL 1.05

static bool usable(const struct curve_point *p)
{
	return p->direction >= 0 && !(p->flags & POINT_REPEAT) && !p->impossible && !p->outlier && p->settled &&
	       !limit_is_other(p->limit);
}

struct line {
	struct unc height, slope;
	bool ok;
};

/* Variance of y about the line. The points' own noise is in it once more; it is small beside what they share, and
 * taking it off would hide real scatter where the shared part is large. 0 with too few points to tell. */
static double scatter_variance(const struct unc *x, const struct unc *y, size_t n, double height, double slope)
{
	double ss = 0;

	if (n < 3)
		return 0;
	for (size_t i = 0; i < n; i++) {
		double r = y[i].value - height - slope * x[i].value;
		ss += r * r;
	}
	return ss / (double)(n - 2);
}

/* y = height + slope x with everything that x and y carry. */
static struct line line_of(struct unc_ctx *ctx, const char *name, const struct unc *x, const struct unc *y, size_t n)
{
	struct unc mean_x = unc_exact(0), mean_y = unc_exact(0), sxx = unc_exact(0), sxy = unc_exact(0);

	if (n < 2)
		return (struct line){ 0 };
	for (size_t i = 0; i < n; i++) {
		mean_x = unc_add(ctx, mean_x, unc_scale(ctx, x[i], 1 / (double)n));
		mean_y = unc_add(ctx, mean_y, unc_scale(ctx, y[i], 1 / (double)n));
	}
	for (size_t i = 0; i < n; i++) {
		struct unc dx = unc_sub(ctx, x[i], mean_x);
		sxx = unc_add(ctx, sxx, unc_mul(ctx, dx, dx));
		sxy = unc_add(ctx, sxy, unc_mul(ctx, dx, unc_sub(ctx, y[i], mean_y)));
	}
	if (!(sxx.value > 0))
		return (struct line){ 0 };
	struct line l = { .slope = unc_div(ctx, sxy, sxx), .ok = true };
	l.height = unc_sub(ctx, mean_y, unc_mul(ctx, l.slope, mean_x));
	double variance = scatter_variance(x, y, n, l.height.value, l.slope.value);
	if (variance > 0) {
		/* Centred parameters are independent: one source each. */
		uint32_t tilt = unc_source(ctx, name, DIST_NORMAL, (double)n - 2);
		uint32_t lift = unc_source(ctx, name, DIST_NORMAL, (double)n - 2);
		double u_slope = sqrt(variance / sxx.value);
		l.slope = unc_with(ctx, l.slope, tilt, u_slope);
		l.height = unc_with(ctx, l.height, tilt, -u_slope * mean_x.value);
		l.height = unc_with(ctx, l.height, lift, sqrt(variance / (double)n));
	}
	return l;
}

static bool clearly(struct unc slope)
{
	return fabs(slope.value) > CLEARLY * unc_u(slope);
}

static void fit_current(struct unc_ctx *ctx, const struct unc *torque, const struct unc *amp, size_t n,
			struct fits_dc *f)
{
	struct line l = line_of(ctx, "scatter about torque-current", amp, torque, n);

	if (!l.ok || !clearly(l.slope) || l.slope.value < 0)
		return;
	f->torque_current = true;
	f->k_t_Nm_per_A = l.slope;
	f->no_load_A = unc_scale(ctx, unc_div(ctx, l.height, l.slope), -1);
}

static void fit_speed(struct unc_ctx *ctx, const struct unc *torque, const struct unc *speed, size_t n,
		      struct fits_dc *f)
{
	struct line l = line_of(ctx, "scatter about speed-torque", torque, speed, n);
	double most = 0;

	for (size_t i = 0; i < n; i++)
		most = fmax(most, torque[i].value);
	if (!l.ok || !clearly(l.slope) || l.slope.value > 0 || -l.slope.value * most < FALL * l.height.value)
		return;
	f->speed_torque = true;
	f->no_load_rpm = l.height;
	f->stall_Nm = unc_scale(ctx, unc_div(ctx, l.height, l.slope), -1);
	f->stall_extrapolated = f->stall_Nm.value > NEAR_STALL * most;
	f->at_power_Nm = unc_scale(ctx, f->stall_Nm, 0.5);
	f->max_power_W = unc_scale(ctx, unc_mul(ctx, f->at_power_Nm, f->no_load_rpm), 0.5 * rad_per_s_from_rpm(1));
}

/* (1 - sqrt(I0/Is))^2; with q = sqrt(I0/Is): d/dq = -2 (1 - q), dq/dr = 1/(2 q). */
static void fit_both(struct unc_ctx *ctx, struct fits_dc *f)
{
	f->stall_A = unc_add(ctx, f->no_load_A, unc_div(ctx, f->stall_Nm, f->k_t_Nm_per_A));
	struct unc r = unc_div(ctx, f->no_load_A, f->stall_A);
	if (!(r.value > 0) || !(r.value < 1))
		return;
	double q = sqrt(r.value);
	f->peak_efficiency = unc_apply(ctx, r, (1 - q) * (1 - q), -(1 - q) / q);
	f->with_stall_current = true;
}

struct fits_dc fits_dc_of(const struct curve *curve, bool held)
{
	struct fits_dc f = { .voltage_spread_frac = NAN };
	struct unc *room = calloc(3 * curve->n + 1, sizeof *room);
	double low = INFINITY, high = -INFINITY;
	bool amps = true;

	if (room == NULL)
		return f;
	struct unc *torque = room, *speed = room + curve->n, *amp = room + 2 * curve->n;
	for (size_t i = 0; i < curve->n; i++) {
		const struct curve_point *p = &curve->points[i];
		if (!usable(p) || !isfinite(p->torque_Nm.value) || !isfinite(p->speed_rpm.value))
			continue;
		torque[f.n] = p->torque_Nm;
		speed[f.n] = p->speed_rpm;
		amp[f.n++] = p->current_A;
		amps = amps && isfinite(p->current_A.value);
		low = fmin(low, p->voltage_V.value);
		high = fmax(high, p->voltage_V.value);
	}
	if (high >= low && low > 0)
		f.voltage_spread_frac = (high - low) / (0.5 * (high + low));
	if (amps)
		fit_current(curve->ctx, torque, amp, f.n, &f);
	if (!held)
		fit_speed(curve->ctx, torque, speed, f.n, &f);
	if (f.torque_current && f.speed_torque)
		fit_both(curve->ctx, &f);
	free(room);
	return f;
}

struct unc fits_dc_torque_at(const struct curve *curve, const struct fits_dc *fit, double speed_rpm)
{
	struct unc_ctx *ctx = curve->ctx;

	if (!fit->speed_torque)
		return (struct unc){ .value = NAN };
	struct unc share = unc_div(ctx, unc_exact(speed_rpm), fit->no_load_rpm);
	return unc_mul(ctx, fit->stall_Nm, unc_sub(ctx, unc_exact(1), share));
}
