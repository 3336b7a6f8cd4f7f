/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/pole_clear.h"

#include "calib/number/units.h"
#include "run/forecast.h"

#include <math.h>

/* Common practice, no source, all of them. */
#define STAY_REV 0.5
#define FALL_REV 0.7   /* the current falls to 1/e over this much of a turn */
#define LAST_FRAC 0.02 /* of the peak: what is switched off at the end */
#define SHARE 0.8      /* of each limit */
#define SLOW_FRAC 0.5  /* of the wanted speed: eased when slower for this long */
#define SLOW_S 0.1
#define EASE_FRAC 0.6

void pole_clear_begin(struct pole_clear *c, double peak_A)
{
	*c = (struct pole_clear){ .peak_A = peak_A, .phase = peak_A > 0 ? POLE_CLEAR_UP : POLE_CLEAR_DONE };
}

static void enter(struct pole_clear *c, enum pole_clear_phase phase)
{
	c->phase = phase;
	c->from_rev = c->turned_rev;
}

static void ease(struct pole_clear *c)
{
	c->peak_A = c->current_A *= EASE_FRAC;
	c->slow_s = 0;
	enter(c, POLE_CLEAR_STAY);
}

double pole_clear_step(struct pole_clear *c, double dt_s, double moved_rev, double speed_rpm, double wanted_rpm)
{
	double turn_s = 60 / fabs(wanted_rpm), in_phase_rev;

	c->turned_rev += fabs(moved_rev);
	in_phase_rev = c->turned_rev - c->from_rev;
	c->slow_s = fabs(speed_rpm) >= SLOW_FRAC * fabs(wanted_rpm) ? 0 : c->slow_s + dt_s;
	if (c->slow_s > SLOW_S && c->phase != POLE_CLEAR_DONE)
		ease(c);
	switch (c->phase) {
	case POLE_CLEAR_UP:
		c->current_A = fmin(c->peak_A, c->current_A + c->peak_A * dt_s / turn_s);
		if (c->current_A >= c->peak_A)
			enter(c, POLE_CLEAR_STAY);
		break;
	case POLE_CLEAR_STAY:
		if (in_phase_rev >= STAY_REV)
			enter(c, POLE_CLEAR_DOWN);
		break;
	case POLE_CLEAR_DOWN:
		c->current_A = c->peak_A * exp(-in_phase_rev / FALL_REV);
		if (c->current_A > LAST_FRAC * c->peak_A)
			break;
		c->current_A = 0;
		enter(c, POLE_CLEAR_DONE);
		break;
	case POLE_CLEAR_DONE: break;
	}
	return c->current_A;
}

bool pole_clear_done(const struct pole_clear *c)
{
	return c->phase == POLE_CLEAR_DONE;
}

static double least(double a, double b)
{
	return b > 0 && b < a ? b : a;
}

/* What the supply gives through its cable, as the forecast reckons (run/forecast.h). */
static double by_supply_Nm(const struct rig_profile *rig, const struct actuator_profile *actuator, double rad_per_s)
{
	double ampere = SHARE * rig->supply_limit_A;
	double watt = (rig->supply_V - ampere * rig->cable_ohm.value) * ampere - actuator->expect_no_load_W;

	return fmax(watt, 0) /
	       (rad_per_s + rad_per_s_from_rpm(forecast_loss_rpm(actuator, rpm_from_rad_per_s(rad_per_s))));
}

double pole_clear_peak_A(const struct rig_profile *rig, const struct actuator_profile *actuator,
			 const struct brakemap *map, double speed_rpm, double most_Nm)
{
	double rad_per_s = fabs(rad_per_s_from_rpm(speed_rpm));
	double torque_Nm = SHARE * least(least(rig->limit_torque_Nm, rig->coupling_Nm), rig->cell_full_scale_Nm);

	torque_Nm = fmin(torque_Nm, SHARE * rig->slip_power_W / rad_per_s);
	if (actuator) {
		torque_Nm = least(torque_Nm, SHARE * actuator->limit_torque_Nm);
		torque_Nm = least(torque_Nm, SHARE * actuator->k_t_Nm_per_A * actuator->limit_current_A);
		torque_Nm = fmin(torque_Nm, by_supply_Nm(rig, actuator, rad_per_s));
	}
	torque_Nm = fmin(torque_Nm, most_Nm); /* fmin passes over a NaN */
	if (!(torque_Nm > 0))
		return 0;
	double by_rating_A = rig->brake_max_A * torque_Nm / rig->brake_rated_Nm;
	double current_A = map ? brakemap_current(map, BRAKEMAP_RISING, torque_Nm) : by_rating_A;
	return fmin(current_A, rig->brake_max_A);
}
