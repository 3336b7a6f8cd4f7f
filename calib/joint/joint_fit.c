/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/joint/joint_fit.h"

#include "calib/number/units.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

void joint_curve_sort(struct joint_curve *c)
{
	double *column[] = { c->speed_rpm, c->torque_Nm, c->u_torque_Nm, c->open };
	size_t kept = 0;

	for (size_t i = 1; i < c->n; i++) /* few points */
		for (size_t k = i; k > 0 && c->speed_rpm[k] < c->speed_rpm[k - 1]; k--)
			for (int m = 0; m < 4; m++) {
				if (!column[m])
					continue;
				double swap = column[m][k];
				column[m][k] = column[m][k - 1];
				column[m][k - 1] = swap;
			}
	for (size_t i = 0; i < c->n; i++) {
		bool same = kept > 0 && !(c->speed_rpm[i] > c->speed_rpm[kept - 1]);
		if (same && c->torque_Nm[i] <= c->torque_Nm[kept - 1])
			continue;
		size_t to = same ? kept - 1 : kept++;
		for (int m = 0; m < 4; m++)
			if (column[m])
				column[m][to] = column[m][i];
	}
	c->n = kept;
}

double joint_curve_at(const struct joint_curve *c, double speed_rpm, double *ret_u)
{
	double speed = fabs(speed_rpm), u = 0, torque = 0;
	size_t i = 0;

	while (i < c->n && c->speed_rpm[i] < speed)
		i++;
	if (i == 0) {
		torque = c->torque_Nm[0];
		u = c->u_torque_Nm ? c->u_torque_Nm[0] : 0;
	} else if (i < c->n) {
		double w = (speed - c->speed_rpm[i - 1]) / (c->speed_rpm[i] - c->speed_rpm[i - 1]);
		torque = (1 - w) * c->torque_Nm[i - 1] + w * c->torque_Nm[i];
		u = c->u_torque_Nm ? fmax(c->u_torque_Nm[i - 1], c->u_torque_Nm[i]) : 0;
	}
	if (ret_u)
		*ret_u = u;
	return torque;
}

bool joint_curve_open(const struct joint_curve *c, double speed_rpm)
{
	size_t i = 0, last = c->n - 1;

	if (!c->open)
		return false;
	while (i < last && c->speed_rpm[i] < fabs(speed_rpm))
		i++;
	bool between = i > 0 && fabs(speed_rpm) < c->speed_rpm[i];
	return c->open[i] > 0 || (between && c->open[i - 1] > 0);
}

static double room_of(const struct joint_duty *d, const struct joint_curve *c, size_t i, double *ret_u)
{
	return joint_curve_at(c, d->speed_rpm[i], ret_u) - fabs(d->torque_Nm[i]);
}

static bool untested(const struct joint_duty *d, const struct joint_curve *c, size_t i)
{
	return room_of(d, c, i, NULL) < 0 && joint_curve_open(c, d->speed_rpm[i]);
}

size_t joint_worst_row(const struct joint_duty *d, const struct joint_curve *c)
{
	size_t worst = d->n;
	double least = INFINITY, narrowest = INFINITY;

	for (size_t i = 0; i < d->n; i++) {
		double u, room = room_of(d, c, i, &u);
		double z = u > 0 ? room / u : room >= 0 ? INFINITY : -INFINITY;
		if (!(z < least || (!(z > least) && room < narrowest)) || untested(d, c, i))
			continue;
		least = z;
		narrowest = room;
		worst = i;
	}
	return worst;
}

size_t joint_untested_row(const struct joint_duty *d, const struct joint_curve *c)
{
	size_t worst = d->n;
	double least = 0;

	for (size_t i = 0; c->open && i < d->n; i++) {
		double room = room_of(d, c, i, NULL);
		if (!(room < least) || !untested(d, c, i))
			continue;
		least = room;
		worst = i;
	}
	return worst;
}

double joint_torque_times(const struct joint_duty *d, const struct joint_curve *c, double sigmas)
{
	double times = INFINITY;

	for (size_t i = 0; i < d->n; i++) {
		double u, most = joint_curve_at(c, d->speed_rpm[i], &u);
		if (fabs(d->torque_Nm[i]) > 0)
			times = fmin(times, (most - sigmas * u) / fabs(d->torque_Nm[i]));
	}
	return times;
}

#define PARTS_MOST 50

void joint_heat_free(struct joint_heat *h)
{
	free(h->span_s);
	*h = (struct joint_heat){ 0 };
}

static size_t parts_of(double span_s, double step_s)
{
	double parts = ceil(span_s / step_s * (1 - 1e-9));

	return parts < PARTS_MOST ? parts > 1 ? (size_t)parts : 1 : PARTS_MOST;
}

/* With ret of zeros it is counted only. */
static size_t gather(const struct joint_duty *d, double step_s, struct joint_heat *ret)
{
	double squares = 0, loaded = 0, span = 0;
	size_t n = 0;

	for (size_t i = 0; i + 1 < d->n; i++) {
		double dt = d->time_s[i + 1] - d->time_s[i];
		squares += d->torque_Nm[i] * d->torque_Nm[i] * dt;
		loaded += (fabs(d->torque_Nm[i]) > 0 ? 1 : 0) * dt;
		span += dt;
		double next = i + 2 < d->n ? d->time_s[i + 2] - d->time_s[i + 1] : INFINITY;
		if (span + next <= step_s)
			continue;
		size_t parts = parts_of(span, step_s);
		for (size_t k = 0; k < parts && ret->span_s; k++) {
			ret->span_s[n + k] = span / (double)parts;
			ret->square_Nm2[n + k] = squares / span;
			ret->loaded[n + k] = loaded / span;
		}
		n += parts;
		squares = loaded = span = 0;
	}
	return n;
}

enum rc joint_heat_of(const struct joint_duty *d, double step_s, struct joint_heat *ret, struct err *err)
{
	*ret = (struct joint_heat){ 0 };
	size_t n = gather(d, step_s, ret);
	ret->span_s = calloc(3 * n + 1, sizeof(double));
	if (!ret->span_s)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu steps", n);
	ret->square_Nm2 = ret->span_s + n;
	ret->loaded = ret->square_Nm2 + n;
	ret->n = gather(d, step_s, ret);
	return RC_OK;
}

struct easing {
	double share, pause_s;
};

static void rest(const struct thermal_model *m, double pause_s, double ambient, double *temp)
{
	struct thermal_step s = thermal_step(m, pause_s, 0, 0, ambient);

	if (pause_s > 0)
		thermal_advance(&s, temp);
}

/* One pass of the cycle from temp on; the warmest of it. */
static double pass(const struct joint_heat *h, const struct thermal_model *m, const struct thermal_loss *loss,
		   double ambient, const struct easing *e, double *temp)
{
	double warmest = temp[0];

	for (size_t i = 0; i < h->n; i++) {
		double copper = e->share * e->share * loss->per_Nm2_W * h->square_Nm2[i],
		       feedback = copper * loss->per_K;
		struct thermal_step s =
			thermal_step(m, h->span_s[i], loss->fixed_W * h->loaded[i] + copper - feedback * loss->at_degC,
				     feedback, ambient);
		thermal_advance(&s, temp);
		warmest = fmax(warmest, temp[0]);
	}
	rest(m, e->pause_s, ambient, temp);
	return warmest;
}

double joint_peak_winding_degC(const struct joint_heat *h, const struct thermal_model *m,
			       const struct thermal_loss *loss, double ambient_degC, double share, double pause_s)
{
	const struct easing e = { share, pause_s };
	double end[3][2] = { { 0, 0 }, { 1, 0 }, { 0, 1 } }, state[2] = { 0, 0 };

	for (int i = 0; i < (m->two ? 3 : 2); i++) {
		pass(h, m, loss, ambient_degC, &e, end[i]);
		if (!isfinite(end[i][0]))
			return INFINITY;
	}
	if (!thermal_fixed_point(end[0], end[1], end[2], m->two, state))
		return INFINITY;
	return pass(h, m, loss, ambient_degC, &e, state);
}

double joint_electrical_W(double torque_Nm, double speed_rpm, const struct thermal_loss *loss, double winding_degC,
			  double efficiency)
{
	double shaft = shaft_power_W(torque_Nm, speed_rpm);

	if (loss)
		return shaft + (fabs(torque_Nm) > 0 ? thermal_loss_W(loss, torque_Nm, winding_degC) : 0);
	return shaft > 0 ? shaft / efficiency : shaft * efficiency;
}
