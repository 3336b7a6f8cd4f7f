/* SPDX-License-Identifier: GPL-3.0-or-later */
/* guard_step for a bounded model checker (tests/prove/prove.py): one step from any guard, any snapshot and any wish, by
 * the rules of tests/explore/rules.c. What `kept` asks of the guard before the step is asserted of it after the step,
 * and a fresh guard has it: so what holds for one step holds for every step of every run.
 *
 * Any value means any bit pattern, numbers that are none among them; limits are those of the explored rig, with any
 * direction, lines and instruments expected. Three things are left out, each replaced by "any result", which allows
 * more than the code does: the counts of swings and slopes (oscillation.c, slope.c), exp, log.
 *
 * Rules of docs/invariants.md that are not here, since one step does not show them:
 * - I4a, I20a: counts of swings and slopes over many ticks (test_oscillation, test_slope, test_watch).
 * - I20, I21, I26, D5, and each cause of I4 by itself: true only for so long; a step adds one tick to a time, and what
 *   it is compared with has a row of its own in test_watch and test_modes. D4 hangs on the same times.
 * - I3 and I18 as times: here what the guard remembers of the shaft (since when it stands, when pulses came, how fast
 *   it was) is any past; that it remembers rightly is shown by every path of explore.c and by test_ready.
 * - D3's runaway, I7's angle and I19's active drive are asked (groups 7, 9), but the checker of Debian 13 had no
 *   answer in a quarter of an hour: neither proved nor refuted. The walk of explore.c keeps them.
 * - I5 across commands, I6's node, all of L, C and W but W7: not the guard's step. */
/* What a table may hold: cbmc folds this one and not the builtin. */
#define __builtin_nanf(x) (0.0f / 0.0f)

#include "tests/explore/rules.c"
#include "tests/explore/space.h"

#include "guard/oscillation.h"
#include "guard/slope.h"

#define COUNT(list) (sizeof(list) / sizeof(list)[0])

int nondet_int(void);
unsigned nondet_unsigned(void);
double nondet_double(void);
struct guard nondet_guard(void);
struct snapshot nondet_snapshot(void);
struct wish nondet_wish(void);
struct guard_osc nondet_osc(void);
struct guard_slope nondet_slope(void);
struct guard_rattle nondet_rattle(void);

/* Only true and false: the checker's own values of a bool are any byte. */
static bool any_bool(void)
{
	return nondet_int() != 0;
}

static struct guard some_guard(void)
{
	struct guard g = nondet_guard();
	bool *truths[] = { &g.started,      &g.energised,  &g.loaded,          &g.drove,      &g.standing,
			   &g.clear,        &g.was_slow,   &g.rotor_same,      &g.rotor_true, &g.rotor_anew,
			   &g.pick_doubted, &g.last.power, &g.drive.has_origin };

	for (size_t i = 0; i < COUNT(truths); i++)
		*truths[i] = any_bool();
	for (size_t i = 0; i < TEMP_COUNT; i++)
		g.temp_seen[i] = any_bool();
	return g;
}

static struct snapshot some_snapshot(void)
{
	struct snapshot s = nondet_snapshot();
	bool *truths[] = { &s.node_reset,    &s.node_lost,    &s.torque_extrapolated, &s.supply_limited,
			   &s.estop_ok,      &s.cage_closed,  &s.contactor_closed,    &s.log_failed,
			   &s.operator_stop, &s.sequence_stop };

	for (size_t i = 0; i < COUNT(truths); i++)
		*truths[i] = any_bool();
	return s;
}

static struct wish some_wish(void)
{
	struct wish w = nondet_wish();

	w.power = any_bool();
	return w;
}

unsigned oscillation_step(struct guard_osc *osc, double value, double swing, double dt_s)
{
	unsigned cycles = nondet_unsigned();

	(void)swing;
	(void)dt_s;
	*osc = nondet_osc();
	return isnan(value) ? 0 : cycles;
}

void oscillation_let_go(struct guard_osc *osc)
{
	*osc = nondet_osc();
}

bool oscillation_grows(const struct guard_osc *osc)
{
	(void)osc;
	return any_bool();
}

bool rattle_step(struct guard_rattle *r, double rotor_rpm, double speed_rpm, double swing_rpm)
{
	(void)rotor_rpm;
	(void)speed_rpm;
	(void)swing_rpm;
	*r = nondet_rattle();
	return any_bool();
}

bool slope_step(struct guard_slope *s, double current_A, double along_Nm, double rpm, double dt_s, double step_A,
		double fall_Nm, double least_rpm)
{
	bool fell = any_bool();

	(void)current_A;
	(void)rpm;
	(void)dt_s;
	(void)step_A;
	(void)fall_Nm;
	(void)least_rpm;
	*s = nondet_slope();
	return isfinite(along_Nm) && fell;
}

/* The checker has no body of it. */
int __builtin_isfinite(double x)
{
	return __CPROVER_isfinited(x);
}

double exp(double x)
{
	(void)x;
	return nondet_double();
}

double log(double x)
{
	(void)x;
	return nondet_double();
}

static bool is_mode(enum drive_mode mode)
{
	return mode >= DRIVE_OFF && mode <= DRIVE_POSITION;
}

static bool is_within(double value, double most)
{
	return value >= 0 && value <= most;
}

#define NS_MOST 1000000000000000000 /* 30 years */

static bool is_past(struct mono at, struct mono now)
{
	return at.ns >= 0 && at.ns <= now.ns;
}

/* The monotonic clock does not go back, and what a guard remembers has been. */
static bool times_are_past(const struct guard *g)
{
	bool stops = g->phase != GUARD_RUN;

	return g->last_now.ns >= 0 && g->last_now.ns <= NS_MOST && is_past(g->turned_at, g->last_now) &&
	       (!stops || (is_past(g->cause_at, g->last_now) && (!g->standing || is_past(g->stand_at, g->last_now)) &&
			   (!g->clear || is_past(g->clear_at, g->last_now))));
}

/* Of a shaft that pulses told. */
static bool speeds_are_sizes(const struct guard *g)
{
	return isfinite(g->turned_rpm) && g->turned_rpm >= 0 && isfinite(g->stop_rpm) && g->stop_rpm >= 0;
}

/* Of every guard between two steps. */
static bool has_own_limit(const struct wish *w)
{
	return w->mode == DRIVE_TORQUE || w->mode == DRIVE_POSITION;
}

static bool kept(const struct guard *g, const struct guard_limits *l)
{
	bool runs = g->phase == GUARD_RUN, stops = g->phase == GUARD_STOP_HOLD || g->phase == GUARD_STOPPED;

	return (runs || stops) && runs == (g->cause == CAUSE_NONE) && g->cause >= CAUSE_NONE &&
	       g->cause < CAUSE_COUNT && is_mode(g->last.mode) && is_mode(g->drive.was) &&
	       (runs || nothing_drives(&g->last)) && (!stops || is_within(g->held_brake_A, l->hold_brake_A)) &&
	       is_within(g->last.brake_A, l->brake_A) && (g->energised || is_off(&g->last)) &&
	       !(l->at_rest && g->energised) && (!g->loaded || g->energised) && (g->loaded == g->drive.has_origin) &&
	       (g->loaded || g->last.mode == DRIVE_OFF) && g->power_bin < GUARD_POWER_BINS &&
	       (g->phase != GUARD_STOPPED || g->release != GUARD_HOLDS) && times_are_past(g) && speeds_are_sizes(g) &&
	       (!(g->missing & GUARD_CONTACTOR) || l->expect_lines & LINE_CONTACTOR) &&
	       (!has_own_limit(&g->last) || is_within(g->last.speed_rpm, l->speed_rpm)) &&
	       (g->last.mode != DRIVE_POSITION || fabs(g->drive.begin_deg - g->drive.origin_deg) <= l->travel_deg);
}

/* Both times grow by the same, and the second begins anew now and then: a sum of doubles is monotone (IEEE 754), which
 * the checker would have to find out bit by bit. */
static bool times_are_in_order(const struct guard *g)
{
	return g->blocked_s >= 0 && g->run_s >= g->blocked_s;
}

/* What was told once is never untold: counts of readings only grow. What was never told has no age. */
static bool can_follow(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	bool state = is_told(snap, CHANNEL_STATE) && snap->sample_total > 0, cell = is_told(snap, CHANNEL_CELL);

	for (int c = 0; c < CHANNEL_COUNT; c++)
		if (!is_told(snap, (enum channel_id)c) && !(snap->channel[c].age_s >= INFINITY))
			return false;
	return snap->now.ns >= g->last_now.ns && snap->now.ns <= NS_MOST && snap->node_state >= NODE_IDLE &&
	       snap->node_state <= NODE_UNKNOWN && (!g->energised || state) && (!g->loaded || !l->expect_cell || cell);
}

static struct guard_limits any_limits(void)
{
	struct guard_limits l = space_limits();

	l.expect_direction = nondet_int();
	l.pick_no_direction = any_bool();
	l.at_rest = any_bool();
	l.expect_cell = any_bool();
	l.expect_pick = any_bool();
	l.expect_meter = any_bool();
	l.expect_brake = any_bool();
	l.expect_lines = nondet_unsigned();
	l.warden_s = nondet_double();
	__CPROVER_assume(l.expect_direction >= -1 && l.expect_direction <= 1 && l.expect_lines <= LINES_ALL);
	return l;
}

static void fresh_is_kept(void)
{
	struct guard_limits l = any_limits();
	struct guard warm = guard_warm(nondet_double(), (struct mono){ nondet_unsigned() });

	__CPROVER_assert(kept(&warm, &l), "a fresh guard is as every guard between two steps");
}

#define CHECK(rule) __CPROVER_assert(rule(&s), #rule);

static void after_one_step(void)
{
	struct guard_limits l = any_limits();
	struct step s = { .limits = &l, .before = some_guard(), .snap = some_snapshot(), .want = some_wish() };

	__CPROVER_assume(kept(&s.before, &l) && times_are_in_order(&s.before) && can_follow(&s.before, &l, &s.snap));
	s.after = guard_step(s.before, &l, &s.snap, &s.want, &s.v);
#if GROUP == 0
	__CPROVER_assert(kept(&s.after, &l), "after the step the guard is as every guard between two steps");
	CHECK(a_cause_latches)
	CHECK(a_stop_is_never_undone)
	CHECK(a_stopped_guard_is_off)
	CHECK(a_stop_holds_until_released)
	CHECK(after_a_cause_nothing_drives)
	CHECK(a_node_gone_safe_is_not_driven)
	CHECK(hold_is_bounded)
	CHECK(hold_stays)
#elif GROUP == 1
	__CPROVER_assert(can_follow(&s.after, &l, &s.snap), "what is energised or loaded was told");
	CHECK(no_permit_with_an_interlock_open)
	CHECK(outputs_rest_on_data)
	CHECK(at_the_shaft_nothing_goes_out)
	CHECK(power_was_wanted)
	CHECK(drive_needs_power)
	CHECK(modes_change_through_off)
#elif GROUP == 2
	CHECK(not_a_number_is_nothing)
	CHECK(brake_was_wanted)
	CHECK(a_load_is_measured)
	CHECK(danger_stops_at_once)
	CHECK(torque_has_a_speed_limit)
#elif GROUP == 3
	CHECK(by_hand_little_stops)
	CHECK(no_hold_is_endless)
	CHECK(travel_is_kept)
	CHECK(a_turning_shaft_is_held)
#elif GROUP == 4
	CHECK(released_standing_or_after_the_hold)
	CHECK(safe_was_seen)
	CHECK(held_against_what_turns)
	CHECK(heat_ends_a_long_hold)
#elif GROUP == 5
	CHECK(a_sudden_standstill_is_not_believed)
	CHECK(pulses_are_no_standstill)
	CHECK(a_rotor_said_to_turn_is_no_standstill)
#elif GROUP == 6
	CHECK(a_load_rests_on_what_is_told)
	CHECK(nothing_goes_out_without_the_warden)
	CHECK(a_sleep_is_named_first)
#elif GROUP == 7
	CHECK(set_points_are_within)
	CHECK(the_angle_is_within)
	CHECK(a_runaway_stops)
#elif GROUP == 8
	CHECK(what_is_not_sensed_is_no_cause)
#elif GROUP == 9
	CHECK(what_is_active_at_the_shaft_stops)
#endif
}

int main(void)
{
	fresh_is_kept();
	after_one_step();
	return 0;
}
