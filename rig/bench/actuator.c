/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/actuator.h"

#include "bench/bounded.h"

#include <math.h>
#include <string.h>

#define RUB_RAD 3e-5           /* twist over which the friction of the gear's spring builds up: a tenth of an arcmin */
#define COPPER_ZERO_DEGC 234.5 /* IEC 60034-1 uses 235; the usual figure for annealed copper */

double actuator_cogging_order(const struct physics *p)
{
	long a = lround(p->motor.slots), b = lround(p->motor.poles);
	double both = (double)a * (double)b;

	while (b > 0) { /* Euclid */
		long rest = a % b;
		a = b;
		b = rest;
	}
	return both / (double)a * p->gear.ratio;
}

void actuator_init(struct actuator *a, const struct physics *physics, double step_s)
{
	memset(a, 0, sizeof *a);
	a->physics = physics;
	a->step_s = step_s;
	a->current_keep = exp(-step_s / physics->drive.lag_s);
	a->stuck = true;
	a->cogs = actuator_cogging_order(physics) / physics->gear.ratio;
	actuator_warm(a, 20);
}

void actuator_warm(struct actuator *a, double winding_degC)
{
	a->ohm = a->physics->motor.ohm * (COPPER_ZERO_DEGC + winding_degC) / (COPPER_ZERO_DEGC + 20.0);
	a->winding_keep = exp(-a->step_s * a->ohm / a->physics->motor.henry);
}

double actuator_kt(const struct actuator *a, double current_A)
{
	double x = current_A / a->physics->motor.saturation_A;

	return a->physics->motor.kt_Nm_per_A / (1 + x * x);
}

/* The current over a step; returns its mean. The loop is a first-order lag as long as the voltage
 * reaches; then the winding's own exponential takes over. */
static double step_current(struct actuator *a, const struct actuator_demand *demand, double bus_V, double emf_V)
{
	const struct physics *p = a->physics;
	double before = a->current_A, wanted = demand->enabled ? demand->wanted_A : 0;
	double reach_V = p->drive.modulation_frac * bus_V * demand->reach_factor;
	double volt = a->ohm * before + emf_V + (wanted - before) * p->motor.henry / p->drive.lag_s;

	if (!demand->enabled && fabs(before) < 1e-3)
		a->current_A = 0;
	else if (fabs(volt) <= reach_V || !demand->enabled)
		a->current_A = wanted + (before - wanted) * a->current_keep;
	else
		a->current_A =
			(copysign(reach_V, volt) - emf_V) / a->ohm * (1 - a->winding_keep) + before * a->winding_keep;
	return 0.5 * (before + a->current_A);
}

static void draw_power(struct actuator *a, const struct actuator_demand *demand, double before_A, double mean_A,
		       double air_gap_W, double bus_V)
{
	const struct physics *p = a->physics;
	double copper_W = a->ohm * mean_A * mean_A;
	double winding_W = 0.5 * p->motor.henry * (a->current_A * a->current_A - before_A * before_A) / a->step_s;
	double inverter_W = demand->standby ? p->drive.standby_W : 0;

	if (demand->enabled)
		inverter_W += p->drive.switch_V * fabs(mean_A) + p->drive.switch_ohm * mean_A * mean_A;
	a->lost.copper_J += copper_W * a->step_s;
	a->lost.inverter_J += inverter_W * a->step_s;
	a->bus_A = (copper_W + winding_W + air_gap_W + inverter_W) / at_least(bus_V, 1.0);
}

/* Torque of the gear's spring on the output. The flanks push and never pull. */
static double spring_Nm(struct actuator *a, double rate_rad_per_s)
{
	const struct physics *p = a->physics;
	double stretch = fabs(a->twist_rad) - 0.5 * p->gear.backlash_rad, elastic;

	a->damping_Nm = 0;
	if (!(stretch > 0))
		return 0;
	elastic = copysign(p->gear.stiffness_Nm_per_rad * stretch, a->twist_rad);
	a->damping_Nm = p->gear.damping_Nms * rate_rad_per_s;
	if ((elastic + a->damping_Nm) * elastic < 0)
		a->damping_Nm = -elastic;
	return elastic + a->damping_Nm;
}

/* Dry friction over a step: it can bring the rotor to rest and never past it. */
static double rub(struct actuator *a, double free_rad_per_s, double friction_Nm)
{
	double most = friction_Nm * a->step_s / a->physics->motor.inertia_kgm2;

	a->stuck = fabs(free_rad_per_s) <= (a->stuck ? most * a->physics->gear.breakaway : most);
	return a->stuck ? 0 : free_rad_per_s - copysign(most, free_rad_per_s);
}

/* Cogging and gear mesh on the rotor. */
static double waves_Nm(const struct actuator *a)
{
	const struct physics *p = a->physics;
	double n = p->gear.ratio, sum = 0;

	if (p->motor.cogging_Nm > 0)
		sum -= p->motor.cogging_Nm * sin(a->cogs * a->rotor_rad);
	if (p->gear.mesh_Nm > 0)
		sum -= p->gear.mesh_Nm / n * sin(p->gear.teeth * a->rotor_rad / n);
	return sum;
}

static double waves_J(const struct actuator *a)
{
	const struct physics *p = a->physics;
	double mesh = p->gear.teeth * a->rotor_rad / p->gear.ratio;

	return p->motor.cogging_Nm / a->cogs * (1 - cos(a->cogs * a->rotor_rad)) +
	       p->gear.mesh_Nm / p->gear.teeth * (1 - cos(mesh));
}

void actuator_step(struct actuator *a, const struct actuator_demand *demand, double bus_V, double output_rad_per_s,
		   bool coupled)
{
	const struct physics *p = a->physics;
	double n = p->gear.ratio, h = a->step_s, w = a->rotor_rad_per_s, before_A = a->current_A;
	double kt = actuator_kt(a, before_A), mean_A = step_current(a, demand, bus_V, kt * w);
	double output = coupled ? output_rad_per_s : w / n, rate = w / n - output;
	double gear_Nm, iron_Nm, free, after, middle, motor_Nm = kt * mean_A;

	a->output_Nm = coupled ? spring_Nm(a, rate) + a->rub_Nm : 0;
	iron_Nm = p->motor.iron_Nm + p->motor.iron_Nms * fabs(w);
	gear_Nm =
		(p->gear.coulomb_Nm + p->gear.viscous_Nms * fabs(w / n) + p->gear.load_loss_frac * fabs(a->output_Nm)) /
		n;
	free = w + h * (motor_Nm + waves_Nm(a) - a->output_Nm / n) / p->motor.inertia_kgm2;
	after = rub(a, free, iron_Nm + gear_Nm);
	middle = 0.5 * (w + after);
	a->lost.iron_J += iron_Nm * fabs(middle) * h;
	a->lost.gear_J += (gear_Nm * fabs(middle) + fabs(a->damping_Nm * rate)) * h;
	draw_power(a, demand, before_A, mean_A, motor_Nm * middle, bus_V);
	a->rotor_rad_per_s = after;
	a->rotor_rad += after * h;
}

static void rub_on(struct actuator *a, double twisted_rad)
{
	double most = a->physics->gear.hysteresis_Nm, before = a->rub_Nm, slope = most / RUB_RAD;

	if (!(most > 0))
		return;
	a->rub_Nm = bounded(before + slope * twisted_rad, -most, most);
	a->lost.gear_J += 0.5 * (before + a->rub_Nm) * (twisted_rad - (a->rub_Nm - before) / slope);
}

void actuator_turn(struct actuator *a, double output_rad_per_s)
{
	double turned_rad = a->step_s * (a->rotor_rad_per_s / a->physics->gear.ratio - output_rad_per_s);

	a->twist_rad += turned_rad;
	rub_on(a, turned_rad);
}

double actuator_stored_J(const struct actuator *a)
{
	const struct physics *p = a->physics;
	double stretch = at_least(fabs(a->twist_rad) - 0.5 * p->gear.backlash_rad, 0);
	double locked = p->gear.hysteresis_Nm > 0 ? a->rub_Nm * a->rub_Nm * RUB_RAD / p->gear.hysteresis_Nm : 0;

	return 0.5 * (p->motor.inertia_kgm2 * a->rotor_rad_per_s * a->rotor_rad_per_s +
		      p->motor.henry * a->current_A * a->current_A + p->gear.stiffness_Nm_per_rad * stretch * stretch +
		      locked) +
	       waves_J(a);
}
