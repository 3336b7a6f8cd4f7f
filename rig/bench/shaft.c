/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/shaft.h"

#include "bench/bounded.h"

#include <math.h>
#include <string.h>

void shaft_init(struct shaft *s, const struct physics *physics, enum cell_mounting mounting, double step_s)
{
	memset(s, 0, sizeof *s);
	s->physics = physics;
	s->mounting = mounting;
	s->step_s = step_s;
	s->stuck = true;
}

static double cradle_torque_Nm(const struct shaft *s)
{
	const struct physics *p = s->physics;

	return -p->lever.stiffness_Nm_per_rad * s->cradle_rad - p->lever.damping_Nms * s->cradle_rad_per_s -
	       s->stiction_Nm;
}

static void creep_on(struct shaft *s, double turned_rad)
{
	const struct physics *p = s->physics;
	double most = p->lever.stiction_Nm, slope = most / p->lever.stiction_rad, before = s->stiction_Nm;

	if (!(most > 0) || s->mounting != MOUNT_CRADLE)
		return;
	s->stiction_Nm = bounded(before + slope * turned_rad, -most, most);
	s->lever_J += 0.5 * (before + s->stiction_Nm) * (turned_rad - (s->stiction_Nm - before) / slope);
}

/* The bearing outside: it can bring the shaft to rest and never past it. */
static double rubbed_rad_per_s(struct shaft *s, double free_rad_per_s, double shaft_kgm2)
{
	double most = s->physics->coupling.bearing_Nm * s->step_s, rest = free_rad_per_s * shaft_kgm2;
	double impulse = bounded(rest, -most, most);

	s->bearing_Nm = impulse / s->step_s;
	return free_rad_per_s - impulse / shaft_kgm2;
}

static void move(struct shaft *s, double shaft_rad_per_s, double cradle_rad_per_s)
{
	const struct physics *p = s->physics;
	double middle = 0.5 * (s->cradle_rad_per_s + cradle_rad_per_s);

	s->mean_rad_per_s = 0.5 * (s->rad_per_s + shaft_rad_per_s);
	s->bearing_J += s->bearing_Nm * s->mean_rad_per_s * s->step_s;
	s->lever_J += p->lever.damping_Nms * middle * middle * s->step_s;
	s->rad_per_s = shaft_rad_per_s;
	s->cradle_rad_per_s = cradle_rad_per_s;
	s->angle_rad += s->rad_per_s * s->step_s;
	s->cradle_rad += s->cradle_rad_per_s * s->step_s;
	creep_on(s, s->cradle_rad_per_s * s->step_s);
	s->cell_Nm = p->lever.stiffness_Nm_per_rad * s->cradle_rad;
}

/* The housing is fixed; "cradle" is then only the cell's own second-order answer to the shaft's torque. */
static void step_in_shaft(struct shaft *s, const struct brake *brake, double gear_Nm, double weight_Nm, double knock_Nm)
{
	const struct physics *p = s->physics;
	double h = s->step_s, shaft_kgm2 = p->brake.inertia_kgm2 + s->hung_kgm2;
	double before = s->rad_per_s;
	double free = rubbed_rad_per_s(s, before + h * (gear_Nm + weight_Nm) / shaft_kgm2, shaft_kgm2);
	double impulse = brake_impulse(brake, free, shaft_kgm2, h, &s->stuck);
	double after = free - impulse / shaft_kgm2;

	s->brake_Nm = impulse / h;
	s->slip_J += impulse * 0.5 * (before + after);
	move(s, after,
	     s->cradle_rad_per_s + h * (cradle_torque_Nm(s) + s->brake_Nm + knock_Nm) / p->lever.inertia_kgm2);
}

static void step_in_cradle(struct shaft *s, const struct brake *brake, double gear_Nm, double weight_Nm,
			   double knock_Nm)
{
	const struct physics *p = s->physics;
	double h = s->step_s, shaft_kgm2 = p->brake.inertia_kgm2, cradle_kgm2 = p->lever.inertia_kgm2 + s->hung_kgm2;
	double reduced = shaft_kgm2 * cradle_kgm2 / (shaft_kgm2 + cradle_kgm2);
	double before = s->rad_per_s - s->cradle_rad_per_s;
	double shaft = rubbed_rad_per_s(s, s->rad_per_s + h * gear_Nm / shaft_kgm2, shaft_kgm2);
	double cradle = s->cradle_rad_per_s + h * (cradle_torque_Nm(s) + weight_Nm + knock_Nm) / cradle_kgm2;
	double impulse = brake_impulse(brake, shaft - cradle, reduced, h, &s->stuck);

	s->brake_Nm = impulse / h;
	/* Over the whole step, not from the kicked speed: the step's own kick is no motion of the bodies. */
	s->slip_J += impulse * 0.5 * (before + shaft - cradle - impulse / reduced);
	move(s, shaft - impulse / shaft_kgm2, cradle + impulse / cradle_kgm2);
}

void shaft_step(struct shaft *s, const struct brake *brake, double gear_Nm, double weight_Nm, double knock_Nm)
{
	if (s->mounting == MOUNT_CRADLE)
		step_in_cradle(s, brake, gear_Nm, weight_Nm, knock_Nm);
	else
		step_in_shaft(s, brake, gear_Nm, weight_Nm, knock_Nm);
}

double shaft_stored_J(const struct shaft *s)
{
	const struct physics *p = s->physics;
	double hung = s->hung_kgm2, shaft = p->brake.inertia_kgm2, cradle = p->lever.inertia_kgm2;
	double locked = p->lever.stiction_Nm > 0
				? s->stiction_Nm * s->stiction_Nm * p->lever.stiction_rad / p->lever.stiction_Nm
				: 0;

	if (s->mounting == MOUNT_CRADLE)
		cradle += hung;
	else
		shaft += hung;
	return 0.5 * (shaft * s->rad_per_s * s->rad_per_s + cradle * s->cradle_rad_per_s * s->cradle_rad_per_s +
		      p->lever.stiffness_Nm_per_rad * s->cradle_rad * s->cradle_rad + locked);
}
