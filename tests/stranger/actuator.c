/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Permanent-magnet motor on a drive, supply, cable, meter. Quasi-static in the current: its loop has a lag of 1 ms. */
#include "stranger.h"

#include <math.h>

#define PI 3.14159265358979323846

static double kt_now(const struct rig *r, double current)
{
	return r->kt * (1 - r->kt_fall * (r->winding - 20)) / (1 + r->kt_bow * current * current);
}

static double resistance_now(const struct rig *r)
{
	return r->resistance * (1 + 0.00393 * (r->winding - 20));
}

double drive_limit_now(const struct rig *r)
{
	return r->drive_limit * (r->winding < 110 ? 1 : fmax(0.3, 1 - (r->winding - 110) / 30));
}

double drive_torque(const struct rig *r)
{
	return kt_now(r, r->current) * r->current * (1 + r->mesh * 0.5 * sin(6 * r->angle1 * r->p.ratio));
}

static double speed_loop(struct rig *r, double rotor, double most, double dt)
{
	double wanted = r->set_point, ramp = 250 * dt, error, out;

	r->speed_ref += fmax(-ramp, fmin(ramp, wanted - r->speed_ref));
	error = r->speed_ref - rotor;
	r->integral += 1.2 * error * dt;
	out = 0.08 * error + r->integral;
	if (fabs(out) > most) {
		r->integral -= 1.2 * error * dt;
		r->integral = fmax(-most, fmin(most, r->integral));
	}
	return out;
}

void drive_step(struct rig *r, double dt)
{
	double rotor = r->speed1 * r->p.ratio, most = drive_limit_now(r), goal = 0, emf = kt_now(r, r->current) * rotor,
	       ohm = resistance_now(r);
	double room = r->modulation * r->bus, high = (room - emf) / ohm, low = (-room - emf) / ohm;
	bool may = r->mode && !r->undervolt && r->bus > r->p.dropout;

	if (r->enabled && r->bus < r->p.dropout)
		r->undervolt = true;
	if (!may || r->undervolt) {
		r->enabled = false;
		r->current = r->integral = 0;
		r->speed_ref = rotor;
		r->enabled_at = r->t + 0.04;
		r->limited = r->derated = r->out_of_volts = false;
		return;
	}
	if (!r->enabled && r->t < r->enabled_at)
		return;
	r->enabled = true;
	goal = r->mode == 1 ? speed_loop(r, rotor, most, dt) : r->set_point;
	r->limited = fabs(goal) > most && fabs(r->current) > 0.98 * most;
	r->derated = most < r->drive_limit;
	r->out_of_volts = goal > high || goal < low;
	goal = fmax(-most, fmin(most, goal));
	if (goal > high || goal < low) { /* out of voltage: the integral stays where it is of use */
		goal = fmax(low, fmin(high, goal));
		if (r->mode == 1)
			r->integral = fmax(fmin(r->integral, goal + 1), goal - 1);
	}
	r->current += (goal - r->current) * dt / 0.001;
}

void supply_step(struct rig *r, double dt)
{
	double i = r->current, rotor = r->speed1 * r->p.ratio, ohm = resistance_now(r), power, draw, source, path,
	       ripple = 1, amps;

	power = r->enabled ? i * (ohm * i + kt_now(r, i) * rotor) + fabs(i) * r->drop + i * i * r->switch_r : 0;
	if (r->enabled) {
		r->ripple_phase += 2 * PI * dt * (280 + 0.5 * fabs(rotor));
		ripple = 1 + 0.25 * r->effect[EF_RIPPLE] * sin(r->ripple_phase);
	}
	power = power * ripple + (r->bus > 6 ? r->standby : 0);
	draw = power / fmax(r->bus, 3);
	source = r->source * (1 + 0.001 * r->breathe + 0.0015 * r->effect[EF_RIPPLE] * sin(2 * PI * 100 * r->t));
	path = r->source_r + r->p.cable;
	amps = 0;
	if (r->contactor) {
		double bus = (r->capacity * r->bus / dt + source / path - draw) / (r->capacity / dt + 1 / path);
		amps = fmax(0, (source - bus) / path);
		amps = fmin(amps, r->source_limit);
	}
	r->bus = fmax(0, r->bus + dt * (amps - draw) / r->capacity);
	if (r->bus > r->p.volts * 1.15)
		r->bus = r->p.volts * 1.15; /* a resistor burns what is braked */
	if (!r->contactor)
		r->bus *= exp(-dt / 1.0);
	r->amps = amps;
	r->volts_supply = r->bus + amps * r->p.cable;
	r->meter_v += dt * r->bus;
	r->meter_i += dt * amps;
	r->meter_vi += dt * amps * r->bus;
	r->meter_time += dt;
	r->int_terminals += dt * amps * r->bus;
	r->int_supply += dt * amps * r->volts_supply;
}

void rig_meter(struct rig *r, double *volts, double *amps, double *ripple)
{
	double v = r->meter_time > 0 ? r->meter_v / r->meter_time : r->bus,
	       i = r->meter_time > 0 ? r->meter_i / r->meter_time : r->amps;

	*ripple = r->meter_time > 0 ? (r->meter_vi / r->meter_time - v * i) / (r->gain_v * r->gain_i) : 0;
	*volts = v / r->gain_v + r->off_v + dice_normal(&r->dice, 0.003);
	*amps = i / r->gain_i * (1 + r->bow_i * (i / r->p.amps - 0.5)) + r->off_i + dice_normal(&r->dice, 0.004);
	r->meter_v = r->meter_i = r->meter_vi = r->meter_time = 0;
}
