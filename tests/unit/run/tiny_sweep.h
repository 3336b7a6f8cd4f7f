/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A sweep on the tiny rig: its brake's map and the usual figures. For tests of the sweep only; after cmocka.h. */
#ifndef BRIDLE_TESTS_TINY_SWEEP_H
#define BRIDLE_TESTS_TINY_SWEEP_H

#include "run/seq_sweep.h"

#include "tests/unit/run/tiny_rig.h"

#include <math.h>

static struct brakemap map;
static struct seq_sweep sweep;

/* The map of the tiny brake, 0.5 + 40 I, 0.6 N·m more falling; for cmocka's setup. */
static inline int make_map(void **state)
{
	struct brakemap_reading r[22];
	size_t n = 0;

	(void)state;
	for (int i = 0; i <= 10; i++)
		for (int b = 0; b < 2; b++)
			r[n++] = (struct brakemap_reading){ .current_A = i / 10.0,
							    .torque_Nm = 0.5 + 4 * i + b * (i < 10 ? 0.6 : 0),
							    .u_torque_Nm = 0.01,
							    .slip_rpm = 60,
							    .branch = b ? BRAKEMAP_FALLING : BRAKEMAP_RISING };
	if (brakemap_fit(r, n, &map, NULL) != RC_OK)
		return 1;
	map.lag_s = 0.1;
	return 0;
}

/* Torque steps at 60 rpm. */
static inline struct sweep_config tiny_sweep_config(void)
{
	return (struct sweep_config){ .load = LOAD_TORQUE,
				      .drive = PLAN_SPEED,
				      .top_rpm = 60,
				      .dwell_s = 2,
				      .window_s = 1,
				      .timeout_s = 12,
				      .torque_slope_Nm_per_s = 0.1,
				      .speed_slope_rpm_per_s = 0.5,
				      .temp_slope_K_per_s = INFINITY,
				      .min_slip_rpm = 3,
				      .speed_slew_rpm_per_s = 30,
				      .drive_slew_A_per_s = 2,
				      .reach_frac = 0.02,
				      .reach_Nm = 0.2,
				      .control = { .map = &map,
						   .max_A = 1,
						   .rated_Nm = 40,
						   .lag_s = NAN,
						   .ramp_Nm_per_s = 8,
						   .slew_A_per_s = 1 } };
}

#endif
