/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a sweep is set up with and what it knows while it runs (seq_sweep.h). */
#ifndef BRIDLE_RUN_SWEEP_STATE_H
#define BRIDLE_RUN_SWEEP_STATE_H

#include "profile/plan_profile.h"
#include "run/dwell_until.h"
#include "run/limit_search.h"
#include "run/torque_control.h"
#include "run/sequence.h"
#include "run/steady.h"

#define SWEEP_ITEMS (2 * PROFILE_STEPS + 2 + 2 * LIMIT_SEARCH_TRIES * PROFILE_SPEEDS)
#define SWEEP_WAYS 2

struct sweep_item {
	int step;      /* of the plan */
	int direction; /* +1 rising, -1 falling, 0 shuffled or repeat */
	double set;    /* N·m or A, never negative */
	double rpm;    /* of the output, negative: backward; 0 with another drive than PLAN_SPEED */
	bool repeat;   /* of the first point */
	bool done;     /* taken by the run that this one resumes, or left out */
	bool search;   /* of the search for the limit: step is the plan's number of loads and more */
	bool is_limit; /* if it holds, it is the limit; of a plan's item: the limit at its speed is known already */
};

struct sweep_search_config {
	size_t n; /* of speeds; 0: the limit is not looked for */
	struct {
		double rpm, ceiling;     /* N·m or A as the steps */
		const char *ceiling_why; /* static */
	} at[PROFILE_SPEEDS];
	double step, fine; /* limit_search.h */
	int first_step;    /* number of the first try: the plan's number of loads */
	bool down;
	double supply_A;             /* no try that needs more; 0 or NaN: not watched */
	double hot_degC[TEMP_COUNT]; /* no try at more; NaN or INFINITY: not watched */
};

struct sweep_config {
	struct sweep_search_config search;
	struct dwell_until until; /* frac 0: dwell_s holds for each step */
	enum plan_load load;
	enum plan_drive drive;
	double top_rpm; /* the largest of the items' speeds; by hand what a person is asked for */
	double drive_A;
	double dwell_s, window_s, timeout_s,
		cool_s; /* dwell: to the end of its last turn, when that comes within half of it */
	double torque_slope_Nm_per_s, speed_slope_rpm_per_s, temp_slope_K_per_s;
	double min_slip_rpm;
	double speed_slew_rpm_per_s, drive_slew_A_per_s;
	double reach_frac, reach_Nm; /* a torque set-point within the larger of these counts as reached */
	unsigned flags;              /* POINT_FORCED or 0: put on every point */
	struct torque_control_config control;
};

enum sweep_phase {
	SWEEP_START,
	SWEEP_SPIN,
	SWEEP_CHANGE, /* of the speed */
	SWEEP_LOAD,
	SWEEP_DWELL,
	SWEEP_REST,
	SWEEP_EASE,
	SWEEP_UNLOAD,
	SWEEP_COAST,
	SWEEP_END
};

struct seq_sweep {
	struct sweep_config config;
	struct sweep_item item[SWEEP_ITEMS];
	size_t n, at;
	enum sweep_phase phase;
	struct mono phase_at, began, last_now, step_at;
	bool started;
	bool driven;     /* current mode: the drive has been let in */
	double approach; /* where to come from before a step that does not follow its neighbour; NaN none */
	double set;      /* what the brake is asked for now, N·m or A */
	int way;         /* of all items; what follows is seen along it */
	double want_rpm; /* of the item */
	double brake_A, speed_set_rpm, drive_set_A;
	struct torque_control control;
	struct steady steady;
	struct sweep_search { /* as config.search.at */
		struct limit_search limit;
		double lightest; /* load; NaN: none yet */
		bool slow;       /* at it */
		double held_A;   /* supply's current at the heaviest that held; NaN */
		bool told;
	} search[PROFILE_SPEEDS];
	char found_text[200];         /* a search that ended: told when no other event is */
	double temp_degC[TEMP_COUNT]; /* the latest */
	bool temp_seen[TEMP_COUNT];   /* had a value at some time */
	bool settled, reached;
	bool announce; /* a new step is to be told on the next tick that has no other event */
	double settle_s;
	double dwell_s; /* of this point */
	bool pilot;     /* until the pilot has told how long */
	struct dwell_record record;
	double phase_angle_rev; /* of the shaft when the dwell began */
	double top_speed_rpm;   /* fastest of late, for the collapse */
	double collapse_for_s;
	/* means of the dwell, for the live line */
	struct stats_run torque, speed, ampere;
	double live_torque_Nm; /* lightly filtered */
	uint32_t last_conversion;
	/* results */
	size_t points, left_out;
	/* Lightest load that the actuator could not carry, at each speed where there was one. */
	struct sweep_failure {
		double set, rpm;
	} failed[PROFILE_SPEEDS];
	size_t n_failed;
	int highest_step; /* last step that was reached on the way up, -1 none */
	bool collapsed;
	char why_left_out[120]; /* "" = nothing was */
};

#endif
