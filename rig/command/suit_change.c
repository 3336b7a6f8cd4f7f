/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/suit.h"

#include <math.h>
#include <string.h>

#define ONE_SIDED 1.6449 /* normal distribution, 95 % */
#define ROWS 100000      /* of a longer duty a sample is looked at first, for a ratio */
#define RATIO_STEP 1.02
#define RATIO_MOST 5.0
#define CYCLES_MOST 20.0 /* longest pause, in cycles */
#define HALVINGS 24

double suit_ambient_degC(const struct suit_wanted *w, const struct suit_thermal *t)
{
	return isfinite(w->ambient_degC) ? w->ambient_degC : t->ambient_degC;
}

static void add(struct suit_found *f, size_t verdict, const char *what, double value, const char *unit)
{
	if (f->n_changes < SUIT_CHANGES && isfinite(value) && value > 0)
		f->change[f->n_changes++] = (struct suit_change){ verdict, what, unit, value };
}

/* Does each row lie in the curve of an actuator with so many times the ratio? Its torques grow by that, its speeds
 * shrink by it, and its rotor's inertia counts with the square. */
static bool carried_by(const struct suit_wanted *w, const struct suit_case *c, double times, size_t step)
{
	const struct joint_duty *d = &c->duty;
	double more_kgm2 = w->inertia_kgm2 * w->ratio_1 * w->ratio_1 * (times * times - 1);

	for (size_t i = 0; i < d->n; i += step) {
		size_t a = i > 0 ? i - 1 : 0, b = i + 1 < d->n ? i + 1 : d->n - 1;
		double u, speed = d->speed_rpm[i] * times;
		double turn = (d->speed_rpm[b] - d->speed_rpm[a]) * M_PI / 30 / (d->time_s[b] - d->time_s[a]);
		double most = joint_curve_at(&c->curve, speed, &u);
		if (!(times * (most - ONE_SIDED * u) >= fabs(d->torque_Nm[i] + more_kgm2 * turn)) ||
		    !(fabs(speed) <= c->curve.speed_rpm[c->curve.n - 1]))
			return false;
	}
	return true;
}

static bool carried(const struct suit_wanted *w, const struct suit_case *c, double times)
{
	return carried_by(w, c, times, (c->duty.n + ROWS - 1) / ROWS) && carried_by(w, c, times, 1);
}

/* The ratio next to the present one that does; NaN: none. */
static double ratio_times(const struct suit_wanted *w, const struct suit_case *c)
{
	for (double by = RATIO_STEP; by <= RATIO_MOST; by *= RATIO_STEP) {
		if (carried(w, c, by))
			return by;
		if (carried(w, c, 1 / by))
			return 1 / by;
	}
	return NAN;
}

struct heat {
	const struct suit_case *c;
	double ambient, most;
};

static bool cool(const struct heat *h, double share, double pause_s)
{
	return joint_peak_winding_degC(&h->c->heat, &h->c->thermal.model, &h->c->thermal.loss, h->ambient, share,
				       pause_s) <= h->most;
}

static void change_heat(const struct suit_wanted *w, struct suit_case *c, size_t i)
{
	const struct suit_verdict *v = &c->found.verdict[i];
	struct heat h = { c, suit_ambient_degC(w, &c->thermal), v->available - ONE_SIDED * v->u };
	double low = 0, high = 1, pause = CYCLES_MOST * c->found.sums.cycle_s, least = 0;

	if (!isfinite(h.most) || !cool(&h, 0, 0))
		return;
	for (int k = 0; k < HALVINGS; k++) {
		double middle = (low + high) / 2;
		*(cool(&h, middle, 0) ? &low : &high) = middle;
	}
	add(&c->found, i, "torques of the duty, times", low, "");
	if (!cool(&h, 1, pause))
		return;
	for (int k = 0; k < HALVINGS; k++) {
		double middle = (least + pause) / 2;
		*(cool(&h, 1, middle) ? &pause : &least) = middle;
	}
	add(&c->found, i, "a pause after each cycle of", pause, "s");
}

static void change_tip(const struct suit_wanted *w, struct suit_found *f, size_t i)
{
	const struct suit_verdict *v = &f->verdict[i];
	double most = v->available - ONE_SIDED * v->u, arcmin = most / 1000 / w->reach_m * 3437.746770784939;

	add(f, i, "a reach, times", most / v->needed, "");
	add(f, i, "a stiffness of", f->sums.peak_Nm / (arcmin - w->play_arcmin / 2), "N·m/arcmin");
	add(f, i, "a play of at most", 2 * (arcmin - f->sums.peak_Nm / w->stiffness_Nm_per_arcmin), "arcmin");
}

void suit_changes(const struct suit_wanted *w, struct suit_case *c)
{
	struct suit_found *f = &c->found;
	double times = NAN;
	bool looked = false;

	for (size_t i = 0; i < f->n; i++) {
		const struct suit_verdict *v = &f->verdict[i];
		double sure = v->available - ONE_SIDED * v->u;
		bool at_curve = strcmp(v->requirement, "torque at its speed") == 0, speed = strcmp(v->unit, "rpm") == 0;
		if (v->verdict == VERDICT_CONFIRMED)
			continue;
		if (at_curve)
			add(f, i, "torques of the duty, times", joint_torque_times(&c->duty, &c->curve, ONE_SIDED), "");
		else if (strcmp(v->unit, "N.m") == 0)
			add(f, i, "torques of the duty, times", sure / v->needed, "");
		if (speed)
			add(f, i, "speeds of the duty, times", sure / v->needed, "");
		if ((at_curve || speed) && !looked) {
			times = ratio_times(w, c);
			looked = true;
		}
		if (at_curve || speed)
			add(f, i, "the ratio, times", times, "");
		if (strstr(v->requirement, "temperature"))
			change_heat(w, c, i);
		if (strcmp(v->requirement, "tip error") == 0)
			change_tip(w, f, i);
		if (strcmp(v->requirement, "power coming back") == 0)
			add(f, i, "a supply that takes back", v->needed, "W");
		if (strncmp(v->requirement, "supply", 6) == 0)
			add(f, i, "a supply of", v->needed + ONE_SIDED * v->u, v->unit);
	}
}
