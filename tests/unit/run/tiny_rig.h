/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A rig of a few lines for the tests of sequences: one inertia, a brake with first-order lag, drag and remanence, an
 * actuator with a torque limit and a power limit, a noisy cell. Simulated time, no relation to the virtual bench. */
#ifndef BRIDLE_TEST_TINY_RIG_H
#define BRIDLE_TEST_TINY_RIG_H

#include "run/sequence.h"

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <string.h>

#define TINY_COUNT_PER_NM 1000.0
#define TINY_TICK_S 0.01

struct tiny_rig {
	/* what it is; set by tiny_rig_make, changed by a test as it likes */
	double lag_s, Nm_per_A, drag_Nm, remanence_Nm, inertia_kgm2;
	double motor_most_Nm, motor_most_W; /* the actuator's torque limit; power limit as of a supply */
	double noise_Nm, ripple_Nm;         /* ripple: never settles, a swing of 0.2 Hz */
	double zero_count;
	double poles_Nm; /* drag of poles frozen into the rotor: fades over poles_fade_rev of turning, and is wiped */
	double poles_fade_rev, poles_wipe_rev; /* over poles_wipe_rev while the coil has current; 0: neither */
	bool contactor_fails, dead_cell;
	double pulses_per_rev;         /* of the pick-up; 0: as fine as can be */
	double drag_turn_Nm;           /* drag once a turn, amplitude */
	int64_t cell_every;            /* ticks a conversion; 0: each */
	bool single;                   /* the pick-up counts up whichever way the shaft turns */
	bool no_reverse;               /* the drive turns forward whatever sign it is sent */
	bool mute_drive;               /* and does not tell its rotor's speed */
	double torque_gain;            /* of the drive in torque mode */
	double held_Nm;                /* torque of that mode on a shaft that the brake holds */
	double heat_K_per_Nm2, heat_s; /* of the winding by the square of the torque, one store; 0: it is not told */
	bool cell_moves;               /* its instrument says so */
	double case_lost_s;            /* its temperature is not told from then on; 0: always told */
	/* where it is */
	int64_t ticks;
	double motor_integral_Nm, speed_rpm, angle_rev, counted_rev, coil_A, brake_Nm, play_Nm, tare_count;
	bool contactor, estop_ok, cage_closed;
	double gear_deg_per_Nm, gear_play_deg; /* of the output, told as the rotor's angle by 36; 0: it is not told */
	double contactor_s;                    /* since power was asked */
	double warm_K;                         /* of the winding over the air */
	uint64_t random;
	struct snapshot snap;
};

static inline double tiny_random(struct tiny_rig *r) /* about normal, sd 1: sum of twelve uniforms */
{
	double sum = -6;

	for (int i = 0; i < 12; i++) {
		r->random = r->random * 6364136223846793005u + 1442695040888963407u;
		sum += (double)(r->random >> 11) / 9007199254740992.0;
	}
	return sum;
}

static inline struct tiny_rig tiny_rig_make(uint64_t seed)
{
	return (struct tiny_rig){
		.lag_s = 0.1,
		.Nm_per_A = 40,
		.drag_Nm = 0.5,
		.remanence_Nm = 0.6,
		.inertia_kgm2 = 0.1,
		.motor_most_Nm = 60,
		.motor_most_W = INFINITY,
		.noise_Nm = 0.01,
		.torque_gain = 0.9,
		.zero_count = 5000,
		.tare_count = NAN,
		.estop_ok = true,
		.cage_closed = true,
		.random = seed,
	};
}

/* Proportional and integral on speed, both within what the actuator can. */
static inline double tiny_motor_Nm(struct tiny_rig *r, const struct wish *w, double dt_s)
{
	double speed = r->speed_rpm * 0.10471975512;
	double most = fmin(r->motor_most_Nm, r->motor_most_W / fmax(fabs(speed), 0.1));

	if (!r->contactor || w->mode == DRIVE_OFF) {
		r->motor_integral_Nm = 0;
		return -0.2 * speed; /* a gear's own friction */
	}
	if (w->mode == DRIVE_TORQUE)
		return fabs(speed) * 9.5493 < w->speed_rpm ? r->torque_gain * w->torque_Nm : 0;
	if (w->mode == DRIVE_CURRENT)
		return fmax(-most, fmin(most, 10 * w->drive_A));
	double error = (r->no_reverse ? fabs(w->speed_rpm) : w->speed_rpm) * 0.10471975512 - speed;
	r->motor_integral_Nm = fmax(-most, fmin(most, r->motor_integral_Nm + 300 * error * dt_s));
	return fmax(-most, fmin(most, r->motor_integral_Nm + 60 * error));
}

static inline void tiny_physics(struct tiny_rig *r, const struct wish *w, double dt_s)
{
	double speed = r->speed_rpm * 0.10471975512;
	double before_A = r->coil_A;

	/* remanence as a play: all of it after 0.05 A down, nothing after 0.05 A up */
	r->coil_A += (w->brake_A - r->coil_A) * (1 - exp(-dt_s / r->lag_s));
	r->play_Nm = fmax(0, fmin(r->remanence_Nm, r->play_Nm - (r->coil_A - before_A) / 0.05 * r->remanence_Nm));
	double poles_rev = r->coil_A > 0.01 ? r->poles_wipe_rev : r->poles_fade_rev;
	if (poles_rev > 0)
		r->poles_Nm *= exp(-fabs(r->speed_rpm) / 60 * dt_s / poles_rev);
	r->brake_Nm = r->drag_Nm + r->drag_turn_Nm * sin(6.283185307 * r->angle_rev) + r->Nm_per_A * r->coil_A +
		      r->play_Nm + r->poles_Nm;
	double motor = tiny_motor_Nm(r, w, dt_s), net = motor - (speed > 0 ? 1 : speed < 0 ? -1 : 0) * r->brake_Nm;
	bool held = fabs(speed) < 1e-9 && fabs(motor) <= r->brake_Nm; /* a brake holds at standstill */
	r->held_Nm = held && w->mode == DRIVE_TORQUE ? motor : 0;
	if (held)
		return;
	double next = speed + net / r->inertia_kgm2 * dt_s;
	if (next * speed < 0)
		next = 0; /* a brake never drives */
	r->speed_rpm = next / 0.10471975512;
	r->angle_rev += r->speed_rpm / 60 * dt_s;
	r->counted_rev += fabs(r->speed_rpm) / 60 * dt_s;
}

static inline void tiny_look(struct tiny_rig *r, const struct wish *w)
{
	struct snapshot *s = &r->snap;
	double sign = r->speed_rpm > 0 ? 1 : r->speed_rpm < 0 ? -1 : 0;
	double ripple = r->ripple_Nm * sin(6.283185307 * 0.2 * (double)r->ticks * TINY_TICK_S);
	int64_t conversion = r->cell_every > 1 ? r->ticks / r->cell_every : r->ticks;
	bool fresh = r->cell_every <= 1 || r->ticks % r->cell_every == 0;
	int32_t held_count = s->cell_count;
	double torque =
		sign * r->brake_Nm + r->held_Nm + r->noise_Nm * tiny_random(r) + (r->coil_A > 0.01 ? ripple : 0);

	memset(s, 0, sizeof *s);
	s->now.ns = 1000000000 + r->ticks * 10000000;
	s->node_us = (uint64_t)s->now.ns / 1000;
	s->edge_time_s = (double)s->now.ns * 1e-9; /* a pulse at each look */
	s->sample_total = (uint32_t)r->ticks + 1;
	s->channel[CHANNEL_CELL].fresh = r->dead_cell ? 7 : (uint32_t)conversion + 1;
	s->cell_count = fresh ? (int32_t)lround(r->zero_count + TINY_COUNT_PER_NM * torque) : held_count;
	s->indication = s->cell_count - (isfinite(r->tare_count) ? r->tare_count : 0);
	s->torque_Nm = isfinite(r->tare_count) ? s->indication / TINY_COUNT_PER_NM : NAN;
	s->speed_rpm = r->single ? fabs(r->speed_rpm) : r->speed_rpm;
	s->angle_rev = r->single ? r->counted_rev : r->angle_rev;
	if (r->pulses_per_rev > 0)
		s->angle_rev = floor(s->angle_rev * r->pulses_per_rev) / r->pulses_per_rev;
	s->drive_rotor_rpm = r->mute_drive ? 0 : 36 * r->speed_rpm;
	double way = r->held_Nm > 0 ? 1 : r->held_Nm < 0 ? -1 : 0;
	double twist_deg = r->held_Nm * r->gear_deg_per_Nm + way * r->gear_play_deg / 2;
	double rotor_deg = fmod(36 * twist_deg, 360);
	s->rotor_deg = r->gear_deg_per_Nm > 0 ? rotor_deg + (rotor_deg < 0 ? 360 : 0) : NAN;
	s->brake_A = r->coil_A;
	s->voltage_V = 48;
	s->current_A = 1;
	for (int c = 0; c < CHANNEL_COUNT; c++) {
		s->channel[c].quality = QUALITY_GOOD;
		if (c != CHANNEL_CELL)
			s->channel[c].fresh = (uint32_t)r->ticks + 1;
	}
	if (r->cell_moves)
		s->channel[CHANNEL_CELL].quality = QUALITY_UNSTABLE;
	s->estop_ok = r->estop_ok;
	s->cage_closed = r->cage_closed;
	s->contactor_closed = r->contactor;
	s->node_state = w->mode == DRIVE_OFF && w->brake_A <= 0 ? NODE_IDLE : NODE_LIVE;
	bool lost = r->case_lost_s > 0 && (double)r->ticks * TINY_TICK_S > r->case_lost_s;
	s->temp_degC[TEMP_BRAKE] = 30;
	s->temp_degC[TEMP_CASE] = lost ? NAN : 30;
	s->temp_degC[TEMP_WINDING] = r->heat_s > 0 ? 20 + r->warm_K : NAN;
	s->temp_degC[TEMP_AMBIENT] = 20;
}

/* One tick of 10 ms under a wish; the snapshot is what is seen after it. */
static inline void tiny_tick(struct tiny_rig *r, const struct wish *w)
{
	r->contactor_s = w->power ? r->contactor_s + TINY_TICK_S : 0;
	r->contactor = r->contactor_s > 0.05 && !r->contactor_fails && r->estop_ok && r->cage_closed;
	for (int i = 0; i < 10; i++)
		tiny_physics(r, w, TINY_TICK_S / 10);
	double load_Nm = fabs(r->speed_rpm) > 0 ? r->brake_Nm : r->held_Nm;
	if (r->heat_s > 0)
		r->warm_K += (1 - exp(-TINY_TICK_S / r->heat_s)) * (r->heat_K_per_Nm2 * load_Nm * load_Nm - r->warm_K);
	r->ticks++;
	tiny_look(r, w);
}

/* Run a sequence until it is done, asks to stop, or a time is over. each may be NULL. */
static inline struct seq_out tiny_run(struct tiny_rig *r,
				      void (*step)(void *, const struct snapshot *, struct seq_out *), void *state,
				      double most_s,
				      void (*each)(void *, const struct tiny_rig *, const struct seq_out *), void *ctx)
{
	struct seq_out out = { 0 };
	struct wish wish = { 0 };

	tiny_look(r, &wish);
	for (int64_t i = 0; i < (int64_t)(most_s / TINY_TICK_S); i++) {
		out = (struct seq_out){ .remaining_s = NAN, .phase = "" };
		step(state, &r->snap, &out);
		if (out.set_tare)
			r->tare_count = out.tare_count;
		if (each)
			each(ctx, r, &out);
		if (out.done || out.stop)
			return out;
		wish = out.wish;
		tiny_tick(r, &wish);
	}
	return out;
}

#endif
