/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/expect.h"
#include "reports/reduce/losses.h"

#include "calib/number/units.h"

#include <math.h>
#include <string.h>

#define SAME_SPEED 0.05
#define SAME_TORQUE 0.02
#define BEYOND 1.25 /* of the heaviest torque of a map: so far its losses are carried on */

static double worked_Nm(const struct curve_point *p)
{
	return point_way(p) * p->torque_Nm.value;
}

static bool usable(const struct curve_point *p)
{
	return p->direction >= 0 && p->end_s > p->begin_s && isfinite(p->torque_Nm.value) &&
	       p->input_power_W.value > 0 && p->voltage_V.value > 0;
}

static bool at_speed(const struct curve_point *p, double rpm)
{
	return usable(p) && fabs(p->speed_rpm.value - rpm) <= SAME_SPEED * fabs(rpm);
}

/* A step without load has the drag of everything that turns. */
static double no_load_Nm(const struct curve *sweep, double drag_Nm, double rpm)
{
	double least = INFINITY;

	for (size_t i = 0; sweep && i < sweep->n; i++)
		if (at_speed(&sweep->points[i], rpm) && !(sweep->points[i].setpoint_Nm > 0))
			least = fmin(least, worked_Nm(&sweep->points[i]));
	return isfinite(least) ? least : drag_Nm >= 0 ? drag_Nm : 0;
}

static bool power_from_sweep(const struct curve *c, struct foresee_step *step)
{
	const struct curve_point *low = NULL, *high = NULL;

	for (size_t i = 0; c && i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		double torque_Nm = worked_Nm(p);
		if (!at_speed(p, step->speed_rpm))
			continue;
		if (torque_Nm <= (1 + SAME_TORQUE) * step->torque_Nm && (!low || torque_Nm > worked_Nm(low)))
			low = p;
		if (torque_Nm >= (1 - SAME_TORQUE) * step->torque_Nm && (!high || torque_Nm < worked_Nm(high)))
			high = p;
	}
	if (!low || !high)
		return false;
	double gap = worked_Nm(high) - worked_Nm(low), share = gap > 0 ? (step->torque_Nm - worked_Nm(low)) / gap : 0;
	step->input_W = low->input_power_W.value + share * (high->input_power_W.value - low->input_power_W.value);
	step->volt_V = low->voltage_V.value + share * (high->voltage_V.value - low->voltage_V.value);
	return true;
}

static double loss_of(const struct curve_point *p)
{
	return p->input_power_W.value - worked_Nm(p) * fabs(rad_per_s_from_rpm(p->speed_rpm.value));
}

/* By the chord between the points about that speed that enclose the torque, below the lightest as at the lightest; NaN
 * above the heaviest. */
static double loss_at(const struct curve *c, double torque_Nm, double rpm)
{
	const struct curve_point *low = NULL, *high = NULL;

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		if (!at_speed(p, rpm))
			continue;
		if (worked_Nm(p) <= torque_Nm && (!low || worked_Nm(p) > worked_Nm(low)))
			low = p;
		if (worked_Nm(p) >= torque_Nm && (!high || worked_Nm(p) < worked_Nm(high)))
			high = p;
	}
	if (!high)
		return NAN;
	if (!low)
		low = high;
	double gap = worked_Nm(high) - worked_Nm(low);
	return loss_of(low) + (gap > 0 ? (torque_Nm - worked_Nm(low)) / gap * (loss_of(high) - loss_of(low)) : 0);
}

/* Between the slowest and the fastest of a map's speeds, and carried on by half of what lies between. */
static double loss_between(const struct curve *c, double torque_Nm, double rpm)
{
	double slow = INFINITY, fast = 0;

	for (size_t i = 0; i < c->n; i++) {
		if (!usable(&c->points[i]))
			continue;
		slow = fmin(slow, c->points[i].speed_rpm.value);
		fast = fmax(fast, c->points[i].speed_rpm.value);
	}
	if (!(slow > 0) || !(fast > 0))
		return NAN;
	double share = fast > 1.2 * slow ? (fabs(rpm) - slow) / (fast - slow) : 0;
	double at_slow = loss_at(c, torque_Nm, slow), at_fast = loss_at(c, torque_Nm, fast);
	return at_slow + fmax(-0.5, fmin(share, 1.5)) * (at_fast - at_slow);
}

static void power_from_map(const struct curve *c, struct foresee_step *step)
{
	double T = step->torque_Nm;

	if (!c)
		return;
	double near_W = loss_between(c, T, step->speed_rpm);
	if (near_W > 0) {
		step->input_W = near_W + T * fabs(rad_per_s_from_rpm(step->speed_rpm));
		return;
	}
	struct losses l = losses_of(c);
	if (!l.known || !(T <= BEYOND * l.high_Nm))
		return;
	double loss_W = l.fixed_W.value + T * (l.in_step_W_per_Nm.value + T * l.square_W_per_Nm2.value);
	if (l.several_speeds)
		loss_W += l.by_speed_W_per_rpm.value * fabs(step->speed_rpm);
	if (loss_W > 0)
		step->input_W = loss_W + T * fabs(rad_per_s_from_rpm(step->speed_rpm));
}

/* Of the sources of that name. */
static double part_named(const struct unc_ctx *ctx, struct unc x, const char *name)
{
	double squares = 0;

	for (size_t i = 0; i < x.n; i++)
		if (strncmp(unc_source_name(ctx, x.part[i].source), name, strlen(name)) == 0)
			squares += x.part[i].u * x.part[i].u;
	return sqrt(squares);
}

/* Torque first, then speed: noise goes with both. */
static bool nearer(const struct curve_point *p, const struct curve_point *than, const struct foresee_step *step)
{
	double a = fabs(worked_Nm(p) - step->torque_Nm), b = fabs(worked_Nm(than) - step->torque_Nm);
	double off = fabs(p->speed_rpm.value - step->speed_rpm), other = fabs(than->speed_rpm.value - step->speed_rpm);

	return a < b - SAME_TORQUE * step->torque_Nm || (a <= b + SAME_TORQUE * step->torque_Nm && off < other);
}

static const struct curve_point *nearest(const struct curve *c, const struct foresee_step *step)
{
	const struct curve_point *near = NULL;

	for (size_t i = 0; c && i < c->n; i++)
		if (usable(&c->points[i]) && (!near || nearer(&c->points[i], near, step)))
			near = &c->points[i];
	return near;
}

static bool noise_from(const struct curve *c, double dwell_s, struct foresee_step *step)
{
	const struct curve_point *near = nearest(c, step);

	if (!near || !(dwell_s > 0))
		return false;
	double longer = sqrt((near->end_s - near->begin_s) / dwell_s);
	step->noise_Nm = longer * part_named(c->ctx, near->torque_Nm, "torque noise");
	step->fluctuation_Nm = near->fluctuation_Nm;
	step->noise_W = longer * part_named(c->ctx, near->input_power_W, "input power noise");
	return true;
}

double expect_scatter_Nm(const struct curve *sweep, const struct curve *map, const struct foresee_step *step)
{
	const struct curve_point *p = nearest(sweep, step);

	if (!p || !(p->scatter_Nm >= 0))
		p = nearest(map, step);
	return p ? p->scatter_Nm * sqrt(p->end_s - p->begin_s) : NAN;
}

void expect_step(const struct curve *sweep, const struct curve *map, double dwell_s, double drag_Nm,
		 struct foresee_step *step)
{
	if (!(step->torque_Nm > 0))
		step->torque_Nm = no_load_Nm(sweep, drag_Nm, step->speed_rpm);
	if (!power_from_sweep(sweep, step))
		power_from_map(map, step);
	if (!noise_from(sweep, dwell_s, step))
		noise_from(map, dwell_s, step);
}

/* A zero at rest has no ripple of the drag: its noise says nothing of one that is turned, nor the reverse. */
static bool zeroed_alike(const struct curve *c, const struct foresee_input *in)
{
	return c && c->zero.turned == in->turned;
}

void expect_zero(const struct curve *sweep, const struct curve *map, struct foresee_input *in)
{
	const struct curve *from = zeroed_alike(sweep, in) ? sweep : zeroed_alike(map, in) ? map : NULL;

	in->zero_noise_Nm = from ? from->zero.noise_Nm : NAN;
	in->zero_u_faded_Nm = from ? from->zero.u_faded_Nm : NAN;
	in->zero_dof = from ? from->zero.noise_dof : INFINITY;
}
