/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/explore/rules.h"

#include <string.h>

#define LOADED_A 0.05   /* I2: 5 % of the largest current, which is 1 A */
#define ROUNDING_S 2e-9 /* of a time in nanoseconds that becomes seconds */

static bool is_zero(double x)
{
	return x <= 0 && x >= 0;
}

static bool nothing_drives(const struct wish *w)
{
	return w->mode == DRIVE_OFF && !w->power && is_zero(w->speed_rpm) && is_zero(w->drive_A) &&
	       is_zero(w->torque_Nm) && is_zero(w->angle_deg);
}

static bool is_off(const struct wish *w)
{
	return nothing_drives(w) && is_zero(w->brake_A);
}

static bool slow_young(const struct step *s)
{
	for (int c = CHANNEL_DRIVE; c < CHANNEL_COUNT; c++)
		if (s->snap.channel[c].fresh > 0 && !(s->snap.channel[c].age_s <= s->limits->stale_s[c]))
			return false;
	return s->snap.channel[CHANNEL_STATE].fresh > 0;
}

static bool has_data(const struct step *s)
{
	return s->snap.sample_total > 0 && s->snap.sample_age_s <= s->limits->silent_s && !s->snap.node_lost &&
	       !s->snap.node_reset;
}

static bool line_good(const struct step *s, unsigned line, enum channel_id channel, bool good)
{
	return !(s->limits->expect_lines & line) || (s->snap.channel[channel].fresh > 0 && good);
}

static bool interlocks_closed(const struct step *s)
{
	return line_good(s, LINE_ESTOP, CHANNEL_ESTOP, s->snap.estop_ok) &&
	       line_good(s, LINE_CAGE, CHANNEL_CAGE, s->snap.cage_closed);
}

/* I16: by its own age and, where the node is the one that tells it, by the node's. */
static bool young(const struct step *s, enum channel_id channel)
{
	const struct channel *c = &s->snap.channel[channel], *node = &s->snap.channel[CHANNEL_STATE];
	bool of_the_node = c->instrument == node->instrument;
	bool node_young = has_data(s) && node->fresh > 0 && node->age_s <= s->limits->stale_s[CHANNEL_STATE];

	return c->fresh > 0 && c->age_s <= s->limits->stale_s[channel] && (!of_the_node || node_young);
}

static bool seen_open(const struct step *s)
{
	return young(s, CHANNEL_CONTACTOR) && !s->snap.contactor_closed;
}

static bool seen_off(const struct step *s)
{
	bool told = young(s, CHANNEL_DRIVE) && !(s->snap.drive_flags & DRIVE_UNHEARD);

	if (s->limits->expect_lines & LINE_CONTACTOR && seen_open(s))
		return true;
	return told ? !(s->snap.drive_flags & DRIVE_ENABLED) : !s->before.drove;
}

/* Since the tick before. */
static double step_s(const struct step *s)
{
	return s->before.started ? mono_diff_s(s->snap.now, s->before.last_now) : s->limits->tick_s;
}

static bool node_is_safe(const struct step *s)
{
	return s->snap.node_state == NODE_SAFE || s->snap.node_state == NODE_STOPPING;
}

static bool seen_standing(const struct step *s)
{
	return has_data(s) && fabs(s->snap.speed_rpm) < s->limits->standstill_rpm;
}

/* I1 */
static bool after_a_cause_nothing_drives(const struct step *s)
{
	return s->v.cause == CAUSE_NONE || nothing_drives(&s->v.allowed);
}

static bool a_node_gone_safe_is_not_driven(const struct step *s)
{
	return !node_is_safe(s) || nothing_drives(&s->v.allowed);
}

/* I2 */
static bool hold_is_bounded(const struct step *s)
{
	return s->v.cause == CAUSE_NONE || s->v.allowed.brake_A <= s->limits->hold_brake_A + 1e-12;
}

static bool hold_stays(const struct step *s)
{
	return s->before.phase != GUARD_STOP_HOLD || s->v.stopped ||
	       is_zero(s->v.allowed.brake_A - s->before.held_brake_A);
}

static bool a_turning_shaft_is_held(const struct step *s)
{
	double there_A = fmax(s->before.last.brake_A, isnan(s->snap.brake_A) ? 0 : s->snap.brake_A);
	bool at_fault = s->v.cause == CAUSE_OVERTORQUE || s->v.cause == CAUSE_CELL_SATURATED ||
			s->v.cause == CAUSE_WRONG_SIGN || s->v.cause == CAUSE_BRAKE_POWER;
	bool turns =
		fabs(s->snap.speed_rpm) >= s->limits->standstill_rpm || (isnan(s->snap.speed_rpm) && s->before.loaded);
	double least_A = turns && !(at_fault && there_A > LOADED_A) ? 0.5 * s->limits->hold_brake_A : 0;

	if (!s->v.newly || !s->before.energised)
		return true;
	return s->v.allowed.brake_A >= fmin(s->limits->hold_brake_A, fmax(least_A, there_A)) - 1e-12;
}

/* I3 */
static bool released_standing_or_after_the_hold(const struct step *s)
{
	bool released = s->before.phase == GUARD_STOP_HOLD && s->v.stopped;
	bool rotor = !seen_open(s) && fabs(s->snap.drive_rotor_rpm) > 360 && young(s, CHANNEL_DRIVE);

	if (!released || !s->before.energised || s->v.held_s >= s->limits->stop_hold_s)
		return true;
	return s->before.standing && seen_standing(s) && !rotor && !s->before.pick_doubted &&
	       (!(s->limits->expect_lines & LINE_CONTACTOR) || seen_open(s));
}

static bool a_stop_holds_until_released(const struct step *s)
{
	return s->before.phase != GUARD_STOP_HOLD || s->v.stopped || s->v.release == GUARD_HOLDS;
}

/* I4: what the rest of this file needs of it; the rows of test_watch have each cause by itself. */
static bool danger_stops_at_once(const struct step *s)
{
	bool bad = s->snap.operator_stop || s->snap.log_failed || s->snap.sequence_stop || s->snap.node_lost ||
		   s->snap.node_reset || s->snap.slept_ns > 1000000000;

	if (s->before.energised)
		bad = bad || !interlocks_closed(s) || !has_data(s) || !slow_young(s) ||
		      (s->limits->expect_cell && s->snap.channel[CHANNEL_CELL].quality == QUALITY_SATURATED);
	if (s->before.loaded && s->limits->expect_cell)
		bad = bad || !(fabs(s->snap.torque_Nm) <= s->limits->torque_Nm);
	if (s->before.loaded && s->limits->expect_pick)
		bad = bad || !(fabs(s->snap.speed_rpm) <= s->limits->speed_rpm);
	return !bad || s->v.cause != CAUSE_NONE;
}

/* I5 */
static bool a_cause_latches(const struct step *s)
{
	return s->before.phase == GUARD_RUN || (s->v.cause == s->before.cause && s->after.phase >= s->before.phase);
}

static bool a_stopped_guard_is_off(const struct step *s)
{
	return !s->v.stopped || is_off(&s->v.allowed);
}

/* I6 */
static bool by_hand_little_stops(const struct step *s)
{
	static const enum cause may[] = { CAUSE_NONE,       CAUSE_SLEPT,     CAUSE_NODE_RESET,  CAUSE_NODE_SILENT,
					  CAUSE_SLOW_STALE, CAUSE_CONTACTOR, CAUSE_NOT_AT_REST, CAUSE_LOGBOOK,
					  CAUSE_OPERATOR,   CAUSE_SEQUENCE };

	for (size_t i = 0; i < sizeof may / sizeof may[0]; i++)
		if (s->v.cause == may[i])
			return true;
	return !s->v.newly || s->before.energised || !is_off(&s->want);
}

/* I7 */
static bool power_was_wanted(const struct step *s)
{
	return !s->v.allowed.power || s->want.power;
}

static bool drive_needs_power(const struct step *s)
{
	bool closed = !(s->limits->expect_lines & LINE_CONTACTOR) ||
		      (s->snap.channel[CHANNEL_CONTACTOR].fresh > 0 && s->snap.contactor_closed);

	return s->v.allowed.mode == DRIVE_OFF || (s->v.allowed.mode == s->want.mode && s->v.allowed.power && closed);
}

static bool set_points_are_within(const struct step *s)
{
	const struct wish *a = &s->v.allowed;

	return fabs(a->speed_rpm) <= s->limits->speed_rpm && fabs(a->drive_A) <= s->limits->drive_A &&
	       fabs(a->torque_Nm) <= s->limits->torque_Nm && a->brake_A >= 0 && a->brake_A <= s->limits->brake_A &&
	       (s->limits->expect_direction <= 0 || wish_set_point(a) >= 0) &&
	       (s->limits->expect_direction >= 0 || wish_set_point(a) <= 0);
}

/* Its set-point counts from where the mode began, the travel from where the shaft was first loaded. */
static bool the_angle_is_within(const struct step *s)
{
	double from_origin_deg = s->after.drive.begin_deg - s->after.drive.origin_deg;

	return s->v.allowed.mode != DRIVE_POSITION ||
	       fabs(from_origin_deg + s->v.allowed.angle_deg) <= s->limits->travel_deg + 1e-9;
}

static bool brake_was_wanted(const struct step *s)
{
	return s->v.cause != CAUSE_NONE || node_is_safe(s) || s->v.allowed.brake_A <= 0 ||
	       s->v.allowed.brake_A <= s->want.brake_A;
}

/* I8 */
static bool not_a_number_is_nothing(const struct step *s)
{
	const struct wish *a = &s->v.allowed;
	bool finite = isfinite(a->speed_rpm) && isfinite(a->drive_A) && isfinite(a->brake_A) &&
		      isfinite(a->torque_Nm) && isfinite(a->angle_deg);
	bool mode_is = a->mode == DRIVE_OFF || !isnan(wish_set_point(&s->want));

	return finite && mode_is &&
	       (s->v.cause != CAUSE_NONE || node_is_safe(s) || !isnan(s->want.brake_A) || is_zero(a->brake_A));
}

/* D1 */
static bool modes_change_through_off(const struct step *s)
{
	enum drive_mode was = s->before.last.mode, is = s->v.allowed.mode;

	return was == DRIVE_OFF || is == DRIVE_OFF || was == is;
}

/* D3 */
static bool torque_has_a_speed_limit(const struct step *s)
{
	const struct wish *a = &s->v.allowed;
	bool own = a->mode == DRIVE_TORQUE || a->mode == DRIVE_POSITION;
	double most_rpm = a->mode == DRIVE_POSITION ? s->limits->slow_rpm : s->limits->speed_rpm;

	return !own ||
	       (a->speed_rpm > 0 && a->speed_rpm <= fmin(most_rpm, s->want.speed_rpm) && s->limits->expect_pick);
}

static bool a_runaway_stops(const struct step *s)
{
	const struct wish *w = &s->before.last;
	bool own = w->mode == DRIVE_TORQUE || w->mode == DRIVE_POSITION;

	bool fast = !(fabs(s->snap.speed_rpm) <= 1.25 * w->speed_rpm + 2 * s->limits->standstill_rpm);

	return !own || !fast || !(s->before.drive.fast_s + step_s(s) > 0.25) || s->v.cause != CAUSE_NONE;
}

/* D6 */
static bool travel_is_kept(const struct step *s)
{
	double turned_deg = 360 * s->snap.angle_rev - s->before.drive.origin_deg;

	return !s->before.loaded || s->v.cause != CAUSE_NONE || fabs(turned_deg) <= s->limits->travel_deg;
}

/* I15, I24 */
static bool outputs_rest_on_data(const struct step *s)
{
	return s->v.cause != CAUSE_NONE || is_off(&s->v.allowed) || (has_data(s) && slow_young(s));
}

/* I15a: an instrument beside the node is silent. */
static bool a_load_rests_on_what_is_told(const struct step *s)
{
	const struct guard_limits *l = s->limits;
	const struct channel *c = s->snap.channel;
	bool loads = s->v.cause == CAUSE_NONE && !node_is_safe(s) &&
		     (s->v.allowed.mode != DRIVE_OFF || s->v.allowed.brake_A > 0);

	if (!loads)
		return true;
	return (!l->expect_pick || c[CHANNEL_TURN].age_s <= l->stale_s[CHANNEL_TURN]) &&
	       (!l->expect_brake || c[CHANNEL_BRAKE].age_s <= l->stale_s[CHANNEL_BRAKE]) &&
	       (!l->expect_meter || (c[CHANNEL_VOLTAGE].age_s <= l->stale_s[CHANNEL_VOLTAGE] &&
				     c[CHANNEL_CURRENT].age_s <= l->stale_s[CHANNEL_CURRENT]));
}

/* W7 */
static bool nothing_goes_out_without_the_warden(const struct step *s)
{
	return s->v.cause != CAUSE_NONE || node_is_safe(s) || is_off(&s->v.allowed) ||
	       s->snap.warden_age_s <= s->limits->warden_s;
}

static bool no_permit_with_an_interlock_open(const struct step *s)
{
	return (!s->v.allowed.power && s->v.allowed.mode == DRIVE_OFF) || interlocks_closed(s);
}

static bool a_load_is_measured(const struct step *s)
{
	bool loads = s->v.cause == CAUSE_NONE && !node_is_safe(s) &&
		     (s->v.allowed.mode != DRIVE_OFF || s->v.allowed.brake_A > 0);

	if (!loads)
		return true;
	return (!s->limits->expect_cell || fabs(s->snap.torque_Nm) <= s->limits->torque_Nm) &&
	       (!s->limits->expect_pick || fabs(s->snap.speed_rpm) <= s->limits->speed_rpm);
}

/* I22: the node's own reason is what it sensed itself. */
static bool is_sensed(const struct step *s, unsigned line, const char *reason)
{
	return s->limits->expect_lines & line || (node_is_safe(s) && strcmp(s->snap.node_reason, reason) == 0);
}

static bool what_is_not_sensed_is_no_cause(const struct step *s)
{
	if (s->v.missing & GUARD_CONTACTOR && !(s->limits->expect_lines & LINE_CONTACTOR))
		return false;
	return !s->v.newly || ((s->v.cause != CAUSE_ESTOP || is_sensed(s, LINE_ESTOP, "estop")) &&
			       (s->v.cause != CAUSE_GUARD_OPEN || is_sensed(s, LINE_CAGE, "guard")) &&
			       (s->v.cause != CAUSE_CONTACTOR || is_sensed(s, LINE_CONTACTOR, "contactor")));
}

/* I23 */
static bool a_sleep_is_named_first(const struct step *s)
{
	return !s->v.newly || s->snap.slept_ns < 600000000 || s->v.cause == CAUSE_SLEPT || s->v.cause == CAUSE_ESTOP ||
	       s->v.cause == CAUSE_GUARD_OPEN;
}

/* I16 */
static bool safe_was_seen(const struct step *s)
{
	if (s->before.phase != GUARD_STOP_HOLD || !s->v.stopped || s->v.missing)
		return true;
	if (!s->before.energised)
		return !(s->limits->expect_lines & LINE_CONTACTOR) || !s->snap.contactor_closed ||
		       s->snap.channel[CHANNEL_CONTACTOR].fresh == 0;
	return has_data(s) && seen_off(s) && (!(s->limits->expect_lines & LINE_CONTACTOR) || seen_open(s)) &&
	       (s->before.loaded ? seen_standing(s) : !(fabs(s->snap.speed_rpm) >= s->limits->standstill_rpm));
}

/* I17 */
static bool held_against_what_turns(const struct step *s)
{
	bool released = s->before.phase == GUARD_STOP_HOLD && s->v.stopped && s->before.energised;
	bool turns = has_data(s) && fabs(s->snap.speed_rpm) >= s->limits->standstill_rpm;

	if (!released || (!turns && seen_off(s)))
		return true;
	return s->v.release == GUARD_HEAT || s->v.release == GUARD_HEAT_UNKNOWN || s->v.release == GUARD_NODE ||
	       (s->v.release == GUARD_TOO_LONG && s->v.held_s >= GUARD_HOLD_MOST_S) ||
	       (s->v.release == GUARD_IN_ORDER && !turns && seen_off(s));
}

static bool no_hold_is_endless(const struct step *s)
{
	return s->before.phase != GUARD_STOP_HOLD || s->v.held_s < GUARD_HOLD_MOST_S || s->v.stopped;
}

static bool heat_ends_a_long_hold(const struct step *s)
{
	double brake_degC = s->snap.temp_degC[TEMP_BRAKE];
	bool told = has_data(s) && slow_young(s) && s->snap.channel[CHANNEL_TEMP + (int)TEMP_BRAKE].fresh > 0;
	bool hot = told && isfinite(brake_degC) && brake_degC > s->limits->brake_hot_degC;

	return s->before.phase != GUARD_STOP_HOLD || s->v.held_s < s->limits->stop_hold_s || !hot || s->v.stopped;
}

/* I18: of a shaft that was loaded and let go in order */
static bool let_go_as_standing(const struct step *s)
{
	return s->before.phase == GUARD_STOP_HOLD && s->v.release == GUARD_IN_ORDER && s->before.loaded;
}

static bool a_sudden_standstill_is_not_believed(const struct step *s)
{
	double since_s = mono_diff_s(s->snap.now, s->after.turned_at),
	       after_s = mono_diff_s(s->after.turned_at, s->before.cause_at);
	bool unseen = (s->after.turned_rpm >= s->before.stop_rpm || after_s < 0.15) &&
		      s->after.turned_rpm > 3 * s->limits->standstill_rpm;
	bool said = s->before.drove && s->before.rotor_true && fabs(s->snap.drive_rotor_rpm) < 36;

	if (!let_go_as_standing(s) || !unseen)
		return true;
	return s->v.held_s >= s->limits->stop_hold_s || (said && since_s >= 2 - ROUNDING_S);
}

/* Of this look by itself: the guard's own memory of when pulses came is what may be wrong. */
static bool pulses_are_no_standstill(const struct step *s)
{
	bool came = s->snap.pulses != s->before.pulses || s->snap.edge_time_s > s->before.edge_time_s;

	return !let_go_as_standing(s) || (!came && mono_diff_s(s->snap.now, s->after.turned_at) >= 0.3 - ROUNDING_S);
}

static bool a_rotor_said_to_turn_is_no_standstill(const struct step *s)
{
	bool unseen = s->after.turned_rpm >= s->before.stop_rpm && s->after.turned_rpm > 3 * s->limits->standstill_rpm;

	bool said = young(s, CHANNEL_DRIVE) && fabs(s->snap.drive_rotor_rpm) >= 36;

	return !let_go_as_standing(s) || !unseen || !said;
}

/* I19 */
static bool at_the_shaft_nothing_goes_out(const struct step *s)
{
	return !s->limits->at_rest || is_off(&s->v.allowed);
}

static bool what_is_active_at_the_shaft_stops(const struct step *s)
{
	bool enabled = s->snap.drive_flags & DRIVE_ENABLED && !(s->snap.drive_flags & DRIVE_UNHEARD);
	bool active = enabled || s->snap.node_state == NODE_LIVE || fabs(s->snap.drive_rotor_rpm) > 360;

	return !s->limits->at_rest || !active || !(s->before.unrest_s + step_s(s) > s->limits->contactor_s) ||
	       s->v.cause != CAUSE_NONE;
}

/* I25 */
static bool a_stop_is_never_undone(const struct step *s)
{
	bool asked = s->snap.operator_stop || s->snap.sequence_stop;

	return (!asked || s->after.phase != GUARD_RUN) && (s->before.phase == GUARD_RUN || s->after.phase != GUARD_RUN);
}

const struct rule rules[] = {
	{ "I1", "after a cause nothing drives", after_a_cause_nothing_drives },
	{ "I1", "a node that has gone safe is not driven", a_node_gone_safe_is_not_driven },
	{ "I2", "a stop holds no more than it may", hold_is_bounded },
	{ "I2", "the brake stays at what it is held with", hold_stays },
	{ "I2", "a shaft that turns is held", a_turning_shaft_is_held },
	{ "I3", "the brake is kept until the shaft is seen to stand", released_standing_or_after_the_hold },
	{ "I3", "a stop holds until it is over", a_stop_holds_until_released },
	{ "I4", "a danger stops on its tick", danger_stops_at_once },
	{ "I5", "a cause latches", a_cause_latches },
	{ "I5", "a stopped guard lets nothing out", a_stopped_guard_is_off },
	{ "I6", "what energises nothing is stopped by little", by_hand_little_stops },
	{ "I7", "no power that was not wanted", power_was_wanted },
	{ "I7", "no drive without power", drive_needs_power },
	{ "I7", "set-points within their limits", set_points_are_within },
	{ "I7", "an angle within the travel", the_angle_is_within },
	{ "I7", "no more brake than wanted", brake_was_wanted },
	{ "I8", "not a number is nothing", not_a_number_is_nothing },
	{ "I15", "no output on old or missing data", outputs_rest_on_data },
	{ "I15a", "no load on an instrument that is silent", a_load_rests_on_what_is_told },
	{ "W7", "nothing goes out without the warden", nothing_goes_out_without_the_warden },
	{ "I22", "what is not sensed is no cause", what_is_not_sensed_is_no_cause },
	{ "I23", "a sleep is named before what it left", a_sleep_is_named_first },
	{ "I24", "no permit with an interlock open", no_permit_with_an_interlock_open },
	{ "I8", "no load without torque and speed", a_load_is_measured },
	{ "I16", "a stop is safe only by what was seen", safe_was_seen },
	{ "I17", "what turns or may be driven is let go for a reason", held_against_what_turns },
	{ "I17", "no hold is endless", no_hold_is_endless },
	{ "I17", "a hot brake is let go after the longest hold", heat_ends_a_long_hold },
	{ "I18", "a sudden standstill is not believed", a_sudden_standstill_is_not_believed },
	{ "I18", "pulses are no standstill", pulses_are_no_standstill },
	{ "I18", "a rotor that is said to turn is no standstill", a_rotor_said_to_turn_is_no_standstill },
	{ "I19", "with a person at the shaft nothing goes out", at_the_shaft_nothing_goes_out },
	{ "I19", "what is active with a person at the shaft stops", what_is_active_at_the_shaft_stops },
	{ "D1", "one mode becomes another through off", modes_change_through_off },
	{ "D3", "torque and position have a speed limit", torque_has_a_speed_limit },
	{ "D3", "a drive that runs away is stopped", a_runaway_stops },
	{ "D6", "the shaft goes no farther than it may", travel_is_kept },
	{ "I25", "a stop that was asked for is never undone", a_stop_is_never_undone },
};
const size_t n_rules = sizeof rules / sizeof rules[0];
