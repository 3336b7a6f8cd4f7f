/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One rig: its true figures, drawn once; a step of its shaft; what hands do. */
#include "stranger.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846

const char *const effect_names[EF_COUNT] = {
	"friction", "memory", "scatter", "outer", "couple", "frozen", "emf",   "hum",      "cable",       "warm",
	"ripple",   "uneven", "volts",   "amps",  "arm",    "bend",   "mount", "arm-slip", "drive-limit",
};

/* Normal gravity after the international formula of 1980 (H. Moritz, Bull. Geod. 54 (1980) 395), free air. */
static double normal_gravity(double latitude_deg, double height)
{
	double s = sin(latitude_deg * PI / 180), s2 = sin(2 * latitude_deg * PI / 180);
	return 9.780327 * (1 + 0.0053024 * s * s - 0.0000058 * s2 * s2) - 3.086e-6 * height;
}

static void add_piece(struct rig *r, const char *name, double mass, double density)
{
	struct piece *p = &r->piece[r->pieces++];

	snprintf(p->name, sizeof p->name, "%s", name);
	/* from conventional to true mass: the same on a balance in air of 1.2 kg/m3 against 8000 kg/m3 (OIML D 28) */
	p->mass = mass * (1 - 1.2 / 8000) / (1 - 1.2 / density);
	p->density = density;
	p->hangs = false;
}

static void draw_place(struct rig *r)
{
	struct dice *d = &r->dice;
	bool h = r->p.hysteresis;
	char name[24];

	r->gravity = h ? 9.8112 + dice_even(d, -0.0004, 0.0004)
		       : normal_gravity(47.6 + dice_even(d, -0.05, 0.05), 420 + dice_even(d, -20, 20)) *
				     (1 + dice_even(d, -5e-5, 5e-5));
	r->air = dice_even(d, 1.14, 1.22);
	r->arm = r->p.arm * (1 + r->effect[EF_ARM_SLIP]) +
		 r->effect[EF_ARM] * (h ? dice_even(d, -0.3e-3, 0.3e-3) : dice_normal(d, 0.2e-3));
	r->level = dice_even(d, -0.5, 0.5) * PI / 180;
	r->arm_unbalance = dice_even(d, 0.1, 0.5);
	add_piece(r, "hanger", h ? 0.4021 + dice_even(d, -0.2e-3, 0.2e-3) : 0.5087 + dice_even(d, -0.4e-3, 0.4e-3),
		  dice_even(d, 7600, 8100));
	for (int i = 0; i < (h ? 4 : 5); i++) {
		snprintf(name, sizeof name, "2kg-%c", 'a' + i);
		add_piece(r, name, 2 + dice_even(d, -100e-6, 100e-6), dice_even(d, 7600, 8100));
	}
	add_piece(r, "1kg", 1 + dice_even(d, -50e-6, 50e-6), dice_even(d, 7600, 8100));
}

static void draw_brake(struct rig *r)
{
	struct dice *d = &r->dice;
	const double *e = r->effect;
	bool h = r->p.hysteresis;
	double widest = h ? dice_even(d, 0.1, 0.2) : dice_even(d, 0.04, 0.09), sum = 0;

	for (int i = 0; i < PLAYS; i++) {
		r->coil.reach[i] = widest * i / PLAYS;
		r->coil.weight[i] = 1.0 / (1 + i);
		sum += r->coil.weight[i];
	}
	for (int i = 0; i < PLAYS; i++)
		r->coil.weight[i] /= sum;
	r->brake_full = r->p.brake_torque * dice_even(d, 1.0, 1.12);
	r->coil_lag = 0.012;
	r->flux_lag = h ? 0.03 : 0.06;
	r->coil_gain = 1 + dice_normal(d, 0.004);
	r->toe = dice_even(d, 0.02, 0.08);
	r->bow = dice_even(d, 0.05, 0.3);
	r->drag = (h ? 0.12 : 0.5) * dice_even(d, 0.8, 1.25);
	r->drag_back = 1 + dice_even(d, -0.02, 0.02);
	r->drag_speed = (h ? 0.004 : 0.012) * dice_even(d, 0.7, 1.3);
	r->uneven = (h ? 0.002 : 0.004) * dice_even(d, 0.6, 1.4) * e[EF_UNEVEN];
	r->uneven_turn = 0.003 * dice_even(d, 0.5, 1.5) * e[EF_UNEVEN];
	r->fade = dice_even(d, 1e-4, 4e-4);
	r->rest_extra = h ? 0.01 : 0.10;
	r->freeze = dice_even(d, 0.04, 0.10) * e[EF_FROZEN];
	r->frozen_turns = dice_even(d, 3, 8);
	r->frozen_phase = dice_even(d, 0, 2 * PI);
	r->poles = h ? 12 : 1;
	r->stood = 1;
	r->heat_rotor = r->heat_house = r->room;
}

static void draw_actuator(struct rig *r)
{
	struct dice *d = &r->dice;
	const double *e = r->effect;
	bool h = r->p.hysteresis;

	r->kt = (h ? 0.050 : 0.120) * dice_even(d, 0.985, 1.015);
	r->kt_fall = 0.0004;
	r->kt_bow = h ? 2e-4 : 1e-4;
	r->resistance = (h ? 0.33 : 0.95) * dice_even(d, 0.98, 1.02);
	r->winding = r->casing = r->room;
	r->drive_limit = e[EF_DRIVE_LIMIT] * (h ? 17 : 16.5) * dice_even(d, 0.98, 1.02);
	r->modulation = 0.955;
	r->standby = h ? 1.8 : 3;
	r->drop = 0.3;
	r->switch_r = h ? 0.008 : 0.02;
	r->current_shown = 1 + dice_normal(d, 0.01);
	r->J1 = (h ? 1.2e-5 : 4e-5) * r->p.ratio * r->p.ratio;
	r->J2 = h ? 0.008 : 0.02;
	r->stiffness = h ? 2500 : 5000;
	r->damping = h ? 0.6 : 1.2;
	r->backlash = dice_even(d, 0.5e-3, 3e-3);
	r->gear_dry = (h ? 0.35 : 0.7) * dice_even(d, 0.9, 1.1);
	r->gear_viscous = (h ? 0.04 : 0.07) * dice_even(d, 0.9, 1.1);
	r->gear_load = dice_even(d, 0.09, 0.12);
	r->iron = (h ? 0.002 : 0.006);
	r->iron_speed = h ? 4e-6 : 1.2e-5;
	r->mesh = dice_even(d, 0.002, 0.006) * e[EF_UNEVEN];
	r->outer = dice_even(d, 0.016, 0.030) * e[EF_OUTER];
	r->source = r->p.volts * (1 + dice_normal(d, 0.002)) * e[EF_VOLTS];
	r->source_r = dice_even(d, 0.005, 0.02);
	r->source_limit = r->p.amps * (1 + dice_normal(d, 0.008)) * e[EF_AMPS];
	r->capacity = 2.2e-3;
	r->gain_v = 1 + dice_normal(d, r->p.meter_gain / 2);
	r->gain_i = 1 + dice_normal(d, r->p.meter_gain / 2);
	r->off_v = dice_even(d, -r->p.meter_volt, r->p.meter_volt);
	r->off_i = dice_even(d, -r->p.meter_amp, r->p.meter_amp);
	r->bow_i = dice_normal(d, 0.0003);
	for (int i = 0; i < 4; i++)
		r->temp_error[i] = dice_normal(d, 0.5);
}

void rig_draw(struct rig *r, const struct papers *p, uint64_t seed, const double *effect)
{
	memset(r, 0, sizeof *r);
	dice_seed(&r->dice, seed);
	r->p = *p;
	memcpy(r->effect, effect, sizeof r->effect);
	r->room = 21 + dice_normal(&r->dice, 1.5);
	r->room_phase = dice_even(&r->dice, 0, 2 * PI);
	r->guard = r->estop = true;
	draw_place(r);
	draw_brake(r);
	draw_actuator(r);
	cell_draw(r);
	pickup_draw(r);
}

/* Dry friction as the impulse that it can give in this step: exact at rest, no chatter (J. J. Moreau, in: Nonsmooth
 * Mechanics and Applications, 1988). Returns the friction torque that acted, opposite to the motion. */
static double rub_body(double *speed, double J, double applied, double most, double viscous, double dt)
{
	double free = (*speed + dt * applied / J) / (1 + dt * viscous / J), impulse = dt * most / J;

	if (fabs(free) <= impulse) {
		*speed = 0;
		return free * J / dt;
	}
	*speed = free - (free > 0 ? impulse : -impulse);
	return free > 0 ? most : -most;
}

static void shaft_step(struct rig *r, double dt)
{
	double N = r->p.ratio, wind = r->angle1 - r->angle2, half = r->backlash / 2, motor, dry, load2, most, acted,
	       brake, before = r->angle2;

	r->spring = 0;
	if (r->coupled && fabs(wind) > half) {
		r->spring = r->stiffness * (wind - (wind > 0 ? half : -half)) + r->damping * (r->speed1 - r->speed2);
		if (r->spring * wind < 0)
			r->spring = 0;
	}
	motor = N * drive_torque(r) - r->spring;
	dry = r->gear_dry + r->gear_load * fabs(r->spring) + N * (r->iron + r->iron_speed * fabs(r->speed1) * N);
	rub_body(&r->speed1, r->J1, motor, dry, r->gear_viscous, dt);
	r->angle1 += dt * r->speed1;
	load2 = r->spring;
	if (fabs(r->crank) > 0 && !r->coupled)
		load2 += fmax(-25, fmin(25, 20 * (r->crank - r->speed2)));
	brake = brake_torque(r, dt);
	most = brake + r->outer;
	acted = rub_body(&r->speed2, r->J2, load2, most, 0, dt);
	r->angle2 += dt * r->speed2;
	r->brake = most > 0 ? acted * brake / most : 0;
	r->brake_outer = acted - r->brake;
	r->int_brake += dt * r->brake;
	r->int_flange += dt * load2;
	r->int_angle += dt * r->speed2;
	r->int_work_brake += dt * r->brake * r->speed2;
	r->int_work += dt * load2 * r->speed2;
	pickup_step(r, before, r->angle2, dt);
}

static void contactor_step(struct rig *r)
{
	bool goal = r->contactor_wanted && r->estop && r->guard;

	if (goal == r->contactor)
		r->contactor_due = r->t + (goal ? 0.025 : 0.010);
	else if (r->t >= r->contactor_due)
		r->contactor = goal;
}

static void slow_step(struct rig *r, double dt)
{
	double ohm = r->resistance * (1 + 0.00393 * (r->winding - 20)), heat = ohm * r->current * r->current;
	double flow = (r->winding - r->casing) / 0.5, c = r->p.hysteresis ? 0.7 : 1;

	r->room_phase += 2 * PI * dt / 3000;
	r->room += dt * 0.5 * cos(r->room_phase) * 2 * PI / 3000;
	r->winding += dt * (heat - flow) / (200 * c);
	r->casing += dt * (flow - (r->casing - r->room) / 0.6) / (1600 * c);
	r->breathe += -r->breathe * dt / 3 + dice_normal(&r->dice, sqrt(2 * dt / 3));
	brake_slow(r, dt);
	cell_slow(r, dt);
}

static void load_step(struct rig *r, double dt)
{
	double move = fabs(r->load_rate) * dt;

	r->load_weight += fmax(-move, fmin(move, r->load_goal - r->load_weight));
}

void rig_step(struct rig *r, double dt)
{
	r->t += dt;
	contactor_step(r);
	if (r->contactor || r->bus > 0.5) {
		drive_step(r, dt);
		supply_step(r, dt);
	} else {
		r->current = r->amps = r->bus = 0;
		r->enabled = false;
		r->meter_time += dt;
	}
	shaft_step(r, dt);
	load_step(r, dt);
	cell_step(r, dt);
	if (r->t >= r->slow_due) {
		slow_step(r, 0.01);
		r->slow_due += 0.01;
	}
}

double rig_temperature(struct rig *r, int which)
{
	const double t[4] = { r->heat_house, r->casing, r->winding, r->room };
	return t[which] + r->temp_error[which];
}

/* The torque of what hangs: the hook sits a little elsewhere each time that hands touch it. */
static void hang_all(struct rig *r)
{
	double force = 0, mass = 0;

	r->seat_arm = dice_normal(&r->dice, 0.02e-3) * r->effect[EF_SCATTER];
	for (int i = 0; i < r->pieces; i++)
		if (r->piece[i].hangs) {
			force += r->piece[i].mass * r->gravity * (1 - r->air / r->piece[i].density);
			mass += r->piece[i].mass;
		}
	r->load_mass = mass;
	r->load_goal = force * (r->arm + r->seat_arm) * cos(r->level);
	r->load_rate = (r->load_goal - r->load_weight) / 1.0;
}

static const char *hang(struct rig *r, const char *name, bool on)
{
	bool all = !on && !strcmp(name, "all"), known = all;

	if (!r->arm_on && on)
		return "the arm is off";
	for (int i = 0; i < r->pieces; i++)
		if (all || !strcmp(r->piece[i].name, name)) {
			r->piece[i].hangs = on;
			known = true;
		}
	if (!known)
		return "there is no such piece";
	hang_all(r);
	return NULL;
}

static const char *arm(struct rig *r, bool on)
{
	if (!on)
		hang(r, "all", false);
	r->arm_on = on;
	if (!on)
		r->load_weight = r->load_goal = 0;
	return NULL;
}

const char *rig_hand(struct rig *r, char **word, int words)
{
	const char *a = words > 0 ? word[0] : "", *b = words > 1 ? word[1] : "";

	if (!strcmp(a, "hang") || !strcmp(a, "unhang"))
		return hang(r, b, *a == 'h');
	if (!strcmp(a, "arm"))
		return arm(r, !strcmp(b, "on"));
	if (!strcmp(a, "couple") || !strcmp(a, "uncouple")) {
		r->coupled = *a == 'c';
		r->angle1 = r->angle2;
		r->speed1 = r->coupled ? r->speed2 : 0;
	} else if (!strcmp(a, "turn"))
		r->crank = atof(b) * PI / 30;
	else if (!strcmp(a, "remount"))
		cell_remount(r);
	else if (!strcmp(a, "estop"))
		r->estop = !strcmp(b, "release");
	else if (!strcmp(a, "guard"))
		r->guard = !strcmp(b, "close");
	else if (!strcmp(a, "drive"))
		r->undervolt = false;
	else if (strcmp(a, "mend"))
		return "hands cannot do that";
	return NULL;
}
