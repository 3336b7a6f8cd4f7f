/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/guard_private.h"

#include "calib/number/units.h"
#include "guard/oscillation.h"
#include "guard/slope.h"

#include <math.h>
#include <string.h>

/* Common practice, no source, all of them. */
#define START_S 1.5      /* a node may take this long to say everything for the first time */
#define SUPPLY_LOW_S 0.5 /* longer than a drive takes to drop out: that cause tells more */
#define SUPPLY_HIGH_S 0.05
#define WRONG_WAY_S 0.25      /* play and a bounce at the start are shorter */
#define TURN_ROUND_S 2.0      /* a shaft that is told to turn round and slows down may take so long */
#define WRONG_SIGN_S 0.1      /* a blow to the lever is shorter */
#define WRONG_SIGN_READINGS 3 /* and a shaft that is let go springs back for one or two of a slow cell */
#define SLOPE_STEP_FRAC 0.1   /* of the largest brake current, in a second */
#define SLOPE_FALL_TIMES 2.0  /* of what a torque may read the wrong way */
#define SLOPE_LEAST_TIMES 5.0 /* the standstill speed */
#define TEMP_GONE_S 2.0       /* ten slow samples */
#define POWER_SHORT_S 0.1     /* mean of the short slip power: noise and a gear's ripple are no heat */
#define NO_PULSE_S 1.0        /* a slow pick-up's first pulses come sooner */
#define SLIP_S 2.0       /* a shaft that speeds up for so long is ahead of the drive's word by less than SLIP_FRAC */
#define SLIP_FRAC 0.2    /* of the larger of both speeds; half of it: pulses are missing, and NO_PULSE_S is enough */
#define WORD_S 0.5       /* the drive's word of its rotor is not compared with the pick-up when it is older */
#define LET_GO_FRAC 0.6  /* of the brake's current: one that falls below it within a tick is let go */
#define REASON_S 0.4     /* a node that goes safe says so at once and why with its next slow sample */
#define SLEPT_S 0.5      /* no suspend is shorter; two clocks are never read at the very same time */
#define ROTOR_TURNS 10.0 /* times the standstill speed: well beyond what a slow sample that is old may say */
#define RATIO_UNKNOWN 100.0
#define FAULTS (DRIVE_FAULT | DRIVE_OVERSPEED | DRIVE_UNHEARD)
#define FROZEN_CHANCE \
	1e-12 /* of a row of equal conversions by noise: at 80 a second one false alarm in some 400 years */

static bool is_safe_state(enum node_state state)
{
	return state == NODE_STOPPING || state == NODE_SAFE;
}

bool watch_node_is_safe(const struct snapshot *snap)
{
	return is_safe_state(snap->node_state);
}

bool watch_pick_contradicted(const struct guard_limits *limits, const struct snapshot *snap)
{
	double ratio = limits->gear_ratio > 0 ? fmax(1, limits->gear_ratio) : RATIO_UNKNOWN;

	return limits->expect_pick && fabs(snap->speed_rpm) < limits->standstill_rpm &&
	       fabs(snap->drive_rotor_rpm) > ROTOR_TURNS * limits->standstill_rpm * ratio;
}

bool watch_is_active(const struct guard_limits *limits, const struct snapshot *snap)
{
	double ratio = limits->gear_ratio > 0 ? fmax(1, limits->gear_ratio) : RATIO_UNKNOWN;
	bool turns = fabs(snap->drive_rotor_rpm) > ROTOR_TURNS * limits->standstill_rpm * ratio;
	bool enabled = !(snap->drive_flags & DRIVE_UNHEARD) && (snap->drive_flags & DRIVE_ENABLED);

	return turns || enabled || snap->node_state == NODE_LIVE;
}

double watch_rotor_differs_frac(const struct guard_limits *limits, const struct snapshot *snap)
{
	double rotor_rpm = snap->drive_rotor_rpm / limits->gear_ratio;
	double speed_rpm = limits->pick_no_direction ? copysign(snap->speed_rpm, rotor_rpm) : snap->speed_rpm;

	return limits->gear_ratio > 0 ? fabs(speed_rpm - rotor_rpm) / fmax(fabs(speed_rpm), fabs(rotor_rpm)) : NAN;
}

/* The same of a word that is young and a shaft that turns fast enough; 0 where that cannot be told. */
static double pick_differs_frac(const struct guard_limits *limits, const struct snapshot *snap)
{
	double most_rpm = fmax(fabs(snap->speed_rpm), fabs(snap->drive_rotor_rpm) / limits->gear_ratio);
	bool told = limits->expect_pick && snap->channel[CHANNEL_DRIVE].age_s <= WORD_S;
	double differs_frac = watch_rotor_differs_frac(limits, snap);

	return told && most_rpm > ROTOR_TURNS * limits->standstill_rpm && isfinite(differs_frac) ? differs_frac : 0;
}

/* A temperature from an instrument of its own, whose silence says nothing of lines and drive. */
static bool is_logger(const struct snapshot *snap, int channel)
{
	return channel >= CHANNEL_TEMP && snap->channel[channel].instrument != snap->channel[CHANNEL_STATE].instrument;
}

/* Of what slow samples tell, or -1: the node's state always, the others once they were told. all: loggers too. */
static int oldest_slow(const struct guard_limits *limits, const struct snapshot *snap, bool all)
{
	static const uint8_t slow[] = { CHANNEL_STATE,
					CHANNEL_DRIVE,
					CHANNEL_ESTOP,
					CHANNEL_CAGE,
					CHANNEL_CONTACTOR,
					CHANNEL_TEMP + (int)TEMP_BRAKE,
					CHANNEL_TEMP + (int)TEMP_CASE,
					CHANNEL_TEMP + (int)TEMP_WINDING,
					CHANNEL_TEMP + (int)TEMP_AMBIENT,
					CHANNEL_TEMP + (int)TEMP_CELL };

	for (size_t i = 0; i < sizeof slow; i++)
		if (!(snap->channel[slow[i]].age_s <= limits->stale_s[slow[i]]) && (i == 0 || is_told(snap, slow[i])) &&
		    (all || !is_logger(snap, slow[i])))
			return slow[i];
	return -1;
}

bool watch_slow_fresh(const struct guard_limits *limits, const struct snapshot *snap)
{
	return oldest_slow(limits, snap, false) < 0;
}

static bool lines_told(const struct guard_limits *limits, const struct snapshot *snap)
{
	return (!(limits->expect_lines & LINE_ESTOP) || is_told(snap, CHANNEL_ESTOP)) &&
	       (!(limits->expect_lines & LINE_CAGE) || is_told(snap, CHANNEL_CAGE)) &&
	       (!(limits->expect_lines & LINE_CONTACTOR) || is_told(snap, CHANNEL_CONTACTOR));
}

bool watch_power_ready(const struct guard_limits *limits, const struct snapshot *snap)
{
	if (snap->sample_total == 0 || snap->node_state == NODE_UNKNOWN || is_safe_state(snap->node_state))
		return false;
	return oldest_slow(limits, snap, true) < 0 && lines_told(limits, snap) &&
	       snap->warden_age_s <= limits->warden_s;
}

bool watch_load_ready(const struct guard_limits *limits, const struct snapshot *snap)
{
	if (!watch_power_ready(limits, snap))
		return false;
	if (limits->expect_cell && (snap->channel[CHANNEL_CELL].fresh == 0 || !isfinite(snap->torque_Nm)))
		return false;
	if (limits->expect_meter && !isfinite(snap->voltage_V))
		return false;
	if (!(limits->travel_deg <= 0) && !isfinite(snap->angle_rev))
		return false;
	return !limits->expect_pick || isfinite(snap->speed_rpm);
}

/* A value that must stay within +-limit; unknown counts as beyond when it is expected. */
static bool is_beyond(double value, double limit, bool expected)
{
	if (isnan(value) && !expected)
		return false;
	return !(fabs(value) <= limit);
}

static bool held_for(double *time_s, bool bad, double dt_s, double allowed_s)
{
	*time_s = bad ? *time_s + dt_s : 0;
	return bad && !(*time_s <= allowed_s);
}

static bool says(const struct snapshot *snap, const char *reason)
{
	return is_safe_state(snap->node_state) && strncmp(snap->node_reason, reason, sizeof snap->node_reason) == 0;
}

static bool is_bad(const struct look *k, unsigned line, enum channel_id channel, bool good)
{
	return k->limits->expect_lines & line && is_told(k->snap, channel) && !good;
}

typedef bool watch_fn(struct guard *g, const struct look *k, struct finding *f);

static bool estop(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	(void)f;
	return (k->live && is_bad(k, LINE_ESTOP, CHANNEL_ESTOP, k->snap->estop_ok)) ||
	       (k->armed && says(k->snap, "estop"));
}

static bool guard_open(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	(void)f;
	return (k->live && is_bad(k, LINE_CAGE, CHANNEL_CAGE, k->snap->cage_closed)) ||
	       (k->armed && says(k->snap, "guard"));
}

static bool node_reset(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	(void)f;
	return k->snap->node_reset;
}

static bool node_silent(struct guard *g, const struct look *k, struct finding *f)
{
	f->value = k->snap->sample_age_s;
	f->limit = k->limits->silent_s;
	if (k->snap->node_lost)
		return true;
	if (k->snap->sample_total == 0)
		return g->run_s > START_S;
	if (k->armed && (k->snap->node_state == NODE_UNKNOWN || !lines_told(k->limits, k->snap)))
		return true;
	return !(k->snap->sample_age_s <= k->limits->silent_s);
}

/* Once there: whoever stands at the rig relies on them even when nothing is energised. */
static bool slow_stale(struct guard *g, const struct look *k, struct finding *f)
{
	int channel = oldest_slow(k->limits, k->snap, true);

	(void)g;
	if (channel < 0)
		return false;
	f->value = k->snap->channel[channel].age_s;
	f->limit = k->limits->stale_s[channel];
	f->channel = channel;
	return k->armed || is_told(k->snap, CHANNEL_STATE);
}

/* What is told by an instrument that is not the node: its own silence stops the run. Before its first reading the load
 * waits. */
static bool instrument_silent(struct guard *g, const struct look *k, struct finding *f)
{
	static const uint8_t watched[] = { CHANNEL_TURN, CHANNEL_BRAKE, CHANNEL_VOLTAGE, CHANNEL_CURRENT };

	(void)g;
	for (size_t i = 0; i < sizeof watched; i++) {
		const struct channel *c = &k->snap->channel[watched[i]];
		bool expected = watched[i] == CHANNEL_TURN    ? k->limits->expect_pick
				: watched[i] == CHANNEL_BRAKE ? k->limits->expect_brake
							      : k->limits->expect_meter;

		f->value = c->age_s;
		f->limit = k->limits->stale_s[watched[i]];
		f->channel = watched[i];
		if (expected && !(c->age_s <= f->limit) && (is_told(k->snap, watched[i]) ? k->armed : k->loaded))
			return true;
	}
	return false;
}

/* Once something is energised, or is about to be: what nothing would end must not be on. */
static bool warden(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	f->value = k->snap->warden_age_s;
	f->limit = k->limits->warden_s;
	return k->armed && !(f->value <= f->limit);
}

static bool not_at_rest(struct guard *g, const struct look *k, struct finding *f)
{
	(void)f;
	return held_for(&g->unrest_s, k->limits->at_rest && watch_is_active(k->limits, k->snap), k->dt_s,
			k->limits->contactor_s);
}

static bool overspeed(struct guard *g, const struct look *k, struct finding *f)
{
	bool too_fast = modes_too_fast(g, k);

	f->value = k->snap->speed_rpm;
	f->limit = k->limits->speed_rpm;
	if (k->armed && is_beyond(f->value, f->limit, k->limits->expect_pick && k->loaded))
		return true;
	f->limit = modes_speed_rpm(k->limits, &g->last);
	return too_fast;
}

static bool travel(struct guard *g, const struct look *k, struct finding *f)
{
	f->value = modes_turned_deg(g, k->snap);
	f->limit = k->limits->travel_deg;
	return modes_too_far(g, k);
}

static bool pickup(struct guard *g, const struct look *k, struct finding *f)
{
	double differs_frac = k->armed && k->driven ? pick_differs_frac(k->limits, k->snap) : 0;
	bool contradicted = k->armed && k->driven && watch_pick_contradicted(k->limits, k->snap);
	bool missing = held_for(&g->no_pulse_s, contradicted || differs_frac > 0.5, k->dt_s, NO_PULSE_S);
	bool slips = held_for(&g->slip_s, differs_frac > SLIP_FRAC, k->dt_s, SLIP_S);

	f->value = k->snap->drive_rotor_rpm;
	return missing || slips;
}

static bool cell_saturated(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	f->value = k->snap->cell_count;
	return k->armed && k->limits->expect_cell && k->snap->channel[CHANNEL_CELL].quality == QUALITY_SATURATED;
}

static bool cell_stale(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	f->value = k->snap->channel[CHANNEL_CELL].age_s;
	f->limit = k->limits->stale_s[CHANNEL_CELL];
	if (!k->armed || !k->limits->expect_cell)
		return false;
	if (k->snap->channel[CHANNEL_CELL].fresh == 0)
		return k->loaded;
	return !(f->value <= f->limit);
}

static bool overtorque(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	f->value = k->snap->torque_Nm;
	f->limit = k->limits->torque_Nm;
	return k->armed && is_beyond(f->value, f->limit, k->limits->expect_cell && k->loaded);
}

/* A row of n equal conversions has n - 1 equal neighbours. By noise of a few counts and more neighbours are equal once
 * in some hundred; unknown: a half. */
static bool is_no_chance(const struct snapshot *snap)
{
	double chance = snap->cell_equal_chance > 0 && snap->cell_equal_chance < 1 ? snap->cell_equal_chance : 0.5;

	return !(((double)snap->cell_same - 1) * log(chance) > log(FROZEN_CHANCE));
}

static bool cell_frozen(struct guard *g, const struct look *k, struct finding *f)
{
	bool loaded = !(k->snap->brake_A <= WATCH_LOADED_FRAC * k->limits->brake_A) && g->last.brake_A > 0;
	bool turning = !(fabs(k->snap->speed_rpm) < k->limits->standstill_rpm);

	f->value = k->snap->cell_same_s;
	f->limit = k->limits->cell_frozen_s;
	return k->armed && k->limits->expect_cell && !(k->limits->cell_frozen_s <= 0) && (loaded || turning) &&
	       !(k->snap->cell_same_s < k->limits->cell_frozen_s) && is_no_chance(k->snap);
}

/* Until the reason is known the name waits; nothing else does (see guard.c). */
static bool node_safe(struct guard *g, const struct look *k, struct finding *f)
{
	bool safe = k->armed && is_safe_state(k->snap->node_state);
	bool unexplained = k->snap->node_reason[0] == '\0' || says(k->snap, "none");

	(void)f;
	return held_for(&g->safe_s, safe, k->dt_s, unexplained ? REASON_S : 0);
}

static bool contactor(struct guard *g, const struct look *k, struct finding *f)
{
	bool known = k->limits->expect_lines & LINE_CONTACTOR && is_told(k->snap, CHANNEL_CONTACTOR);
	bool bad = known && k->snap->contactor_closed != g->last.power;
	bool for_long = held_for(&g->contactor_bad_s, bad, k->dt_s, k->limits->contactor_s);

	f->value = g->contactor_bad_s;
	f->limit = k->limits->contactor_s;
	return for_long || (k->armed && says(k->snap, "contactor"));
}

/* The supply's side is judged once the contactor has had its time to close and the drive to come up. */
static bool is_powered(struct guard *g, const struct look *k)
{
	bool closed = !(k->limits->expect_lines & LINE_CONTACTOR) || k->snap->contactor_closed;

	g->powered_s = g->last.power && closed ? g->powered_s + k->dt_s : 0;
	return g->powered_s > 0 && !(g->powered_s <= k->limits->contactor_s);
}

/* Seen with voltage enough since it has power. A drive that says low ever since has a fault from when its power was
 * taken away: no supply sagged. */
static bool was_up(struct guard *g, const struct look *k)
{
	bool up = !(k->snap->drive_flags & (DRIVE_UNDERVOLTAGE | DRIVE_UNHEARD));

	g->drive_was_up = is_powered(g, k) && (g->drive_was_up || up);
	return g->drive_was_up;
}

static bool drive_dropout(struct guard *g, const struct look *k, struct finding *f)
{
	bool up = was_up(g, k);

	f->value = k->snap->voltage_V; /* its limit is the drive's own */
	return up && k->driven && (k->snap->drive_flags & DRIVE_UNDERVOLTAGE);
}

static bool drive_fault(struct guard *g, const struct look *k, struct finding *f)
{
	unsigned faults = FAULTS | (k->driven && !g->drive_was_up ? DRIVE_UNDERVOLTAGE : 0);

	(void)f;
	return g->powered_s > 0 && !(g->powered_s <= k->limits->contactor_s) && (k->snap->drive_flags & faults);
}

static bool supply_range(struct guard *g, const struct look *k, struct finding *f)
{
	double volts = k->snap->voltage_V;
	bool judged = g->powered_s > 0 && !(g->powered_s <= k->limits->contactor_s) &&
		      (k->limits->expect_meter || !isnan(volts));
	bool low = held_for(&g->low_s, judged && !(volts >= k->limits->voltage_min_V), k->dt_s, SUPPLY_LOW_S);
	bool high = held_for(&g->high_s, judged && !(volts <= k->limits->voltage_max_V), k->dt_s, SUPPLY_HIGH_S);

	f->value = volts;
	f->limit = high ? k->limits->voltage_max_V : k->limits->voltage_min_V;
	return low || high;
}

/* Whatever the coil's own lag is, its current stays between the slowest answers that are still allowed: one that has
 * yet to rise and one that has yet to fall, both with the time constant brake_follow_s. */
static bool brake_not_following(struct guard *g, const struct look *k, struct finding *f)
{
	double wish_A = g->last.brake_A, read_A = k->snap->brake_A, tolerance_A = k->limits->brake_follow_A;
	double share = 1 - exp(-k->dt_s / k->limits->brake_follow_s);

	if (!(share >= 0 && share <= 1))
		share = 1;
	g->follow_low_A += share * (wish_A - g->follow_low_A);
	g->follow_high_A += share * (wish_A - g->follow_high_A);
	g->follow_low_A = fmin(g->follow_low_A, wish_A);
	g->follow_high_A = fmax(g->follow_high_A, wish_A);

	bool low = !(read_A >= g->follow_low_A - tolerance_A), high = !(read_A <= g->follow_high_A + tolerance_A);
	bool judged = k->armed && (wish_A > 0 || !isnan(read_A));
	f->value = read_A;
	f->limit = low ? g->follow_low_A : g->follow_high_A;
	return held_for(&g->follow_bad_s, judged && (low || high), k->dt_s, k->limits->brake_follow_s);
}

/* Heat in the brake. Torque unknown and not expected: nothing can be said. */

static void next_bins(struct guard *g)
{
	for (unsigned n = 0; g->power_bin_s >= 1 && n < GUARD_POWER_BINS; n++) {
		g->power_bin = (g->power_bin + 1) % GUARD_POWER_BINS;
		g->power_bin_J[g->power_bin] = 0;
		g->power_bin_s -= 1;
	}
	if (g->power_bin_s >= 1)
		g->power_bin_s = 0;
}

static double mean_power_W(const struct guard *g)
{
	double sum_J = 0;

	for (unsigned i = 0; i < GUARD_POWER_BINS; i++)
		sum_J += g->power_bin_J[i];
	return sum_J / GUARD_POWER_BINS;
}

static bool has_energy(const struct guard_limits *limits)
{
	return limits->slip_energy_J > 0 && isfinite(limits->slip_energy_J);
}

static bool brake_power(struct guard *g, const struct look *k, struct finding *f)
{
	double slip_W = fabs(shaft_power_W(k->snap->torque_Nm, k->snap->speed_rpm));
	double share = fmin(1, k->dt_s / POWER_SHORT_S);
	double heat_s = fmin(k->dt_s, 1); /* a gap of any length is no heat: the node has gone safe in it */

	if (isnan(slip_W))
		slip_W = 0; /* where torque and speed are expected, their own watches stop the run */
	g->power_short_W += share * (slip_W - g->power_short_W);
	g->power_bin_s += k->dt_s;
	next_bins(g);
	g->power_bin_J[g->power_bin] += slip_W * heat_s;
	g->energy_J =
		guard_heat_J(g->energy_J, k->snap->torque_Nm, k->snap->speed_rpm, k->dt_s, k->limits->slip_power_W);

	f->value = g->power_short_W;
	f->limit = k->limits->slip_power_short_W;
	if (!k->armed || !(g->power_short_W <= f->limit))
		return k->armed;
	if (has_energy(k->limits))
		return false;
	f->value = mean_power_W(g);
	f->limit = k->limits->slip_power_W;
	return !(f->value <= f->limit);
}

static bool brake_energy(struct guard *g, const struct look *k, struct finding *f)
{
	f->value = g->energy_J;
	f->limit = k->limits->slip_energy_J;
	return k->armed && (has_energy(k->limits) || isnan(f->limit)) && !(f->value <= f->limit);
}

/* A place without a sensor never had a value; one that had and loses it is too hot until shown otherwise. */
static bool is_hot(struct guard *g, const struct look *k, enum temp_place place, double limit_degC, struct finding *f)
{
	double temp_degC = k->snap->temp_degC[place];
	bool gone;

	g->temp_seen[place] |= !isnan(temp_degC);
	gone = held_for(&g->temp_gone_s[place], g->temp_seen[place] && isnan(temp_degC), k->dt_s, TEMP_GONE_S);
	f->value = temp_degC;
	f->limit = limit_degC;
	return k->armed && (gone || (!isnan(temp_degC) && !(temp_degC <= limit_degC)));
}

static bool brake_hot(struct guard *g, const struct look *k, struct finding *f)
{
	return is_hot(g, k, TEMP_BRAKE, k->limits->brake_hot_degC, f);
}

static bool actuator_hot(struct guard *g, const struct look *k, struct finding *f)
{
	struct finding winding = *f;
	bool case_hot = is_hot(g, k, TEMP_CASE, k->limits->actuator_hot_degC, f);
	bool winding_hot = is_hot(g, k, TEMP_WINDING, k->limits->winding_hot_degC, &winding);

	if (winding_hot && !case_hot)
		*f = winding;
	return case_hot || winding_hot;
}

/* Which way the shaft turns, in rpm; where the pick-up cannot tell, the drive's rotor does. NaN: nobody knows. */
static double way_rpm(const struct look *k)
{
	if (!k->limits->pick_no_direction)
		return k->snap->speed_rpm;
	return k->limits->gear_ratio > 0 ? k->snap->drive_rotor_rpm / k->limits->gear_ratio : k->snap->drive_rotor_rpm;
}

static bool turns_against(const struct guard *g, const struct look *k)
{
	return way_rpm(k) * modes_sense(g, k) < -k->limits->standstill_rpm;
}

/* Where both ways are allowed, a shaft that is told to turn round goes on for a while, ever more slowly. */
static bool turns_round(struct guard *g, const struct look *k, bool against)
{
	double rpm = fabs(way_rpm(k));

	g->wrong_least_rpm = against && g->against_s > 0 ? fmin(g->wrong_least_rpm, rpm) : rpm;
	bool too_long = held_for(&g->against_s, against, k->dt_s, TURN_ROUND_S);
	return k->limits->expect_direction == 0 && !too_long && !(rpm > g->wrong_least_rpm + k->limits->standstill_rpm);
}

static bool wrong_direction(struct guard *g, const struct look *k, struct finding *f)
{
	bool against = turns_against(g, k), rounds = turns_round(g, k, against);

	f->value = way_rpm(k);
	return held_for(&g->wrong_time_s, against && !rounds, k->dt_s, WRONG_WAY_S);
}

/* For so long, and by several readings: one that stays since no other comes is no more than one. */
static bool reads_against(struct guard *g, const struct look *k, bool bad)
{
	uint32_t fresh = k->snap->channel[CHANNEL_CELL].fresh;
	bool another = fresh != g->sign_fresh;

	g->sign_fresh = fresh;
	if (!bad)
		g->sign_readings = 0;
	else if (another && g->sign_readings < WRONG_SIGN_READINGS)
		g->sign_readings++;
	return held_for(&g->sign_bad_s, bad, k->dt_s, WRONG_SIGN_S) && g->sign_readings >= WRONG_SIGN_READINGS;
}

/* Without current a pole that wears off may push; with some the brake only takes. */
static bool wrong_sign(struct guard *g, const struct look *k, struct finding *f)
{
	double rpm = way_rpm(k), along_Nm = k->snap->torque_Nm * sense_of(rpm);
	bool braked = fmin(g->last.brake_A, k->snap->brake_A) > WATCH_LOADED_FRAC * k->limits->brake_A;
	bool judged = k->armed && k->limits->expect_cell && braked && !turns_against(g, k);
	bool bad = judged && fabs(rpm) > k->limits->standstill_rpm && !isnan(along_Nm) &&
		   !(along_Nm >= -k->limits->sign_Nm);

	bool against = reads_against(g, k, bad);
	bool falls = slope_step(&g->slope, k->snap->brake_A, judged ? along_Nm : NAN, fabs(rpm), k->dt_s,
				SLOPE_STEP_FRAC * k->limits->brake_A, SLOPE_FALL_TIMES * k->limits->sign_Nm,
				SLOPE_LEAST_TIMES * k->limits->standstill_rpm);

	f->value = against ? -along_Nm : g->slope.fell_Nm;
	f->limit = against ? k->limits->sign_Nm : SLOPE_FALL_TIMES * k->limits->sign_Nm;
	return against || falls;
}

static bool stall(struct guard *g, const struct look *k, struct finding *f)
{
	bool stands = fabs(k->snap->speed_rpm) < k->limits->standstill_rpm;
	bool bad = k->armed && k->driven && stands && fabs(k->snap->torque_Nm) > k->limits->stall_torque_Nm;
	double allowed_s = modes_stand_s(g, k->limits);
	bool for_long = held_for(&g->stall_time_s, bad, k->dt_s, allowed_s);

	f->value = g->stall_time_s;
	f->limit = allowed_s;
	return for_long;
}

/* Faster than cell and pick-up can tell, behind a heavy rotor: the drive's own rotor then goes to and fro in the gear's
 * play. Its words come slowly, so each is at another place of the swing. */
static bool rotor_rattles(struct guard *g, const struct look *k)
{
	bool told = k->armed && k->driven && k->limits->osc_cycles > 0 && k->limits->expect_pick &&
		    k->limits->gear_ratio > 0;
	double rotor_rpm = told ? k->snap->drive_rotor_rpm / k->limits->gear_ratio : NAN;
	double speed_rpm = k->snap->speed_rpm;
	bool one_way = k->limits->pick_no_direction;

	if (!told)
		g->rattle = (struct guard_rattle){ .rotor_rpm = NAN, .fresh = k->snap->channel[CHANNEL_DRIVE].fresh };
	if (g->rattle.fresh == k->snap->channel[CHANNEL_DRIVE].fresh)
		return false;
	g->rattle.fresh = k->snap->channel[CHANNEL_DRIVE].fresh;
	return rattle_step(&g->rattle, one_way ? fabs(rotor_rpm) : rotor_rpm, one_way ? fabs(speed_rpm) : speed_rpm,
			   k->limits->osc_rpm);
}

/* A sequence that eases a shaft which has stalled does so in one tick; a torque loop never. */
static bool load_was_let_go(struct guard *g, const struct look *k)
{
	double before_A = g->load_A;

	g->load_A = g->last.brake_A;
	return before_A > WATCH_LOADED_FRAC * k->limits->brake_A && g->last.brake_A < LET_GO_FRAC * before_A;
}

static bool oscillation(struct guard *g, const struct look *k, struct finding *f)
{
	bool judged = k->armed && k->limits->osc_cycles > 0;
	double speed_rpm = judged ? k->snap->speed_rpm : NAN, torque_Nm = judged ? k->snap->torque_Nm : NAN;
	unsigned speed = oscillation_step(&g->osc[0], speed_rpm, k->limits->osc_rpm, k->dt_s);
	unsigned torque = oscillation_step(&g->osc[1], torque_Nm, k->limits->osc_Nm, k->dt_s);
	bool in_speed = judged && (speed >= k->limits->osc_cycles || oscillation_grows(&g->osc[0]));
	bool in_torque = judged && (torque >= k->limits->osc_cycles || oscillation_grows(&g->osc[1]));
	bool rattles = rotor_rattles(g, k);

	if (load_was_let_go(g, k))
		for (size_t i = 0; i < 2; i++)
			oscillation_let_go(&g->osc[i]);
	f->value = in_speed ? g->osc[0].largest : in_torque ? g->osc[1].largest : g->rattle.jump_rpm;
	f->limit = in_torque && !in_speed ? k->limits->osc_Nm : k->limits->osc_rpm;
	return in_speed || in_torque || rattles;
}

static bool late_tick(struct guard *g, const struct look *k, struct finding *f)
{
	double late_s = s_from_ns(k->snap->late_ns);

	g->late_run = late_s > k->limits->tick_s ? g->late_run + 1 : 0;
	f->value = late_s;
	f->limit = k->limits->late_s;
	if (!k->armed)
		return false;
	if (!(late_s <= k->limits->late_s))
		return true;
	f->limit = k->limits->tick_s;
	return k->limits->late_n > 0 && g->late_run >= k->limits->late_n;
}

static bool slept(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	f->value = s_from_ns(k->snap->slept_ns);
	return !(f->value <= SLEPT_S);
}

static bool logbook(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	(void)f;
	return k->snap->log_failed;
}

static bool operator(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	(void)f;
	return k->snap->operator_stop;
}

static bool sequence(struct guard *g, const struct look *k, struct finding *f)
{
	(void)g;
	(void)f;
	return k->snap->sequence_stop;
}

#define WATCH(NAME, word, ...) { CAUSE_##NAME, word },
static const struct {
	enum cause cause;
	watch_fn *step;
} watches[] = { CAUSES(WATCH) };

#define CHANNEL_ITS_OWN (-2) /* that of the cause's row */

struct finding watch_all(struct guard *g, const struct look *look)
{
	struct finding first = { CAUSE_NONE, NAN, NAN, CHANNEL_ITS_OWN };

	for (size_t i = 0; i < sizeof watches / sizeof watches[0]; i++) {
		struct finding f = { watches[i].cause, NAN, NAN, CHANNEL_ITS_OWN };
		if (watches[i].step(g, look, &f) && first.cause == CAUSE_NONE)
			first = f;
	}
	if (first.channel == CHANNEL_ITS_OWN)
		first.channel = cause_row(first.cause)->channel;
	return first;
}
