/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Mapping the brake: current to torque on both branches at two or more slip speeds.
 *
 * Order: contactor, shaft to the first speed; drag at every speed before any current is given; run-in of a powder brake
 * (current cycled while turning slowly); per speed the rising currents, then the falling ones down to zero (remanence);
 * steps up for the lag; current ramped to zero while the shaft turns, drive off, standstill. A current whose heat or
 * torque would pass a limit, as foreseen from what was measured so far, is cut to it or left out, and said so. In hand
 * mode a person turns the shaft: the sequence waits for the speed, and never asks for the contactor.
 *
 * The zero reading before and after is another sequence (seq_hang.h, struct cell_reading).
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_MAP_H
#define BRIDLE_RUN_SEQ_MAP_H

#include "calib/brake/brakemap.h"
#include "run/sequence.h"
#include "run/steady.h"

#define MAP_SPEEDS 6
#define MAP_CURRENTS 24
#define MAP_READINGS (MAP_SPEEDS * (2 * MAP_CURRENTS + 2))
#define MAP_LAG_SAMPLES 1200
#define MAP_LAG_STEPS 3

struct map_config {
	bool by_hand;
	bool powder; /* run in first */
	int run_in_cycles;
	size_t n_speeds, n_currents;
	double speed_rpm[MAP_SPEEDS];   /* of the output, rising */
	double current_A[MAP_CURRENTS]; /* rising, all above 0 */
	double max_A, rated_Nm;         /* largest current, and about what torque it makes */
	double window_s, timeout_s, dwell_s;
	double torque_slope_Nm_per_s, speed_slope_rpm_per_s;
	double slew_A_per_s, speed_slew_rpm_per_s;
	double lag_low_A, lag_high_A,
		lag_s;               /* currents of the lag steps (within what was mapped), time recorded of each */
	double most_Nm, most_slip_W; /* never foreseen to pass these */
	/* What the supply is forecast to carry: torque times the sum of speed and this loss speed, since the losses of
	 * a torque do not shrink with the speed. INFINITY = no limit known. */
	double most_supply_W, supply_loss_rpm;
	double energy_J,
		continuous_W; /* heat above the continuous rating that may pile up; INFINITY = no limit known */
	double hand_rpm_frac; /* by hand: how near to the wanted speed is near enough, 0.25 */
};

/* One finished mean. */
struct map_reading {
	enum brakemap_branch branch;
	size_t speed, current; /* indices; current = SIZE_MAX for zero current */
	double current_A, torque_Nm, slip_rpm, set_A;
	double u_torque_Nm; /* of the mean, noise only */
	double sd_torque_Nm, brake_degC, ambient_degC, case_degC;
	bool settled;
	struct mono begin, end;
};

struct map_lag {
	double t_s[MAP_LAG_SAMPLES], torque_Nm[MAP_LAG_SAMPLES];
	size_t n;
};

enum map_phase {
	MAP_START,
	MAP_SPIN,
	MAP_DRAG,
	MAP_RUN_IN,
	MAP_TAKE,
	MAP_LAG_HOLD,
	MAP_LAG_RECORD,
	MAP_RAMP_DOWN,
	MAP_COAST,
	MAP_END
};

struct seq_map {
	struct map_config config;
	enum map_phase phase;
	struct mono phase_at, began, last_now;
	bool started, dwelling, settled;
	bool there;    /* taking the drag: the wanted speed has been reached */
	bool announce; /* a new set-point is to be told on the next tick that has no other event */
	struct mono step_at, dwell_at;
	size_t speed, current; /* where we are */
	bool falling;
	size_t top;           /* number of currents within the limits at this speed */
	bool cut[MAP_SPEEDS]; /* the highest current at that speed is cut to what a limit allows */
	double cut_A[MAP_SPEEDS];
	double brake_A, speed_set_rpm; /* what goes out */
	int cycle;
	bool cycle_up;
	size_t lag_step;
	double slow_s; /* for how long the shaft has been far too slow */
	double energy_J;
	double last_torque_Nm, last_A; /* latest finished rising mean, for the foresight */
	struct steady steady;
	struct stats_run torque, amps, speed_mean;
	uint32_t last_conversion;
	/* results */
	struct map_reading reading[MAP_READINGS];
	size_t n_readings;
	struct map_lag lag[MAP_LAG_STEPS];
	size_t n_left_out;
	char left_out[120];     /* why currents were left out, "" = none were */
	size_t acts, acts_done; /* for the progress */
};

/* config is copied. RC-less: a config that makes no sense (no speeds, no currents, too many) returns false. */
bool seq_map_begin(struct seq_map *m, const struct map_config *config);
void seq_map_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
