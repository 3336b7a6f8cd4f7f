/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A virtual bench by a stranger: written from docs/tether.md alone, with physics of its own. It shares no line with
 * the program, so that an error which program and bench of this project have in common shows here.
 *
 * SI units throughout: N·m, rad/s, A, V, s, °C. Torque and angle are at the output shaft unless the name says rotor;
 * positive is the direction in which the actuator drives. Bench time is in seconds (double) inside, whole µs on the
 * control line. */
#ifndef STRANGER_H
#define STRANGER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

/* Random numbers: xoshiro256** (Blackman and Vigna 2018), Gaussian by Marsaglia's polar method. */
struct dice {
	uint64_t s[4];
	double spare;
	bool has_spare;
};
void dice_seed(struct dice *d, uint64_t seed);
double dice_even(struct dice *d, double low, double high);
double dice_normal(struct dice *d, double sigma);

/* Sizes of effects that no profile states, as factors (1: as realistic, 0: none), set by --effect NAME=FACTOR;
 * arm-slip is a share of the arm's length (0). */
enum effect {
	EF_FRICTION,
	EF_MEMORY,
	EF_SCATTER,
	EF_OUTER,
	EF_COUPLE,
	EF_FROZEN,
	EF_EMF,
	EF_HUM,
	EF_CABLE,
	EF_WARM,
	EF_RIPPLE,
	EF_UNEVEN,
	EF_VOLTS,
	EF_AMPS,
	EF_ARM,
	EF_BEND,
	EF_MOUNT,
	EF_ARM_SLIP,
	EF_DRIVE_LIMIT,
	EF_COUNT
};
extern const char *const effect_names[EF_COUNT];

/* What is written on the rig's papers (its profile). The truth is drawn within these. */
struct papers {
	const char *name;
	bool hysteresis, single;
	double full_scale, brake_torque, brake_current, arm, weight_limit;
	double volts, amps, dropout, cable;
	double ratio, pulses, torque_limit, speed_limit;
	double zero_drift, gain_drift, creep;     /* N·m/K normal, 1/K rectangular, 1 rectangular */
	double meter_gain, meter_volt, meter_amp; /* 1 (k = 2), V, A rectangular */
	double clock;                             /* 1, rectangular */
};
struct papers papers_of(bool hysteresis, bool single);
/* Writes the bench folder's files; gives false when one cannot be written. */
bool papers_write(const struct papers *p, const char *folder);

#define PLAYS 10

/* A Prandtl-Ishlinskii operator: a sum of plays (Visintin, Differential Models of Hysteresis, 1994, III). */
struct plays {
	double reach[PLAYS], weight[PLAYS], at[PLAYS];
};
double plays_move(struct plays *p, double x);

#define PIECES 12

struct piece {
	char name[24];
	double mass, density; /* true */
	bool hangs;
};

struct rig {
	struct papers p;
	double effect[EF_COUNT];
	struct dice dice;
	double t;
	/* place, arm, weights */
	double gravity, air, arm, level, arm_unbalance;
	struct piece piece[PIECES];
	int pieces;
	double seat_arm, load_weight, load_goal, load_mass, load_rate;
	bool arm_on;
	/* shaft */
	double angle1, speed1, angle2, speed2, J1, J2, stiffness, damping, backlash, spring;
	bool coupled;
	double crank;
	double gear_dry, gear_viscous, gear_load, iron, iron_speed, mesh;
	double outer;              /* bearing outside the cradle */
	double brake, brake_outer; /* torques acting now */
	/* brake */
	struct plays coil;
	double coil_set, coil_now, coil_flux, coil_lag, flux_lag, coil_gain;
	double brake_full, drag, drag_back, drag_speed, toe, bow, uneven, uneven_turn, uneven_now, stood, fade,
		rest_extra;
	double frozen, freeze, frozen_turns, frozen_phase, poles;
	double heat_rotor, heat_house;
	/* cradle and cell */
	double tilt, tilt_rate, cradle_J, cradle_k, cradle_c, rub, rub_now, rub_reach;
	struct plays memory;
	double gain, zero, bend2, bend3, creep_share, creep1, creep2, couple, drift_zero, drift_gain, cell_temp,
		cell_temp_before, warm, warm_lag, emf;
	double mount_zero, mount_gain, seat, seat_sigma, seat_length, seat_load, cable, cable_sigma, noise, hum, hum_hz,
		hum_phase;
	double conversion, conversion_end, cell_sum, cell_time;
	long count;
	unsigned conversions;
	/* pick-up */
	double edge_error[256], wobble, wobble_phase, edge_at;
	long pulses;
	bool tooth;
	/* actuator and supply */
	double kt, kt_fall, kt_bow, resistance, winding, casing, drive_limit, room, room_phase;
	double current, integral, speed_ref, enabled_at, modulation, standby, drop, switch_r, current_shown;
	int mode;         /* 0 off, 1 speed, 2 current */
	double set_point; /* rad/s of the rotor or A */
	bool enabled, undervolt, limited, derated, out_of_volts;
	double bus, source, source_r, source_limit, capacity, amps, volts_supply, ripple_phase, breathe;
	/* contactor, stops */
	bool contactor, contactor_wanted, estop, guard;
	double contactor_due;
	/* meter */
	double meter_v, meter_i, meter_vi, meter_time, gain_v, gain_i, off_v, off_i, bow_i, temp_error[4];
	/* slow things */
	double slow_due;
	/* truth: integrals over bench time */
	double int_brake, int_flange, int_angle, int_work_brake, int_work, int_terminals, int_supply, int_cell;
};

void rig_draw(struct rig *r, const struct papers *p, uint64_t seed, const double *effect);
/* Goes on by dt (at most 250 µs). */
void rig_step(struct rig *r, double dt);
/* What hands do; words of the control line after "hand". NULL when done, else why not. */
const char *rig_hand(struct rig *r, char **word, int words);
/* A JSON array of [torque N·m at the flange, speed rpm, power W at the actuator's terminals], current rising to the
 * drive's limit, for so much voltage at the actuator's terminals and a winding so hot (°C). Torque may be negative at
 * its begin. */
void rig_curve(const struct rig *r, double volts, double winding, FILE *out);
double rig_temperature(struct rig *r, int which); /* 0 brake, 1 case, 2 winding, 3 ambient, by its sensor */
/* Means since the last call; ripple: mean of the products less the product of the means, W. */
void rig_meter(struct rig *r, double *volts, double *amps, double *ripple);
/* actuator.c, brake.c, cell.c: parts of a step */
void drive_step(struct rig *r, double dt);
void supply_step(struct rig *r, double dt);
double drive_torque(const struct rig *r);
double drive_limit_now(const struct rig *r);
double brake_torque(struct rig *r, double dt);
void brake_slow(struct rig *r, double dt);
void cell_draw(struct rig *r);
void cell_remount(struct rig *r);
void cell_step(struct rig *r, double dt);
void cell_slow(struct rig *r, double dt);
void pickup_draw(struct rig *r);
void pickup_step(struct rig *r, double before, double after, double dt);

/* The node: lines in, lines out (docs/tether.md). */
#define NODE_QUEUE 65536
struct node {
	struct rig *rig;
	double clock, clock_start;
	unsigned boot;
	char in[128];
	int in_length;
	bool in_skip;
	unsigned bad;
	char last_body[128], last_answer[128];
	int last_seq;
	int hz, slow, until_slow;
	double sample_due;
	unsigned sample, event, ack;
	enum node_state { IDLE, LIVE, STOPPING, SAFE } state;
	const char *reason;
	double lease_end, stop_begun;
	bool lease_runs, power;
	int mode;
	long value, brake_mA;
	bool estop, guard, contactor, was_closed; /* as told; was_closed: as it was a step ago */
	int drive_bits;
	double event_at[4][2];
	double ripple;
	int ripples;
	/* the line to the host */
	char out[NODE_QUEUE];
	int out_length;
	double out_from, baud;
};
void node_start(struct node *n, struct rig *r, uint64_t seed);
void node_byte(struct node *n, int byte);
void node_tick(struct node *n);
/* Bytes that the line has carried by now: moves them to buf, at most size. */
int node_carried(struct node *n, char *buf, int size);
void node_hung_up(struct node *n);

uint16_t line_sum(const char *body, size_t n);

#endif
