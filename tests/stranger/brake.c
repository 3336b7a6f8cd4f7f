/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Powder and hysteresis brake: magnetisation with a memory, drag, uneven torque, frozen poles, heat. */
#include "stranger.h"

#include <math.h>

#define PI 3.14159265358979323846

/* Torque over full torque by magnetisation over full magnetisation: a toe, then a bow. */
static double magnet_torque(const struct rig *r, double y)
{
	y = fabs(y);
	return y * y / (y + r->toe) * (1 + r->toe) * (1 + r->bow) / (1 + r->bow * y * y);
}

/* Poles of a hysteresis brake freeze when the current falls while the shaft hardly turns; turning wears them off,
 * turning under current far faster. However often the current falls, no more freezes than one fall from full current
 * leaves. */
static void freeze_poles(struct rig *r, double torque_before, double torque_now, double dt)
{
	double turned = fabs(r->speed2) * dt / (2 * PI), most = r->freeze * r->brake_full;

	if (torque_now < torque_before && most > 0)
		r->frozen +=
			r->freeze * (torque_before - torque_now) * exp(-fabs(r->speed2) / 0.8) * (1 - r->frozen / most);
	r->frozen *= exp(-turned / r->frozen_turns * (1 + 40 * r->coil_flux / r->p.brake_current));
}

double brake_torque(struct rig *r, double dt)
{
	double before = r->brake_full * magnet_torque(r, plays_move(&r->coil, r->coil_flux / r->p.brake_current)), now,
	       w = fabs(r->speed2);
	double shape, drag;

	r->coil_now += (r->coil_set * r->coil_gain - r->coil_now) * (1 - exp(-dt / r->coil_lag));
	r->coil_flux += (r->coil_now - r->coil_flux) * dt / r->flux_lag;
	now = r->brake_full * magnet_torque(r, plays_move(&r->coil, r->coil_flux / r->p.brake_current));
	drag = (r->speed2 < 0 ? r->drag_back : 1) * (r->drag + r->drag_speed * w);
	if (r->p.hysteresis) {
		freeze_poles(r, before, now, dt);
		shape = 1 + 0.0005 * w + r->uneven * sin(r->poles * r->angle2 + 0.7);
		return fmax(now * shape + drag + r->frozen * (0.4 + 0.6 * sin(r->poles * r->angle2 + r->frozen_phase)),
			    0);
	}
	r->stood = w > 0.05 ? r->stood * (1 - w * dt / (2 * PI * 0.8)) : fmin(r->stood + dt / 5, 1);
	shape = 1 + r->uneven_now * (1 + 3 * r->stood) +
		r->uneven_turn * (sin(r->angle2 + 1) + 0.5 * sin(2 * r->angle2)) + 0.006 * r->stood;
	shape *= 1 - r->fade * (r->heat_rotor - 20);
	if (w < 0.02)
		shape *= 1 + r->rest_extra;
	return fmax(now * shape, 0) + drag;
}

/* Every 10 ms. */
void brake_slow(struct rig *r, double dt)
{
	double heat = fabs(r->brake * r->speed2), room = r->room, c = r->p.hysteresis ? 0.6 : 1, flow;

	r->uneven_now += -r->uneven_now * dt / 0.12 + dice_normal(&r->dice, r->uneven * sqrt(2 * dt / 0.12));
	flow = (r->heat_rotor - r->heat_house) / (0.05 / c);
	r->heat_rotor += dt * (heat - flow) / (700 * c);
	r->heat_house += dt * (flow - (r->heat_house - room) / (0.14 / c)) / (5000 * c);
}
