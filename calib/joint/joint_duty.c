/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/joint/joint_duty.h"

#include "calib/number/units.h"

#include <math.h>

/* Rest to rest: times of jerk, of speeding up, of even speed. */
struct profile {
	double jerk_s, up_s, even_s, jerk, peak;
};

static struct profile profile_of(double distance, double v, double a, double j)
{
	struct profile p = { 0, 0, 0, j, v };

	if (v * j < a * a) {
		p.jerk_s = sqrt(v / j);
		p.up_s = 2 * p.jerk_s;
	} else {
		p.jerk_s = a / j;
		p.up_s = p.jerk_s + v / a;
	}
	p.even_s = distance / v - p.up_s;
	if (p.even_s >= 0)
		return p;
	p.even_s = 0;
	p.jerk_s = a / j;
	p.up_s = p.jerk_s / 2 + sqrt(p.jerk_s * p.jerk_s / 4 + distance / a);
	if (p.up_s < 2 * p.jerk_s) { /* the acceleration is not reached either */
		p.jerk_s = cbrt(distance / (2 * j));
		p.up_s = 2 * p.jerk_s;
	}
	p.peak = p.jerk * p.jerk_s * (p.up_s - p.jerk_s);
	return p;
}

/* Acceleration, speed and way while speeding up, t in [0, up_s]. */
static void speeding_up(const struct profile *p, double t, double *ret_a, double *ret_v, double *ret_s)
{
	double tj = p->jerk_s, a = p->jerk * tj, rest = p->up_s - t;

	if (t < tj) {
		*ret_a = p->jerk * t;
		*ret_v = p->jerk * t * t / 2;
		*ret_s = p->jerk * t * t * t / 6;
	} else if (t < p->up_s - tj) {
		*ret_a = a;
		*ret_v = a * (t - tj / 2);
		*ret_s = a / 6 * (3 * t * t - 3 * tj * t + tj * tj);
	} else {
		*ret_a = p->jerk * rest;
		*ret_v = p->peak - p->jerk * rest * rest / 2;
		*ret_s = p->peak * p->up_s / 2 - p->peak * rest + p->jerk * rest * rest * rest / 6;
	}
}

static void along(const struct profile *p, double distance, double t, double *ret_a, double *ret_v, double *ret_s)
{
	double whole = 2 * p->up_s + p->even_s;

	*ret_a = *ret_v = 0;
	if (t >= whole) {
		*ret_s = distance;
	} else if (t < p->up_s) {
		speeding_up(p, t, ret_a, ret_v, ret_s);
	} else if (t < p->up_s + p->even_s) {
		*ret_v = p->peak;
		*ret_s = p->peak * (t - p->up_s / 2);
	} else {
		speeding_up(p, whole - t, ret_a, ret_v, ret_s);
		*ret_a = -*ret_a;
		*ret_s = distance - *ret_s;
	}
}

#define PARTS 4          /* of a way: up, even, down, rest */
#define MOVING_SHARE 0.2 /* added to a part's share of the time: 0.2 of at most 1.65 */
#define RESTING_SHARE 0.05

/* Moment of row i of n (the last one is the end) from the begin of the way. */
static double moment(const struct profile *p, double pause_s, size_t i, size_t n)
{
	const double part[PARTS] = { p->up_s, p->even_s, p->up_s, pause_s };
	double whole = 2 * p->up_s + p->even_s + pause_s, weights = 0, weight[PARTS], at = 0;

	for (int k = 0; k < PARTS; k++) {
		double extra = k == PARTS - 1 ? RESTING_SHARE : MOVING_SHARE;
		weight[k] = part[k] > 0 ? part[k] / whole + extra : 0;
		weights += weight[k];
	}
	double left = (double)i / (double)n * weights;
	for (int k = 0; k < PARTS; k++) {
		if (left < weight[k])
			return at + part[k] * left / weight[k];
		left -= weight[k];
		at += part[k];
	}
	return whole;
}

enum rc joint_arm_duty(const struct joint_arm *arm, struct joint_duty *duty, struct err *err)
{
	double rad = UNITS_PI / 180, distance = fabs(arm->to_deg - arm->from_deg) * rad;
	double way = arm->to_deg > arm->from_deg ? 1 : -1;

	if (!(arm->speed_rpm > 0 && arm->acceleration_rad_s2 > 0 && arm->jerk_rad_s3 > 0 && distance > 0))
		return err_set(err, RC_ARG, 0,
			       "speed, acceleration, jerk and the angle between from and to must be positive");
	if (!(arm->mass_kg >= 0 && arm->inertia_kgm2 >= 0 && arm->payload_kg >= 0 && arm->friction_Nm >= 0 &&
	      arm->pause_s >= 0))
		return err_set(err, RC_ARG, 0, "mass, inertia, payload, friction and pause must not be negative");
	struct profile p =
		profile_of(distance, rad_per_s_from_rpm(arm->speed_rpm), arm->acceleration_rad_s2, arm->jerk_rad_s3);
	double half = 2 * p.up_s + p.even_s + arm->pause_s;
	double J = arm->inertia_kgm2 + arm->payload_kg * arm->reach_m * arm->reach_m;
	double weight = (arm->mass_kg * arm->centre_m + arm->payload_kg * arm->reach_m) * arm->gravity_m_s2 *
			cos(arm->tilt_deg * rad);
	size_t turn = duty->n / 2, last = duty->n - 1;
	for (size_t i = 0; i < duty->n; i++) {
		bool back = i >= turn;
		double t = back ? moment(&p, arm->pause_s, i - turn, last - turn) : moment(&p, arm->pause_s, i, turn);
		double a, v, s;
		along(&p, distance, t, &a, &v, &s);
		double angle = arm->from_deg * rad + way * (back ? distance - s : s), sign = way * (back ? -1 : 1);
		duty->time_s[i] = back ? half + t : t;
		duty->speed_rpm[i] = rpm_from_rad_per_s(sign * v);
		duty->torque_Nm[i] = J * sign * a + weight * cos(angle) + (v > 0 ? sign * arm->friction_Nm : 0);
	}
	return RC_OK;
}

#define JUMP_RPM 1.0 /* less is noise of a reading */

enum rc joint_duty_check(const struct joint_duty *d, struct err *err)
{
	double low = 0, high = 0, usual;

	if (d->n < 3)
		return err_set(err, RC_ARG, 0, "a cycle has 3 rows or more, found %zu", d->n);
	usual = (d->time_s[d->n - 1] - d->time_s[0]) / (double)(d->n - 1);
	for (size_t i = 0; i < d->n; i++) {
		low = fmin(low, d->speed_rpm[i]);
		high = fmax(high, d->speed_rpm[i]);
	}
	for (size_t i = 1; i < d->n; i++) {
		double step = d->time_s[i] - d->time_s[i - 1], jump = fabs(d->speed_rpm[i] - d->speed_rpm[i - 1]);
		if (!(step > 0))
			return err_set(err, RC_ARG, 0, "row %zu: the time %g s follows %g s; expected rising times",
				       i + 1, d->time_s[i], d->time_s[i - 1]);
		if (d->n > 50 && step > 5 * usual)
			return err_set(err, RC_ARG, 0,
				       "row %zu: a gap of %.4g s, usual are %.4g s; the duty is not known there", i + 1,
				       step, usual);
		if (step < 0.1 && jump > fmax(0.5 * (high - low), JUMP_RPM))
			return err_set(
				err, RC_ARG, 0,
				"row %zu: the speed jumps by %.4g rpm in %.4g s, which no machine does; expected a "
				"continuous motion",
				i + 1, jump, step);
	}
	return RC_OK;
}

#define SEAM_STEPS 3    /* of the largest step inside: a speed by differences is one-sided at both ends */
#define SEAM_SHARE 0.05 /* of the range, or of the way */

/* Is the step from the last row to the first unlike any inside? apart: that step. */
static bool torn(const double *value, size_t n, double apart)
{
	double low = INFINITY, high = -INFINITY, most = 0;

	for (size_t i = 0; i < n; i++) {
		low = fmin(low, value[i]);
		high = fmax(high, value[i]);
		if (i > 0)
			most = fmax(most, fabs(value[i] - value[i - 1]));
	}
	return apart > SEAM_STEPS * most && apart > SEAM_SHARE * (high - low);
}

/* Ways there and back, deg; a row holds until the next. */
static void ways(const struct joint_duty *d, double *ret_there, double *ret_back)
{
	*ret_there = *ret_back = 0;
	for (size_t i = 0; i + 1 < d->n; i++) {
		double way = 6 * d->speed_rpm[i] * (d->time_s[i + 1] - d->time_s[i]);
		*(way > 0 ? ret_there : ret_back) += fabs(way);
	}
}

enum rc joint_duty_closes(const struct joint_duty *d, const double *angle_deg, bool one_way, struct err *err)
{
	size_t last = d->n - 1;
	double jump = fabs(d->speed_rpm[0] - d->speed_rpm[last]), there, back;

	if (torn(d->speed_rpm, d->n, jump))
		return err_set(err, RC_ARG, 0,
			       "the cycle ends at %.4g rpm and begins at %.4g rpm, a jump at each repetition; expected "
			       "an end that meets the beginning",
			       d->speed_rpm[last], d->speed_rpm[0]);
	if (one_way)
		return RC_OK;
	if (angle_deg) {
		double apart = fabs(remainder(angle_deg[0] - angle_deg[last], 360));
		return torn(angle_deg, d->n, apart) ? err_set(err, RC_ARG, 0,
							      "the cycle ends at %.6g deg and begins at %.6g deg, %.4g "
							      "deg apart; expected a "
							      "return, or --one-way where it goes on from there",
							      angle_deg[last], angle_deg[0], apart)
						    : RC_OK;
	}
	ways(d, &there, &back);
	double whole = there + back, left = fabs(there - back);
	if (fmin(there, back) > SEAM_SHARE * whole && left > SEAM_SHARE * whole)
		return err_set(
			err, RC_ARG, 0,
			"the cycle goes %.4g deg forward and %.4g deg backward, %.4g deg apart; expected a return, "
			"or --one-way where it goes on from there",
			there, back, left);
	return RC_OK;
}

void joint_speed_of_angle(const double *time_s, const double *angle_deg, size_t n, double *ret_rpm)
{
	for (size_t i = 0; i < n; i++) {
		size_t a = i > 0 ? i - 1 : 0, b = i + 1 < n ? i + 1 : n - 1;
		ret_rpm[i] = (angle_deg[b] - angle_deg[a]) / (time_s[b] - time_s[a]) / 6;
	}
}

void joint_add_inertia(struct joint_duty *d, double inertia_kgm2)
{
	for (size_t i = 0; i < d->n; i++) {
		size_t a = i > 0 ? i - 1 : 0, b = i + 1 < d->n ? i + 1 : d->n - 1;
		double acceleration =
			rad_per_s_from_rpm(d->speed_rpm[b] - d->speed_rpm[a]) / (d->time_s[b] - d->time_s[a]);
		d->torque_Nm[i] += inertia_kgm2 * acceleration;
	}
}

struct joint_sums joint_sums(const struct joint_duty *d)
{
	struct joint_sums s = { d->time_s[d->n - 1] - d->time_s[0], 0, 0, 0, 0, 0 };
	double squares = 0;

	for (size_t i = 0; i < d->n; i++) {
		double power = shaft_power_W(d->torque_Nm[i], d->speed_rpm[i]);
		s.peak_Nm = fmax(s.peak_Nm, fabs(d->torque_Nm[i]));
		s.peak_rpm = fmax(s.peak_rpm, fabs(d->speed_rpm[i]));
		s.peak_W = fmax(s.peak_W, power);
		s.peak_braking_W = fmax(s.peak_braking_W, -power);
		if (i + 1 < d->n)
			squares += d->torque_Nm[i] * d->torque_Nm[i] * (d->time_s[i + 1] - d->time_s[i]);
	}
	s.rms_Nm = sqrt(squares / s.cycle_s);
	return s;
}
