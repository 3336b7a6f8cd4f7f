/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/regress.h"
#include "calib/play/play.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

enum way { VIRGIN, FALLING, RISING };

struct loop {
	const double *torque, *angle;
	size_t n;
	double rated;
	enum way *way;
	double *x, *y;                  /* room for one fit */
	size_t from, to, loops;         /* rows of the closed loops, and how many there are */
	double noise_arcmin, noise_dof; /* of a reading, by the straight part */
	double compliance;              /* of the straight part, arcmin for each N.m */
};

/* The next row from which the torque goes back by a twentieth of rated: a turning point. */
static size_t turning(const struct loop *l, size_t from, double sign)
{
	size_t at = from;

	for (size_t i = from; i < l->n; i++) {
		if (sign * l->torque[i] > sign * l->torque[at])
			at = i;
		else if (sign * (l->torque[at] - l->torque[i]) > 0.05 * l->rated)
			break;
	}
	return at;
}

/* Names each row's way; the first rise belongs to the rising branch only where no other does. */
static enum rc branches(struct loop *l, struct err *err)
{
	double sign = 0;
	size_t i = 0, turns = 0, first_high = 0, last_high = 0, falls = 0, highs = 0;

	for (size_t k = 0; k < l->n && fabs(sign) < 1; k++)
		if (fabs(l->torque[k] - l->torque[0]) > 0.05 * l->rated)
			sign = l->torque[k] > l->torque[0] ? 1 : -1;
	while (i + 1 < l->n) {
		size_t end = turning(l, i, sign);
		bool at_end = end + 1 >= l->n;
		if (end == i && !at_end) {
			sign = -sign;
			if (turns++ > l->n)
				break;
			continue;
		}
		for (size_t k = i; k <= end && k < l->n; k++)
			l->way[k] = turns == 0 ? VIRGIN : sign > 0 ? RISING : FALLING;
		if (sign > 0 && l->torque[end] > 0.8 * l->rated) {
			if (first_high == 0 && falls == 0)
				first_high = end;
			last_high = end;
			highs += falls > 0;
		}
		falls += sign < 0;
		turns++;
		i = end;
		sign = -sign;
		if (at_end)
			break;
	}
	double low = 0, high = 0;
	for (size_t k = 0; k < l->n; k++) {
		low = fmin(low, l->torque[k]);
		high = fmax(high, l->torque[k]);
	}
	if (!(high >= 0.8 * l->rated && -low >= 0.8 * l->rated))
		return err_set(err, RC_ARG, 0,
			       "the torque goes from %.4g to %.4g N.m; expected a loop to + and - %.4g N.m (rated)",
			       low, high, l->rated);
	if (turns < 3)
		return err_set(err, RC_ARG, 0,
			       "the torque does not come back; expected + rated, - rated and back to zero");
	l->from = last_high > first_high ? first_high : 0;
	l->to = last_high > first_high ? last_high : l->n - 1;
	l->loops = last_high > first_high && highs > 1 ? highs : 1;
	for (size_t k = 0; k < l->n; k++)
		if (l->way[k] == VIRGIN)
			l->way[k] = l->torque[l->n - 1] < 0.5 * l->rated
					    ? (l->torque[k] >= l->torque[0] ? RISING : FALLING)
					    : VIRGIN;
	return RC_OK;
}

/* Angle against torque over [low, high] of one way; nothing known with fewer than 3 rows. */
static bool line(struct loop *l, enum way way, double low, double high, struct regress *ret)
{
	size_t n = 0;

	for (size_t i = 0; i < l->n; i++)
		if (l->way[i] == way && l->torque[i] >= low && l->torque[i] <= high) {
			l->x[n] = l->torque[i];
			l->y[n++] = l->angle[i];
		}
	struct regress_in in = { n, 1, l->x, l->y, NULL, 1, false, false };
	return n >= 3 && regress_fit(&in, ret, NULL, NULL) == RC_OK;
}

/* On the straight line between the two rows of that way that lie around the torque, the later ones first. Rows far more
 * apart in angle than the gear gives way between them have the edge of the gap between them: anywhere (rectangle). */
static struct play_number between(const struct loop *l, enum way way, double torque)
{
	double below = -INFINITY, above = INFINITY, a = NAN, b = NAN;

	for (size_t i = 0; i < l->n; i++) {
		double t = l->torque[i];
		if (l->way[i] != way)
			continue;
		if (t <= torque && t >= below) {
			below = t;
			a = l->angle[i];
		}
		if (t >= torque && t <= above) {
			above = t;
			b = l->angle[i];
		}
	}
	double w = above > below ? (torque - below) / (above - below) : 0;
	double edge = above > below ? fmax(0, fabs(b - a) - 3 * l->compliance * (above - below)) / sqrt(12) : 0;
	double noise = l->noise_arcmin * sqrt(w * w + (1 - w) * (1 - w)), u = hypot(noise, edge);
	return (struct play_number){ w > 0 ? a + (b - a) * w : a, u,
				     noise > 0 ? l->noise_dof * pow(u / noise, 4) : l->noise_dof };
}

/* A line through many rows close by where there are many; a wider look would see over the edge of the gap. */
static struct play_number at(struct loop *l, enum way way, double torque)
{
	double half = 0.002 * l->rated;
	struct regress g;

	if (line(l, way, torque - half, torque + half, &g) && g.n >= 8) {
		struct regress_value v = regress_at(&g, &torque);
		return (struct play_number){ v.value, v.u_fit, g.dof };
	}
	return between(l, way, torque);
}

static struct play_number sum(struct play_number a, double ca, struct play_number b, double cb)
{
	double va = ca * ca * a.u * a.u, vb = cb * cb * b.u * b.u, dof = NAN;

	if (a.dof > 0 && b.dof > 0 && va + vb > 0)
		dof = (va + vb) * (va + vb) / (va * va / a.dof + vb * vb / b.dof);
	return (struct play_number){ ca * a.value + cb * b.value, sqrt(va + vb), dof };
}

/* Loading on both sides: rising above zero, falling below. */
static struct play_number stiffness(struct loop *l, double from, double to)
{
	struct play_number side[2] = { { NAN, NAN, NAN }, { NAN, NAN, NAN } };

	for (int k = 0; k < 2; k++) {
		struct regress g;
		double a = (k ? -to : from) * l->rated, b = (k ? -from : to) * l->rated;
		if (!line(l, k ? FALLING : RISING, a, b, &g) || !(g.coef[1] > 0))
			continue;
		side[k] = (struct play_number){ g.coef[1], sqrt(g.cov[1][1]), g.dof };
		l->noise_arcmin = g.residual_sd;
		l->noise_dof = g.dof;
	}
	struct play_number c = isnan(side[1].value)   ? side[0]
			       : isnan(side[0].value) ? side[1]
						      : sum(side[0], 0.5, side[1], 0.5);
	l->compliance = c.value;
	return (struct play_number){ 1 / c.value, c.u / (c.value * c.value), c.dof };
}

/* Between rows that have the edge of the gap between them the way is anywhere inside their triangle, and alike each
 * time. */
static struct play_number area(const struct loop *l)
{
	double twice = 0, square = 0, edges = 0, loops = (double)l->loops;

	for (size_t i = l->from; i <= l->to; i++) {
		size_t next = i == l->to ? l->from : i + 1, before = i == l->from ? l->to : i - 1;
		twice += l->torque[i] * l->angle[next] - l->torque[next] * l->angle[i];
		double step = (l->torque[next] - l->torque[before]) / 2;
		square += step * step;
		double fall = fabs(l->torque[next] - l->torque[i]), way = fabs(l->angle[next] - l->angle[i]);
		edges += way > 3 * l->compliance * fall && fall > 0 ? fall * (way - l->compliance * fall) / 2 / sqrt(3)
								    : 0;
	}
	return (struct play_number){ fabs(twice) / 2 / PLAY_ARCMIN_PER_RAD / loops,
				     hypot(l->noise_arcmin * sqrt(square), edges) / PLAY_ARCMIN_PER_RAD / loops, NAN };
}

static void measure(struct loop *l, struct play_loop *ret)
{
	double t3 = PLAY_LOST_SHARE * l->rated;
	struct play_number none = { NAN, NAN, NAN };

	*ret = (struct play_loop){ none, none, none, none, none, none, l->rated };
	ret->stiffness_Nm_per_arcmin = stiffness(l, 0.5, 1.0001);
	ret->stiffness_zero_Nm_per_arcmin = stiffness(l, PLAY_LOST_SHARE, 0.15);
	stiffness(l, 0.5, 1.0001); /* the noise is that of the straight part */
	struct play_number up = sum(at(l, RISING, t3), 0.5, at(l, FALLING, t3), 0.5);
	struct play_number down = sum(at(l, RISING, -t3), 0.5, at(l, FALLING, -t3), 0.5);
	ret->lost_motion_arcmin = sum(up, 1, down, -1);
	ret->hysteresis_arcmin = sum(at(l, FALLING, 0), 1, at(l, RISING, 0), -1);
	ret->hysteresis_arcmin.value = fabs(ret->hysteresis_arcmin.value);
	ret->hysteresis_loss_J = area(l);
	struct regress high, low;
	double plus = l->rated, minus = -l->rated;
	if (line(l, RISING, 0.5 * plus, 1.0001 * plus, &high) && line(l, FALLING, 1.0001 * minus, 0.5 * minus, &low)) {
		struct regress_value a = regress_at(&high, &plus), b = regress_at(&low, &minus);
		ret->wind_up_arcmin = sum((struct play_number){ a.value, a.u_fit, high.dof }, 1,
					  (struct play_number){ b.value, b.u_fit, low.dof }, -1);
	}
}

/* A slope that is no more than its scatter or the rounding of the angles tells no stiffness. */
static bool told(const struct loop *l, struct play_number stiffness)
{
	double most = 0;

	for (size_t i = 0; i < l->n; i++)
		most = fmax(most, fabs(l->angle[i]));
	bool rounding = !(l->rated > 1e-9 * most * stiffness.value);
	return stiffness.value > 0 && !(stiffness.value <= 2 * stiffness.u) && !rounding;
}

enum rc play_loop(const double *torque_Nm, const double *angle_arcmin, size_t n, double rated_Nm, struct play_loop *ret,
		  struct err *err)
{
	struct loop l = { torque_Nm, angle_arcmin, n, rated_Nm, NULL, NULL, NULL, 0, 0, 1, NAN, NAN, NAN };
	double low = 0, high = 0;

	for (size_t i = 0; i < n; i++) {
		low = fmin(low, torque_Nm[i]);
		high = fmax(high, torque_Nm[i]);
	}
	if (isnan(rated_Nm))
		l.rated = fmin(high, -low);
	if (n < 8 || !(l.rated > 0))
		return err_set(
			err, RC_ARG, 0,
			"%zu rows from %.4g to %.4g N.m; expected a loop of 8 rows or more to both signs of torque", n,
			low, high);
	l.way = calloc(n, sizeof *l.way);
	l.x = calloc(2 * n, sizeof *l.x);
	l.y = l.x ? l.x + n : NULL;
	enum rc rc = l.way && l.x ? branches(&l, err) : err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);
	if (!rc)
		measure(&l, ret);
	free(l.way);
	free(l.x);
	if (!rc && !told(&l, ret->stiffness_Nm_per_arcmin))
		rc = err_set(err, RC_ARG, 0,
			     "the angle does not grow with the torque above half of rated, or by less than its "
			     "scatter; expected at least 3 rows "
			     "there, and one "
			     "sign for torque and angle");
	return rc;
}
