/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What stands on the virtual bench in truth: the keys of virtual.ini, which the controller never reads.
 * A value may carry an uncertainty; the true value is then drawn from it by the bench's seed and rules
 * (bench/stated.h). The table of keys (unit, default, meaning) in physics_keys.c makes the reader and the commented
 * template. */
#ifndef BRIDLE_BENCH_PHYSICS_H
#define BRIDLE_BENCH_PHYSICS_H

#include "calib/number/err.h"
#include "profile/mistakes.h"

#include <jansson.h>
#include <stdint.h>
#include <stdio.h>

/* Units as the suffix says; section and key are in physics_keys.c in the same order. Torques and
 * speeds without "rotor" are at the output. */
struct physics {
	struct {
		double temp_degC, swing_K, swing_s, anomaly_m_per_s2;
	} room;
	struct {
		double kt_Nm_per_A, saturation_A, ohm, henry, inertia_kgm2; /* rotor side; ohm at 20 degC */
		double iron_Nm, iron_Nms;                                   /* rotor side: constant and per rad/s */
		double cogging_Nm, slots, poles;                            /* rotor side: amplitude */
	} motor;
	struct {
		double limit_A, lag_s, modulation_frac, standby_W, switch_V, switch_ohm;
		double gain_As, integral_A, ramp_rad_per_s2; /* speed loop: A per rad/s, A per rad, rotor */
		double overspeed_rad_per_s;                  /* rotor */
		double derate_from_degC, derate_to_degC, derate_least_frac;
		double dropout_V, ready_V, chopper_V, farad, ripple_frac, current_gain, torque_constant, start_s;
	} drive;
	struct {
		double ratio, coulomb_Nm, viscous_Nms, load_loss_frac, breakaway;
		double backlash_rad, stiffness_Nm_per_rad, damping_Nms, hysteresis_Nm;
		double mesh_Nm, teeth; /* at the output: amplitude, and waves in its turn */
	} gear;
	struct {
		double winding_J_per_K, case_J_per_K, winding_case_K_per_W, case_room_K_per_W;
	} actuator_heat;
	struct {
		double voltage_gain, limit_gain, ohm, breath_frac, breath_s;
	} supply;
	struct {
		double close_s, open_s;
	} contactor;
	struct {
		double torque_gain, curvature, toe_frac, memory_frac, memory_reach;
		double drag_Nm, drag_Nms, breakaway, lag_s;
		double fade_per_K, fade_hot_degC, fade_hot_per_K, run_in_frac, run_in_rev;
		double uneven_frac, uneven_s, uneven_turn_frac, uneven_stood, uneven_rev;
		double eddy_Nms, cogging_frac, cogging_ripple, cogs, cogging_rev, cogging_fade_rev;
		double inertia_kgm2, coil_ohm, coil_henry, driver_V, driver_lag_s, readback_gain;
	} brake;
	struct {
		double rotor_J_per_K, housing_J_per_K, rotor_housing_K_per_W, housing_room_K_per_W;
	} brake_heat;
	struct {
		double stiffness_Nm_per_rad, inertia_kgm2, damping_Nms, arm_Nm, hand_s, hand_frac;
		double stiction_Nm, stiction_rad, cable_Nm, cable_s, one_sided_frac, seat_m;
	} lever;
	struct {
		double length_m; /* 0: as rig.ini states it */
	} arm;
	struct {
		double bearing_Nm, once_Nm;
	} coupling;
	struct {
		double torque_Nm, slope_Nms;
	} crank;
	struct {
		double rate_Hz, gain_count, zero_count, bend_frac, memory_frac, creep_s;
		double noise_Nm, wander_Nm, wander_s, warm_frac, warm_s, emf_Nm_per_K, remount_gain, remount_zero_Nm;
	} cell;
	struct {
		double rate_Hz, filter_s, gain;
	} indicator;
	struct {
		double single, jitter_s, wobble_count, uneven_count, dead_s;
	} pickup;
	struct {
		double noise_V, noise_A;
	} meter;
	struct {
		double clock_s, temp_error_K, cell_sensor;
	} node;
};

struct physics_key {
	const char *section, *key, *unit;
	size_t offset;        /* of a double in struct physics */
	const char *standard; /* default, as text */
	double least, most;   /* of the value, in unit */
	const char *meaning;
};
extern const struct physics_key physics_keys[];
extern const size_t physics_keys_n;

/* Read virtual.ini at path and draw by the seed; a missing file gives the defaults. Every mistake is added to
 * m as the readers of profiles do (zero it first). ret: written on success only. RC_ARG with mistakes filled, RC_IO. */
enum rc physics_read(const char *path, uint64_t seed, struct physics *ret, struct mistakes *m,
		     struct err *err) MUST_CHECK;

/* The commented virtual.ini with every key at its default. */
void physics_template(FILE *to);

/* Every drawn value by section and key with its unit in the name; NULL when out of memory. */
json_t *physics_json(const struct physics *physics);

#endif
