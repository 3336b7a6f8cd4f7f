/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a plan will ask of the rig, step by step, before anything turns: brake heat, input power against the supply,
 * torque on cell, lever and coupling, brake current, time; and the number that decides.
 *
 * P_slip = T w. P_in = T (w + w_loss) + P_0 at the actuator's terminals, with w_loss = w_own (1/eta - 1): eta is the
 * efficiency expected at the actuator's own speed, and what a torque loses there it loses when it turns slower, too,
 * since the losses of the windings go with the torque and not with the speed (textbook: I^2 R). At higher speeds w_loss
 * grows with w. The supply of voltage V behind a cable of resistance R then carries I with (V - I R) I = P_in, so I =
 * (V - sqrt(V^2 - 4 R P_in)) / (2 R), and the actuator sees V - I R. A root of a negative number means that the cable
 * cannot carry that power at any current.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_FORECAST_H
#define BRIDLE_RUN_FORECAST_H

#include "calib/brake/brakemap.h"
#include "profile/actuator_profile.h"
#include "profile/plan_profile.h"
#include "profile/rig_profile.h"

#include <stdbool.h>
#include <stddef.h>

enum forecast_check {
	FORECAST_TORQUE, /* against [limits] torque of rig and actuator, the smaller */
	FORECAST_COUPLING,
	FORECAST_CELL,       /* against the cell's full scale */
	FORECAST_CALIBRATED, /* against the largest calibrated torque: beyond is extrapolation; warns, does not refuse
			      */
	FORECAST_SPEED,
	FORECAST_BRAKE_TORQUE, /* against the map's largest torque (rated when there is no map) */
	FORECAST_BRAKE_CURRENT,
	FORECAST_SLIP_POWER,  /* against the short-time rating */
	FORECAST_SLIP_ENERGY, /* heat above the continuous rating, running total with leak, against the energy allowed
			       */
	FORECAST_SUPPLY_CURRENT,
	FORECAST_SUPPLY_VOLTAGE, /* sagged voltage against the drive's drop-out: value is V_min / V */
	FORECAST_DRIVE_CURRENT,
	FORECAST_CHECKS
};
/* Its word and its unit. */
const char *forecast_check_word(enum forecast_check check); /* "supply_current" */
const char *forecast_check_unit(enum forecast_check check);
bool forecast_check_refuses(enum forecast_check check); /* false: a warning only */

/* w_loss as a speed, rpm, at the output's speed rpm: for P_in = T (w + w_loss) + P_0. The own speed is [drive] speed,
 * else the no-load speed claimed, else rpm. */
double forecast_loss_rpm(const struct actuator_profile *actuator, double rpm);

struct forecast_input {
	const struct rig_profile *rig; /* all borrowed */
	const struct actuator_profile *actuator;
	const struct plan_profile *plan;
	const struct brakemap *map; /* NULL when there is none */
	double calibrated_Nm;       /* largest calibrated torque; NaN when unknown */
	/* Expected, as forecast.step; NULL: the plan's dwell_s. A search has that of the plan's heaviest load. */
	const double *dwell_s;
};

struct forecast_value {
	double value, limit;
}; /* limit NaN: not checked (nothing known) */

struct forecast_step {
	size_t load;    /* of the plan's steps */
	double set;     /* N·m or A as in the plan */
	double set_rpm; /* commanded, negative: backward; 0 with another drive than PLAN_SPEED */
	/* torque and speed along the way of turning, never negative */
	double torque_Nm, brake_A, speed_rpm, slip_power_W, energy_J, input_W, supply_A, actuator_V;
	double dwell_s;             /* expected */
	double time_s, time_most_s; /* with the expected settling; with every time-out used up */
	struct forecast_value check[FORECAST_CHECKS];
	enum forecast_check decides; /* the one nearest to its limit, or furthest beyond */
	double load_frac;            /* its value / limit */
	bool extrapolated;           /* torque or brake current lies beyond what was mapped */
	bool for_claim;              /* put in by the plan's claims = yes */
	bool ok;                     /* nothing that refuses is beyond its limit */
};

/* Where [steps] find_limit = yes: so far the search may go at a speed, and what it needs. */
struct forecast_search {
	double set_rpm,
		ceiling; /* N·m or A as the plan's steps; not above what the plan's heaviest load is when nothing
				     more is allowed */
	char why[80];    /* what allows no more: "90 % of the limit of brake torque" */
	double time_s;   /* with FORECAST_TRIES */
	double energy_J; /* with all LIMIT_SEARCH_TRIES at the ceiling: so hot the brake will be at most */
	struct forecast_step top; /* at the ceiling */
};
#define FORECAST_TRIES 4 /* that a search usually takes, for the time alone */

/* A point of the sweep, in its order; those of a search for the limit are not among them. */
struct forecast_point {
	size_t step;   /* index into forecast.step */
	int direction; /* as of struct sweep_item */
	bool repeat;
	double at_s; /* middle of its dwell after the sweep's begin */
};
#define FORECAST_POINTS (2 * PROFILE_STEPS + 2)

struct forecast {
	size_t n_points;
	struct forecast_point point[FORECAST_POINTS];
	size_t n_search; /* 0, or as speeds */
	struct forecast_search search[PROFILE_SPEEDS];
	size_t n; /* all loads at the first speed, then at the next: step[k * loads + i] */
	size_t loads, speeds;
	struct forecast_step step[PROFILE_STEPS];
	size_t n_ok;                    /* sum of allowed */
	size_t allowed[PROFILE_SPEEDS]; /* leading loads that are fine at each speed: the shortened plan */
	bool ok;                        /* all are */
	size_t deciding_step;           /* first step that fails, or the one nearest to a limit */
	enum forecast_check decides;
	double time_s, time_most_s, energy_J; /* whole sweep in its order, with its repeats and changes of the speed */
	bool warns;                           /* some check that only warns is beyond */
	enum forecast_check warning;
	size_t warning_step;
};

/* The plan as its reader leaves it: at most PROFILE_STEPS loads times speeds. ret may be large: let it be static or
 * allocated by the caller. */
void forecast_plan(const struct forecast_input *in, struct forecast *ret);

/* The widest gap between two loads of the plan, from which the search for the limit begins: N·m or A. */
double forecast_search_step(const struct plan_profile *plan);

/* The speed a person is asked to turn the shaft at: well above the brake's least slip, and no strain. */
double forecast_hand_rpm(const struct rig_profile *rig);

/* The current that the supply gives for an input power at the actuator. */
double forecast_supply_A(double input_W, double supply_V, double cable_ohm); /* NaN: cannot be carried */

/* "step 9 (40 N.m): supply current 14.2 A, limit 8 A: ..." Also says when all is fine. */
void forecast_sentence(const struct forecast *f, const struct plan_profile *plan, char *buf, size_t size);
/* The same of what only warns; f->warns. */
void forecast_warning_sentence(const struct forecast *f, const struct plan_profile *plan, char *buf, size_t size);

#endif
