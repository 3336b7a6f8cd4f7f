/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/torque_control.h"

#include <math.h>

#define CHAIN_LAG_S 0.06 /* converter, filter and tick */
#define LAG_UNKNOWN_S 0.3
#define APPROACH_SHORT_FRAC 0.03 /* of a step, left to the integral so that the set-point is met from its own side */

static double clamp(double x, double lo, double hi)
{
	return x > hi ? hi : x > lo ? x : lo; /* NaN gives lo */
}

static double lag_of(const struct torque_control_config *config)
{
	double lag_s = config->map ? config->map->lag_s : NAN;

	if (!(lag_s > 0))
		lag_s = config->lag_s;
	return lag_s > 0 ? lag_s : LAG_UNKNOWN_S;
}

static double rated_slope(const struct torque_control_config *config)
{
	double slope = config->map ? config->map->slope_Nm_per_A : NAN;

	return slope > 0 ? slope : config->rated_Nm / config->max_A;
}

/* dT/dI where the brake is now; never so small that the gain would run away. */
static double local_slope(const struct torque_control_config *config, enum brakemap_branch branch, double current_A)
{
	double rated = rated_slope(config), d = 0.02 * config->max_A;

	if (!config->map)
		return rated;
	double lo = clamp(current_A - d, 0, config->max_A), hi = clamp(current_A + d, 0, config->max_A);
	double slope =
		(brakemap_torque(config->map, branch, hi) - brakemap_torque(config->map, branch, lo)) / (hi - lo);
	return clamp(slope, 0.3 * rated, 3 * rated);
}

static double feed_forward(const struct torque_control *c, const struct torque_control_config *config)
{
	double short_Nm = APPROACH_SHORT_FRAC * (c->set_Nm - c->from_Nm);
	double target_Nm = c->ramp_Nm;

	if (!config->map)
		return 0;
	if (torque_control_arrived(c) || fabs(c->set_Nm - c->ramp_Nm) < fabs(short_Nm))
		target_Nm = c->set_Nm - short_Nm;
	return brakemap_current(config->map, c->branch, target_Nm);
}

void torque_control_prime(struct torque_control *c, double out_A, double torque_Nm)
{
	*c = (struct torque_control){ .set_Nm = torque_Nm,
				      .from_Nm = torque_Nm,
				      .ramp_Nm = torque_Nm,
				      .model_Nm = torque_Nm,
				      .out_A = out_A,
				      .primed = true };
}

bool torque_control_arrived(const struct torque_control *c)
{
	return c->primed && fabs(c->set_Nm - c->ramp_Nm) <= 1e-9 * (1 + fabs(c->set_Nm));
}

/* A new set-point: keep the current where it is (no bump), change the branch when the direction changed. */
static void take_set_point(struct torque_control *c, double set_Nm)
{
	if (!c->primed)
		torque_control_prime(c, 0, 0);
	enum brakemap_branch branch = set_Nm < c->ramp_Nm ? BRAKEMAP_FALLING : BRAKEMAP_RISING;

	c->from_Nm = c->ramp_Nm;
	c->set_Nm = set_Nm;
	if (c->branch != branch) {
		/* half of what the integral corrected on one branch is a guess for the other */
		c->branch = branch;
		c->integral_A *= 0.5;
	}
}

static void integrate(struct torque_control *c, const struct torque_control_config *config, double torque_Nm,
		      double dt_s)
{
	double tau = lag_of(config) + CHAIN_LAG_S, gain = 1 / (4 * tau);
	double error_Nm = c->model_Nm - torque_Nm;

	if (isnan(error_Nm))
		return;
	c->integral_A += gain * error_Nm / local_slope(config, c->branch, c->out_A) * dt_s;
	/* A map is good to a fifth of the range; more than that is a fault of something else. Without one all is the
	 * integral's. */
	double bound = config->map ? 0.25 * config->max_A : config->max_A;
	c->integral_A = clamp(c->integral_A, -bound, bound);
}

double torque_control_step(struct torque_control *c, const struct torque_control_config *config, double set_Nm,
			   double torque_Nm, double dt_s, bool hold)
{
	if (!(set_Nm > 0))
		set_Nm = 0;
	if (!c->primed || fabs(set_Nm - c->set_Nm) > 1e-12)
		take_set_point(c, set_Nm);
	double most = config->ramp_Nm_per_s * dt_s;
	c->ramp_Nm += clamp(c->set_Nm - c->ramp_Nm, -most, most);
	c->model_Nm += (c->ramp_Nm - c->model_Nm) * (1 - exp(-dt_s / (lag_of(config) + CHAIN_LAG_S)));

	double integral_before = c->integral_A;
	if (!hold)
		integrate(c, config, torque_Nm, dt_s);
	double wanted = feed_forward(c, config) + c->integral_A;
	if (!(c->set_Nm > 0) && torque_control_arrived(c))
		wanted = c->integral_A = 0;

	double slew = config->slew_A_per_s * dt_s;
	double out = clamp(c->out_A + clamp(wanted - c->out_A, -slew, slew), 0, config->max_A);
	c->saturated = wanted > config->max_A ? 1 : wanted < 0 ? -1 : 0;
	/* Anti-windup: what could not go out is not remembered. */
	if (c->saturated != 0 && fabs(c->integral_A) > fabs(integral_before))
		c->integral_A = integral_before;
	c->saturated_s = c->saturated != 0 ? c->saturated_s + dt_s : 0;
	c->out_A = out;
	return out;
}
