/* SPDX-License-Identifier: GPL-3.0-or-later */
/* actuators/NAME.ini */
#ifndef BRIDLE_PROFILE_ACTUATOR_PROFILE_H
#define BRIDLE_PROFILE_ACTUATOR_PROFILE_H

#include "channel/claimed_curve.h"
#include "profile/sizes.h"

#include <stdbool.h>

struct claim {
	bool given;
	double value;
	double speed_rpm; /* at which it is claimed, NaN when free */
};
struct actuator_profile {
	char name[PROFILE_WORD]; /* [actuator] name */
	/* [actuator] maker_type, serial, firmware, run_in; "" not stated */
	char maker_type[PROFILE_WORD], serial[PROFILE_WORD], firmware[PROFILE_WORD], run_in[PROFILE_WORD];
	double gear_ratio;                      /* [actuator] ratio: rotor turns per output turn */
	double pole_pairs, slots, teeth;        /* [actuator] pole_pairs, slots, teeth (at the output); 0: not known */
	double belt_turns;                      /* [actuator] belt: its turns per output turn; 0: none */
	double limit_torque_Nm;                 /* [limits] torque: never exceed */
	double limit_speed_rpm;                 /* [limits] speed, output */
	double limit_current_A;                 /* [limits] current, torque-producing */
	double case_hot_degC, winding_hot_degC; /* [limits] case, winding */
	double voltage_min_V;                   /* [drive] dropout: undervoltage threshold */
	double speed_mode_rpm; /* [drive] speed: speed set-point used when a plan does not give one, 0 = none */
	double k_t_Nm_per_A;   /* [drive] k_t, output side per A of torque-producing current; 0 = unknown */
	/* What the data sheet claims: each may be missing. [claims] section */
	struct claim rated_torque_Nm;  /* rated_torque = 20 N.m @ 80 rpm */
	struct claim peak_torque_Nm;   /* peak_torque = 40 N.m */
	struct claim no_load_rpm;      /* no_load_speed = 100 rpm; no speed of its own after @ */
	struct claim peak_efficiency;  /* peak_efficiency = 72 % */
	struct claim rated_power_W;    /* rated_power = 165 W */
	char curve_file[PROFILE_WORD]; /* [claims] curve = sheet.csv: beside the actuator's file; "" none */
	struct claimed_curve claimed;  /* of that file, where the profile was read from one */
	double claims_V; /* [claims] voltage: at the terminals, at which they hold; 0: the supply's of rig.ini */
	double expect_efficiency; /* [forecast] efficiency, 0.5: for the forecast before anything was measured */
	double expect_no_load_W;  /* [forecast] no_load_power, 0 */
};

#endif
