/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plans/NAME.ini */
#ifndef BRIDLE_PROFILE_PLAN_PROFILE_H
#define BRIDLE_PROFILE_PLAN_PROFILE_H

#include "profile/sizes.h"

#include <stdbool.h>
#include <stddef.h>

enum plan_load { LOAD_TORQUE, LOAD_CURRENT };
enum plan_drive { PLAN_SPEED, PLAN_DRIVE_CURRENT, PLAN_HAND };

/* [endurance]: cycles of all steps at all speeds, unattended. A rule's limit of 0: no such rule. */
struct plan_endurance {
	int cycles;        /* 0: the plan has no such section */
	double duration_s; /* 0: as long as the cycles take */
	double hold_s, no_load_s, pause_s;
	int keep, zero, reference; /* cycles: samples kept in full, between zeros, that drift counts from */
	double current_drift, speed_droop, temperature_rise_K, case_degC, tell_at;
	int play;              /* cycles between two loops of the gear at the locked brake; 0: none */
	double play_torque_Nm; /* 0: the plan's heaviest load */
	double play_drift_arcmin;
};

struct plan_profile {
	char actuator[PROFILE_WORD]; /* [plan] actuator */
	enum plan_load load;         /* [plan] load = torque | current */
	enum plan_drive drive;       /* [plan] drive = speed | current | hand */
	/* [plan] speed, output: one or several, as written; negative: backward. None stated: one that is 0, until
	 * plan_take_speed has put the actuator's own in. 0 as well with another drive. */
	size_t n_speeds;
	double speed_rpm[PROFILE_SPEEDS];
	double drive_A; /* [plan] current */
	size_t n;       /* [steps] torque = 0, 5, 10 ... N.m   or   current = 0, 0.2 ... A, or from/to/step */
	double step[PROFILE_STEPS];    /* N·m or A, rising */
	bool serve_claims;             /* [steps] claims = yes: plan_serve_claims has to put its steps in */
	bool for_claim[PROFILE_STEPS]; /* step[i] was put in for a claim */
	bool down;                     /* [steps] down = yes: and back */
	bool repeat_first;             /* [steps] repeat_first = yes */
	bool speed_inside;             /* [steps] inner = torque | speed: what changes from step to step */
	bool find_limit;               /* [steps] find_limit: drive = speed, order = rising */
	bool shuffle;
	unsigned seed;     /* [steps] order = rising | shuffled, seed */
	double dwell_s;    /* [steady] dwell; with a target the shortest and the pilot: window or longest / 20 */
	double until_frac; /* [steady] dwell = until 0.2 %: share of the reading; 0: dwell_s is the time */
	double longest_s;  /* [steady] longest */
	double window_s;   /* [steady] window: of the settle test */
	double timeout_s;  /* [steady] timeout */
	double torque_slope_Nm_per_s, speed_slope_rpm_per_s, temp_slope_K_per_min; /* [steady] limits */
	double cool_s;                                                             /* [steady] rest between steps, 0 */
	double confidence;                                                         /* [verdict] confidence, 0.95 */
	struct plan_endurance endurance;
};

/* The largest of the speeds without its sign, rpm; 0 where there is none. */
double plan_top_rpm(const struct plan_profile *plan);

#endif
