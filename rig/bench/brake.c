/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/brake.h"

#include "bench/bounded.h"
#include "bench/draw.h"
#include "calib/number/units.h"

#include <math.h>
#include <string.h>

#define COPPER_ZERO_DEGC 234.5
#define STANDSTILL_RAD_PER_S 0.01
#define MAGNETISED_FRAC 0.02

void brake_init(struct brake *b, const struct physics *physics, double max_A, double rated_Nm, gsl_rng *rng)
{
	memset(b, 0, sizeof *b);
	b->physics = physics;
	b->max_A = max_A;
	b->rated_Nm = rated_Nm;
	b->drag_ratio = 1;
	b->rng = rng;
	b->lag_keep = exp(-BRAKE_TICK_S / physics->brake.lag_s);
	b->uneven_keep = exp(-BRAKE_TICK_S / physics->brake.uneven_s);
	b->driver_keep = exp(-BRAKE_TICK_S / physics->brake.driver_lag_s);
	b->stood = b->run_in = 1;
	play_init(&b->memory, physics->brake.memory_frac, physics->brake.memory_reach);
}

/* The source pushes at most its voltage and cannot pull: a falling current runs down through the
 * freewheeling diode with the coil's own time constant. */
static void coil_tick(struct brake *b, double housing_degC)
{
	const struct physics *p = b->physics;
	double ohm = p->brake.coil_ohm * (COPPER_ZERO_DEGC + housing_degC) / (COPPER_ZERO_DEGC + 20);
	double keep = exp(-BRAKE_TICK_S * ohm / p->brake.coil_henry);
	double wanted = b->off            ? 0
			: b->stuck_driver ? b->stuck_A
					  : fmin(b->wanted_A / p->brake.readback_gain, b->max_A * 1.02);
	double before = b->current_A, most = p->brake.driver_V / ohm * (1 - keep) + before * keep,
	       least = before * keep;

	b->current_A = wanted + (before - wanted) * b->driver_keep;
	if (b->off)
		b->current_A = 0; /* an open coil arcs: at once */
	else
		b->current_A = bounded(b->current_A, least, most);
	b->coil_J += ohm * b->current_A * b->current_A * BRAKE_TICK_S;
}

static double shape(const struct physics *p, double y)
{
	if (!(y > 0))
		return 0;
	return tanh(p->brake.curvature * y) / tanh(p->brake.curvature) * (1 - exp(-y / p->brake.toe_frac));
}

static void cogging_tick(struct brake *b, double turned_rev, double full_Nm)
{
	const struct physics *p = b->physics;
	double given_up = shape(p, b->last_frac) - shape(p, b->magnet_frac);
	double rev = b->magnet_frac > MAGNETISED_FRAC ? p->brake.cogging_rev : p->brake.cogging_fade_rev;

	if (given_up > 0)
		b->cogging_Nm += p->brake.cogging_frac * given_up * full_Nm;
	b->cogging_Nm *= exp(-turned_rev / rev);
}

static void powder_tick(struct brake *b, double turned_rev)
{
	const struct physics *p = b->physics;

	if (turned_rev * UNITS_PI * 2 < STANDSTILL_RAD_PER_S * BRAKE_TICK_S)
		b->stood = fmin(1, b->stood + BRAKE_TICK_S); /* settles within a second of standing */
	else
		b->stood *= exp(-turned_rev / p->brake.uneven_rev);
	if (b->current_A > MAGNETISED_FRAC * b->max_A)
		b->run_in *= exp(-turned_rev / p->brake.run_in_rev);
	b->uneven = b->uneven * b->uneven_keep + sqrt(1 - b->uneven_keep * b->uneven_keep) * draw_normal(b->rng);
}

static double fade(const struct physics *p, double degC)
{
	double left = 1 - p->brake.fade_per_K * (degC - 20) -
		      p->brake.fade_hot_per_K * fmax(degC - p->brake.fade_hot_degC, 0);

	return fmax(left, 0.05);
}

void brake_tick(struct brake *b, double angle_rad, double slip_rad_per_s, double rotor_degC, double housing_degC)
{
	const struct physics *p = b->physics;
	double slip = fabs(slip_rad_per_s), turned_rev = slip * BRAKE_TICK_S / (2 * UNITS_PI);
	double full_Nm = b->rated_Nm * p->brake.torque_gain, target, ripple;

	coil_tick(b, housing_degC);
	b->last_frac = b->magnet_frac;
	b->magnet_frac = play_step(&b->memory, b->current_A / b->max_A);
	powder_tick(b, turned_rev);
	cogging_tick(b, turned_rev, full_Nm);
	target = full_Nm * shape(p, b->magnet_frac) * fade(p, rotor_degC) * (1 - p->brake.run_in_frac * b->run_in) +
		 p->brake.eddy_Nms * slip * b->magnet_frac * b->magnet_frac;
	b->torque_Nm = target + (b->torque_Nm - target) * b->lag_keep;
	ripple = p->brake.uneven_frac * b->uneven * (1 + p->brake.uneven_stood * b->stood) +
		 p->brake.uneven_turn_frac * sin(angle_rad);
	b->friction_Nm = fmax(b->torque_Nm * (1 + ripple), 0) + p->brake.drag_Nm + p->brake.drag_Nms * slip +
			 b->cogging_Nm * (1 + p->brake.cogging_ripple * sin(p->brake.cogs * angle_rad));
	/* Forward and back are never quite alike: seals, powder and lead of the bearings. */
	if (slip_rad_per_s < 0)
		b->friction_Nm *= b->drag_ratio;
}

double brake_readback_A(const struct brake *b)
{
	return b->current_A * b->physics->brake.readback_gain;
}

double brake_impulse(const struct brake *b, double free_rad_per_s, double reduced_kgm2, double step_s, bool *stuck)
{
	double rest = free_rad_per_s * reduced_kgm2, most = b->friction_Nm * step_s;

	*stuck = fabs(rest) <= (*stuck ? most * b->physics->brake.breakaway : most);
	return *stuck ? rest : copysign(most, rest);
}
