/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Cradle with a dry bearing, torque cell with a memory, converter, pick-up. */
#include "stranger.h"

#include <math.h>

#define PI 3.14159265358979323846

double plays_move(struct plays *p, double x)
{
	double sum = 0;

	for (int i = 0; i < PLAYS; i++) {
		if (p->at[i] < x - p->reach[i])
			p->at[i] = x - p->reach[i];
		if (p->at[i] > x + p->reach[i])
			p->at[i] = x + p->reach[i];
		sum += p->weight[i] * p->at[i];
	}
	return sum;
}

void cell_draw(struct rig *r)
{
	struct dice *d = &r->dice;
	const double *e = r->effect, fs = r->p.full_scale;
	double left = 0, memory = dice_even(d, 0.0002, 0.001) * fs * e[EF_MEMORY];

	for (int i = 0; i < PLAYS; i++) {
		r->memory.reach[i] = fs * 0.45 * (i + 1) / PLAYS;
		r->memory.weight[i] = 1.0 / (i + 1);
		left += r->memory.weight[i] * r->memory.reach[i];
	}
	for (int i = 0; i < PLAYS; i++)
		r->memory.weight[i] *= memory / left;
	r->gain = dice_even(d, 0.6, 0.9) * 8388607 / fs;
	r->zero = dice_normal(d, 0.01) * 8388607;
	r->bend2 = dice_normal(d, 0.00015) * e[EF_BEND];
	r->bend3 = dice_normal(d, 0.0001) * e[EF_BEND];
	r->creep_share = dice_even(d, -r->p.creep, r->p.creep);
	r->couple = dice_even(d, -0.0002, 0.0002) * e[EF_COUPLE];
	r->drift_zero = dice_normal(d, r->p.zero_drift);
	r->drift_gain = dice_even(d, -r->p.gain_drift, r->p.gain_drift);
	r->warm = dice_even(d, 0.05, 0.2) * e[EF_WARM];
	r->warm_lag = dice_even(d, 300, 1200);
	r->emf = dice_normal(d, 0.0001) * fs * e[EF_EMF]; /* N·m for 1 K/min */
	r->rub = dice_even(d, 0.010, 0.030) * fmin(fs / 50, 1.2) * e[EF_FRICTION];
	r->rub_reach = dice_even(d, 0.03e-3, 0.15e-3); /* rad before the bearing slides */
	r->cradle_k = dice_even(d, 2000, 4000) * fs / 50;
	r->cradle_J = dice_even(d, 0.05, 0.10) * fs / 50;
	r->cradle_c = dice_even(d, 4, 8) * fs / 50;
	r->seat_sigma = dice_even(d, 0.0001, 0.0003) * fs * e[EF_SCATTER];
	r->seat_length = 0.2 * fs;
	r->cable_sigma = dice_even(d, 0.001, 0.003) * fs / 50 * e[EF_CABLE];
	r->cable = dice_normal(d, r->cable_sigma);
	r->noise = dice_even(d, 0.00005, 0.0001) * fs;
	r->hum = dice_even(d, 0, 0.0001) * fs * e[EF_HUM];
	r->hum_hz = 50 + dice_normal(d, 0.02);
	r->hum_phase = dice_even(d, 0, 2 * PI);
	r->conversion = 1 / (80 * (1 + dice_normal(d, 0.005)));
	r->conversion_end = r->conversion;
	r->cell_temp = r->cell_temp_before = r->room;
	cell_remount(r);
}

void cell_remount(struct rig *r)
{
	r->mount_zero = dice_normal(&r->dice, 0.001 * r->p.full_scale) * r->effect[EF_MOUNT];
	r->mount_gain = dice_normal(&r->dice, 0.00015) * r->effect[EF_MOUNT];
	for (int i = 0; i < PLAYS; i++)
		r->memory.at[i] = 0;
	r->seat = 0;
}

/* Presliding friction after Dahl (P. R. Dahl, AIAA J. 14 (1976) 1675): dither makes it creep to nothing. */
static double rubbing(struct rig *r, double turned)
{
	double most = r->rub * (1 + 0.25 * (r->arm_on ? r->load_weight / r->p.arm / 150 : 0));

	if (most <= 0)
		return 0;
	r->rub_now += turned * most / r->rub_reach * (1 - r->rub_now / most * (turned > 0 ? 1 : -1));
	r->rub_now = fmax(-most, fmin(most, r->rub_now));
	return r->rub_now;
}

static void convert(struct rig *r)
{
	double fs = r->p.full_scale, load = r->cell_sum / r->cell_time, dt = r->cell_time, x = load / fs, path, reading,
	       kelvin;

	path = fabs(load - r->seat_load) / r->seat_length;
	if (path > 0.02) {
		double keep = exp(-path);
		r->seat = keep * r->seat + dice_normal(&r->dice, r->seat_sigma * sqrt(1 - keep * keep));
		r->seat_load = load;
	}
	r->creep1 += (load - r->creep1) * dt / 50;
	r->creep2 += (load - r->creep2) * dt / 700;
	kelvin = r->cell_temp - 20;
	reading = load * (1 + r->mount_gain + r->drift_gain * kelvin) +
		  fs * x * (x - 1) * (r->bend2 + r->bend3 * (x - 0.5));
	reading += plays_move(&r->memory, load) + r->creep_share * (0.4 * r->creep1 + 0.6 * r->creep2);
	reading += r->drift_zero * kelvin + r->emf * (r->cell_temp - r->cell_temp_before) * 60 + r->mount_zero;
	reading += r->seat * fmin(fabs(load) / (0.1 * fs), 1) + r->cable;
	reading += dice_normal(&r->dice, r->noise) + r->hum * sin(2 * PI * r->hum_hz * r->t + r->hum_phase);
	r->count = lround(fmax(-8388608, fmin(8388607, r->gain * reading + r->zero)));
	r->conversions++;
	r->cell_sum = r->cell_time = 0;
}

void cell_step(struct rig *r, double dt)
{
	double load = r->brake, J = r->cradle_J, before = r->tilt;

	if (r->arm_on) {
		load += r->load_weight + r->arm_unbalance;
		J += (r->load_mass + 0.3) * r->p.arm * r->p.arm;
	}
	r->tilt_rate += dt * (load - r->cradle_k * r->tilt - r->rub_now) / J;
	r->tilt_rate /= 1 + dt * r->cradle_c * (r->arm_on ? 3 : 1) / J;
	r->tilt += dt * r->tilt_rate;
	rubbing(r, r->tilt - before);
	r->cell_sum += dt * (r->cradle_k * r->tilt + (r->arm_on ? r->couple * r->load_weight : 0));
	r->cell_time += dt;
	if (r->t >= r->conversion_end) {
		convert(r);
		r->conversion_end += r->conversion;
	}
}

/* Every 10 ms: temperature of the cell, wandering cable. The thermal voltage follows the temperature's rate. */
void cell_slow(struct rig *r, double dt)
{
	double goal = r->room + r->warm * (r->heat_house - r->room);

	r->cell_temp += (goal - r->cell_temp) * dt / r->warm_lag;
	r->cell_temp_before += (r->cell_temp - r->cell_temp_before) * dt; /* one second behind */
	r->cable += -r->cable * dt / 400 + dice_normal(&r->dice, r->cable_sigma * sqrt(2 * dt / 400));
}

void pickup_draw(struct rig *r)
{
	for (int i = 0; i < 256; i++) /* quadrature: the four phases; one tooth sensor: each tooth its own */
		r->edge_error[i] = dice_normal(&r->dice, r->p.single ? 0.02 : 0.03);
	if (!r->p.single)
		for (int i = 4; i < 256; i++)
			r->edge_error[i] = r->edge_error[i & 3];
	r->wobble = dice_even(&r->dice, 0, 0.3e-3); /* rad */
	r->wobble_phase = dice_even(&r->dice, 0, 2 * PI);
}

static double edge(const struct rig *r, long k)
{
	long n = (long)r->p.pulses, i = r->p.single ? (k % n + n) % n : (k & 3);
	return (double)k + r->edge_error[i & 255];
}

/* The counter of quadrature follows the position; that of a single sensor counts rising edges in either direction. */
void pickup_step(struct rig *r, double before, double after, double dt)
{
	static const double hold = 0.04; /* of a pulse: the comparator's hysteresis */
	double a = (before + r->wobble * sin(before + r->wobble_phase)) * r->p.pulses / (2 * PI);
	double b = (after + r->wobble * sin(after + r->wobble_phase)) * r->p.pulses / (2 * PI), when = r->t - dt;
	long *k = &r->pulses;

	if (!(fabs(b - a) > 0))
		return;
	if (!r->p.single) {
		while (b >= edge(r, *k + 1)) {
			++*k;
			r->edge_at = when + dt * (edge(r, *k) - a) / (b - a) + dice_even(&r->dice, 0, 2e-6);
		}
		while (b < edge(r, *k) - hold) {
			r->edge_at = when + dt * (edge(r, *k) - hold - a) / (b - a);
			--*k;
		}
		return;
	}
	double low = floor(b), up = edge(r, (long)low), down = edge(r, (long)low) + 0.5;
	bool on = b >= up && b < down;
	if (b < up)
		on = false;
	if (on && !r->tooth) {
		double at = b > a ? up : down;
		++*k;
		r->edge_at = when + dt * fmax(0, fmin(1, (at - a) / (b - a))) + dice_even(&r->dice, 0, 2e-6);
		r->tooth = true;
	} else if (r->tooth && (b > down + hold || b < up - hold))
		r->tooth = false;
}
