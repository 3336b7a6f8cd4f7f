/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The truth about a virtual bench, for tests only: run/truth.json has every drawn error, run/truth.csv one row each
 * 100 ms of bench time with integrals from the start, so that the true mean over any window is a difference
 * of two rows; one more at each change of node, drive and contactor, and each 10 ms while the shaft turns and nothing
 * drives it. int_torque_Nms and int_work_J are at the output flange (a crank's torque counts as the actuator's),
 * int_brake_Nms and int_brake_work_J at the brake: friction torque on the cradle, as far as the cell can know it.
 * peak_torque_Nm (flange) and peak_rad_per_s (shaft) are the largest magnitudes since the row before. Rows
 * are flushed as they come: a killed bench leaves whole lines. */
#ifndef BRIDLE_BENCH_TRUTH_H
#define BRIDLE_BENCH_TRUTH_H

#include "bench/physics.h"
#include "bench/stated.h"
#include "calib/number/err.h"
#include "profile/weights_profile.h"

#include <jansson.h>
#include <stdint.h>
#include <stdio.h>

#define TRUTH_EVERY_US 100000
#define TRUTH_COAST_US 10000
#define TRUTH_TURNS_rad_per_s 0.1

/* True values of what the profiles state with an uncertainty. */
struct true_rig {
	double gravity_m_per_s2, air_density_kg_per_m3, arm_m, arm_level_deg, cable_ohm;
	double volt_gain, amp_gain, volt_offset_V, amp_offset_A; /* true = (shown - offset) * gain */
	double zero_drift_Nm_per_K, gain_drift_per_K, creep_frac, node_clock_ppm;
	double drag_ratio; /* backwards over forwards */
	size_t n_pieces;
	double mass_kg[STATED_PIECES], density_kg_per_m3[STATED_PIECES]; /* true mass, not conventional */
	double temp_error_K[5];                                          /* brake, case, winding, ambient, cell */
};

void true_rig_draw(uint64_t seed, const struct stated *stated, const struct physics *physics, struct true_rig *ret);

/* Integrals over bench time; voltage and current at the meter's plane. Torque and work twice: at the output flange, and
 * at the brake, which is all that a cell on its cradle can know. Between the two lie the inertia and, if there is one,
 * a bearing outside the cradle. */
struct truth_sums {
	double torque_Nms, angle_rad, work_J, volt_Vs, ampere_As, electric_J; /* torque, work: at the flange */
	double brake_Nms, brake_work_J;                                       /* at the brake */
};

struct truth_state {
	const char *node;
	bool drive_on, contactor;
	double brake_A, speed_rad_per_s, torque_Nm, bus_V;
	double winding_degC, case_degC, brake_rotor_degC, brake_housing_degC;
	unsigned drive_flags;
	bool supply_limiting;
	double peak_Nm, peak_rad_per_s;
};

/* Writes truth.json in folder and opens truth.csv there. RC_IO. Given to the caller: fclose. */
enum rc truth_open(const char *folder, uint64_t seed, const struct physics *physics, const struct true_rig *truth,
		   const struct weights_profile *weights, FILE **ret, struct err *err) MUST_CHECK;
void truth_row(FILE *csv, int64_t t_us, const struct truth_sums *sums, const struct truth_state *state);

#endif
