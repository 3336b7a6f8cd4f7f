/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_sweep.h"
#include "run/sweep_search.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#define CONTACTOR_S 2.0
#define STANDSTILL_RPM 1.0
#define COAST_S 20.0
#define HAND_WAIT_S 180.0
#define UNLOAD_TURNS 2.0
#define APPROACH_HOLD_S 1.0       /* stay at the neighbour this long before a falling step that does not follow it */
#define COLLAPSE_FRAC 0.25        /* of the wanted speed: nearly stalled */
#define COLLAPSE_FALLING_FRAC 0.6 /* already given up here when it is falling fast */
#define COLLAPSE_FALL_PER_S 0.5   /* fast: this share of the wanted speed a second */
#define COLLAPSE_FOR_S 0.03       /* a few ticks in a row: one late pulse is no stall */
#define EASE_S 1.5
#define TURN_END 0.01 /* of a turn: near enough to its end */
#define TURN_WAIT 0.5 /* of the dwell: longest that its last turn is waited for */

bool seq_sweep_begin(struct seq_sweep *s, const struct sweep_config *config, const struct sweep_item *items, size_t n)
{
	memset(s, 0, sizeof *s);
	s->config = *config;
	s->n = n < SWEEP_ITEMS ? n : SWEEP_ITEMS;
	memcpy(s->item, items, s->n * sizeof *items);
	s->highest_step = -1;
	s->approach = NAN;
	s->live_torque_Nm = NAN;
	const struct steady_limit limits[3] = {
		{ .slope_per_s = config->torque_slope_Nm_per_s },
		{ .slope_per_s = config->speed_slope_rpm_per_s },
		{ .slope_per_s = config->temp_slope_K_per_s, .resolution = 0.1, .lenient = true },
	};
	steady_begin(&s->steady, config->window_s, limits, 3);
	sweep_search_begin(s);
	while (s->at < s->n && s->item[s->at].done)
		s->at++;
	sweep_search_go_on(s);
	s->way = s->at < s->n && s->item[s->at].rpm < 0 ? -1 : 1;
	s->want_rpm = s->at < s->n ? fabs(s->item[s->at].rpm) : 0;
	return s->at < s->n;
}

static void enter(struct seq_sweep *s, enum sweep_phase phase, struct mono now)
{
	s->phase = phase;
	s->phase_at = now;
}

static double toward(double from, double to, double most)
{
	return to > from + most ? from + most : to < from - most ? from - most : to;
}

static void give_up(struct seq_out *ret, const char *why)
{
	ret->stop = true;
	snprintf(ret->event.text, sizeof ret->event.text, "%s", why);
}

static bool as_fast(double rpm, double than_rpm)
{
	return fabs(rpm) >= fabs(than_rpm) - 1e-9;
}

/* As heavy and as fast as what could not be carried. */
static bool is_beyond(const struct seq_sweep *s, double set, double rpm)
{
	for (size_t i = 0; i < s->n_failed; i++)
		if (set >= s->failed[i].set && as_fast(rpm, s->failed[i].rpm))
			return true;
	return false;
}

static void note_failure(struct seq_sweep *s, const struct sweep_item *it)
{
	for (size_t i = 0; i < s->n_failed; i++)
		if (fabs(s->failed[i].rpm - it->rpm) < 1e-9) {
			s->failed[i].set = fmin(s->failed[i].set, it->set);
			return;
		}
	if (s->n_failed < PROFILE_SPEEDS)
		s->failed[s->n_failed++] = (struct sweep_failure){ it->set, it->rpm };
}

/* The neighbour above a falling step, when the way does not come from it by itself. A try is met from below. */
static double approach_of(const struct seq_sweep *s)
{
	const struct sweep_item *it = &s->item[s->at];
	size_t above = s->at;

	if (it->search && it->direction > 0 && s->set >= it->set - 1e-12)
		return fmax(0, it->set - s->config.search.step / 2);
	if (it->direction >= 0)
		return NAN;
	while (above > 0 && !(s->item[above - 1].set > it->set))
		above--;
	if (above == 0)
		return NAN;
	double set = s->item[above - 1].set;
	bool from_neighbour = s->set >= set - 1e-12 && s->points > 0;
	bool carried_over = s->points > 0 && s->at - above > 0 && s->set >= it->set - 1e-12; /* at another speed */
	return from_neighbour || carried_over || is_beyond(s, set, it->rpm) ? NAN : set;
}

static double setpoint_Nm(const struct seq_sweep *s, const struct sweep_item *it)
{
	return s->config.load != LOAD_TORQUE ? NAN : s->way < 0 ? 0 - it->set : it->set;
}

static unsigned flags_of(const struct sweep_item *it)
{
	return (it->repeat ? POINT_REPEAT : 0) | (it->search ? POINT_SEARCH : 0);
}

static double setpoint_rpm(const struct seq_sweep *s, const struct sweep_item *it)
{
	return s->config.drive == PLAN_SPEED ? it->rpm : NAN;
}

static void begin_step(struct seq_sweep *s, struct mono now)
{
	const struct sweep_item *it = &s->item[s->at];

	s->approach = approach_of(s);
	s->set = isnan(s->approach) ? it->set : s->approach;
	s->settled = s->reached = false;
	stats_run_begin(&s->torque);
	stats_run_begin(&s->speed);
	stats_run_begin(&s->ampere);
	s->collapse_for_s = 0;
	s->step_at = now;
	steady_clear(&s->steady);
	enter(s, SWEEP_LOAD, now);
	s->announce = true;
	s->top_speed_rpm = 0;
}

/* One event a tick: a finished point goes first. */
static void announce(struct seq_sweep *s, struct seq_out *ret)
{
	const struct sweep_item *it = &s->item[s->at];

	if (s->found_text[0] && ret->event.kind == SEQ_EVENT_NONE) {
		ret->event.kind = SEQ_EVENT_NOTE;
		snprintf(ret->event.text, sizeof ret->event.text, "%s", s->found_text);
		s->found_text[0] = '\0';
	}
	if (!s->announce || ret->event.kind != SEQ_EVENT_NONE || s->at >= s->n)
		return;
	s->announce = false;
	ret->event.kind = SEQ_EVENT_STEP;
	ret->event.point = (struct seq_point){ .step = it->step,
					       .direction = it->direction,
					       .flags = flags_of(it),
					       .setpoint_Nm = setpoint_Nm(s, it),
					       .setpoint_A = s->config.load == LOAD_CURRENT ? it->set : NAN,
					       .setpoint_rpm = setpoint_rpm(s, it) };
}

/* To the item's speed first, where that is another one, under the lesser load of the two. */
static void begin_item(struct seq_sweep *s, struct mono now)
{
	const struct sweep_item *it = &s->item[s->at];

	if (fabs(fabs(it->rpm) - s->want_rpm) < 1e-9) {
		begin_step(s, now);
		return;
	}
	s->want_rpm = fabs(it->rpm);
	s->set = fmin(s->set, it->set);
	s->collapse_for_s = s->top_speed_rpm = 0;
	s->step_at = now;
	enter(s, SWEEP_CHANGE, now);
}

static void next_item(struct seq_sweep *s, struct mono now)
{
	do
		s->at++;
	while (s->at < s->n && s->item[s->at].done);
	sweep_search_go_on(s);
	if (s->at >= s->n)
		enter(s, SWEEP_UNLOAD, now);
	else if (s->config.cool_s > 0)
		enter(s, SWEEP_REST, now);
	else
		begin_item(s, now);
}

/* Leave out what is as heavy or heavier than this, as fast or faster, and not taken yet. */
static void leave_out_from(struct seq_sweep *s, const struct sweep_item *it, const char *why)
{
	note_failure(s, it);
	for (size_t i = s->at + 1; i < s->n; i++) {
		if (s->item[i].done || s->item[i].set < it->set - 1e-12 || !as_fast(s->item[i].rpm, it->rpm))
			continue;
		s->item[i].done = true;
		s->left_out++;
	}
	if (!s->why_left_out[0])
		snprintf(s->why_left_out, sizeof s->why_left_out, "%s", why);
}

static bool at_speed(const struct seq_sweep *s, const struct snapshot *snap)
{
	switch (s->config.drive) {
	case PLAN_SPEED: return fabs(snap->speed_rpm - s->want_rpm) <= 0.05 * s->want_rpm;
	case PLAN_DRIVE_CURRENT: return true;
	case PLAN_HAND: return snap->speed_rpm >= s->config.min_slip_rpm && snap->speed_rpm > 2 * STANDSTILL_RPM;
	}
	return false;
}

static void step_start(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret)
{
	ret->phase = "start";
	if (s->config.drive == PLAN_HAND || snap->contactor_closed)
		enter(s, SWEEP_SPIN, snap->now);
	else if (mono_diff_s(snap->now, s->phase_at) > CONTACTOR_S)
		give_up(ret,
			"the contactor does not close: check the emergency stop, the guard switch and their wiring");
}

/* For the speed to be reached. */
static double change_most_s(const struct seq_sweep *s)
{
	return 10 + s->want_rpm / fmax(s->config.speed_slew_rpm_per_s, 1e-3);
}

static void step_spin(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret)
{
	double waited_s = mono_diff_s(snap->now, s->phase_at);
	double most_s = s->config.drive == PLAN_HAND ? HAND_WAIT_S : change_most_s(s);

	ret->phase = s->config.drive == PLAN_HAND ? "turn" : "spin";
	if (at_speed(s, snap) && (s->config.drive != PLAN_SPEED || fabs(s->speed_set_rpm - s->want_rpm) < 1e-9)) {
		begin_step(s, snap->now);
		return;
	}
	if (waited_s > most_s)
		give_up(ret, s->config.drive == PLAN_HAND ? "the shaft was not turned"
							  : "the actuator does not reach the speed without load: check "
							    "its drive, its supply and the pick-up");
}

static bool set_is_reached(const struct seq_sweep *s, double torque_Nm, double set)
{
	if (s->config.load == LOAD_CURRENT)
		return fabs(s->brake_A - set) < 1e-9;
	double near = fmax(s->config.reach_frac * set, s->config.reach_Nm);

	/* The brake's own drag may be more than was asked for: with no current left to take away it is as near as it
	 * gets. */
	return fabs(torque_Nm - set) <= near || (torque_Nm > set && s->brake_A <= 0);
}

/* Near the stall: about to stand under torque. Hand mode has a person for that. */
static bool collapses(struct seq_sweep *s, const struct snapshot *snap, double dt_s)
{
	double wanted = fabs(s->speed_set_rpm), fall = 0;
	bool bad;

	if (s->config.drive != PLAN_SPEED || s->brake_A <= 0)
		return false;
	/* slope from the two newest readings would be noise; the filtered maximum of the step is not */
	s->top_speed_rpm = fmax(snap->speed_rpm, s->top_speed_rpm - COLLAPSE_FALL_PER_S * wanted * dt_s);
	fall = s->top_speed_rpm - snap->speed_rpm;
	bad = !(snap->speed_rpm > COLLAPSE_FRAC * wanted) ||
	      (!(snap->speed_rpm > COLLAPSE_FALLING_FRAC * wanted) && fall > 0.1 * wanted);
	s->collapse_for_s = bad ? s->collapse_for_s + dt_s : 0;
	return s->collapse_for_s > COLLAPSE_FOR_S;
}

static void ease(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret)
{
	const struct sweep_item *it = &s->item[s->at];
	char why[120];

	snprintf(why, sizeof why,
		 "speed fell to %.3g rpm at %.3g N\u00b7m on the way to %.3g %s: brake eased, heavier steps left out",
		 snap->speed_rpm, s->live_torque_Nm, it->set, s->config.load == LOAD_TORQUE ? "N\u00b7m" : "A");
	s->collapsed = true;
	leave_out_from(s, it, why);
	sweep_search_failed(s, it, "the speed fell");
	s->item[s->at].done = true;
	s->left_out++;
	s->brake_A *= 0.4;
	torque_control_prime(&s->control, s->brake_A, 0.4 * fmax(s->live_torque_Nm, 0));
	s->set = s->config.load == LOAD_TORQUE ? 0.4 * fmax(s->live_torque_Nm, 0) : s->brake_A;
	ret->event.kind = SEQ_EVENT_NOTE;
	if (isfinite(snap->voltage_V) && isfinite(snap->current_A))
		snprintf(ret->event.text, sizeof ret->event.text, "%s (supply at that moment %.3g V, %.3g A)", why,
			 snap->voltage_V, snap->current_A);
	else
		snprintf(ret->event.text, sizeof ret->event.text, "%s", why);
	enter(s, SWEEP_EASE, snap->now);
}

static void begin_window(struct seq_sweep *s, const struct snapshot *snap)
{
	stats_run_begin(&s->torque);
	stats_run_begin(&s->speed);
	stats_run_begin(&s->ampere);
	s->phase_angle_rev = snap->angle_rev;
	enter(s, SWEEP_DWELL, snap->now);
}

static void begin_dwell(struct seq_sweep *s, const struct snapshot *snap, bool settled)
{
	s->settled = settled;
	s->settle_s = mono_diff_s(snap->now, s->step_at);
	s->dwell_s = s->config.dwell_s;
	s->pilot = s->config.until.frac > 0;
	dwell_record_begin(&s->record);
	begin_window(s, snap);
}

static double slow_temp(const struct snapshot *snap)
{
	/* the slowest judge: the case; a rig without that sensor has the brake's */
	return isfinite(snap->temp_degC[TEMP_CASE]) ? snap->temp_degC[TEMP_CASE] : snap->temp_degC[TEMP_BRAKE];
}

static void add_steady(struct seq_sweep *s, const struct snapshot *snap)
{
	const double values[3] = { snap->torque_Nm, snap->speed_rpm, slow_temp(snap) };

	steady_add(&s->steady, mono_diff_s(snap->now, s->step_at), values);
}

/* The brake is where it was sent: the ramp has arrived and the current is not on its way. */
static bool load_arrived(const struct seq_sweep *s)
{
	if (s->config.load == LOAD_CURRENT)
		return fabs(s->brake_A - s->set) < 1e-9;
	return torque_control_arrived(&s->control);
}

/* The time-out has come: say what still moved, so that a person knows which limit or window to change. */
static void give_up_settling(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret)
{
	static const char *const what[3] = { "torque", "speed", "temperature" }, *const unit[3] = { "N\u00b7m/s",
												    "rpm/s", "K/s" };
	int worst = steady_worst(&s->steady);

	begin_dwell(s, snap, false);
	ret->event.kind = SEQ_EVENT_NOTE;
	if (worst < 0) {
		snprintf(ret->event.text, sizeof ret->event.text,
			 "step %d: the commanded load was not reached in the settling time", s->item[s->at].step + 1);
		return;
	}
	struct steady_slope k = steady_slope(&s->steady, (size_t)worst);
	double limit = s->steady.limit[worst].slope_per_s;
	if (!isfinite(k.slope_per_s)) {
		snprintf(ret->event.text, sizeof ret->event.text,
			 "step %d: too few readings of the %s came in the settling time", s->item[s->at].step + 1,
			 what[worst]);
		return;
	}
	int digits = (int)fmax(0, 1 - floor(log10(fmin(limit, 1)))); /* a tenth of the limit is seen */
	snprintf(ret->event.text, sizeof ret->event.text, "step %d: %s moves by %.*f \u00b1 %.*f %s, limit %.*f%s",
		 s->item[s->at].step + 1, what[worst], digits, k.slope_per_s, digits, k.u_per_s, unit[worst], digits,
		 limit, k.u_per_s > limit / 2 ? ": take a longer window" : "");
}

static void step_load(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	double in_step_s = mono_diff_s(snap->now, s->step_at);

	ret->phase = "settle";
	if (collapses(s, snap, dt_s)) {
		ease(s, snap, ret);
		return;
	}
	if (!load_arrived(s)) {
		steady_clear(&s->steady);
		s->phase_at = snap->now;
		if (!(in_step_s < s->config.timeout_s))
			give_up_settling(s, snap, ret);
		return;
	}
	if (!isnan(s->approach)) {
		if (mono_diff_s(snap->now, s->phase_at) > APPROACH_HOLD_S) {
			s->approach = NAN;
			s->set = s->item[s->at].set;
		}
		return;
	}
	add_steady(s, snap);
	struct steady_slope torque = steady_slope(&s->steady, 0);
	s->reached = set_is_reached(s, torque.mean, s->item[s->at].set);
	bool all_given = s->config.load == LOAD_CURRENT || s->control.saturated != 0;
	if (steady_is(&s->steady) && (s->reached || (all_given && s->control.saturated_s > s->config.window_s)))
		begin_dwell(s, snap, true);
	else if (!(in_step_s < s->config.timeout_s))
		give_up_settling(s, snap, ret);
}

static void finish_point(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret)
{
	const struct sweep_item *it = &s->item[s->at];
	double torque_Nm = stats_run_result(&s->torque).mean;

	ret->event.kind = SEQ_EVENT_POINT;
	ret->event.point = (struct seq_point){
		.step = it->step,
		.direction = it->direction,
		.flags = s->config.flags | flags_of(it) | (s->settled ? 0 : POINT_NOT_SETTLED),
		.setpoint_Nm = setpoint_Nm(s, it),
		.setpoint_A = s->config.load == LOAD_CURRENT ? it->set : NAN,
		.setpoint_rpm = setpoint_rpm(s, it),
		.begin = s->phase_at,
		.end = snap->now,
		.settle_s = s->settle_s,
		.mean_torque_Nm = s->way * torque_Nm,
		.mean_speed_rpm = s->way * stats_run_result(&s->speed).mean,
	};
	s->points++;
	s->item[s->at].done = true;
	if (it->direction > 0)
		s->highest_step = it->step;
	s->reached = set_is_reached(s, torque_Nm, it->set);
	if (!s->reached && s->config.load == LOAD_TORQUE && torque_Nm < it->set) {
		char why[120];
		snprintf(
			why, sizeof why,
			"%.4g N\u00b7m was not reached (%.4g N\u00b7m at %.3g A brake current): heavier steps left out",
			it->set, torque_Nm, s->brake_A);
		leave_out_from(s, it, why);
	}
	if (sweep_search_point(s, it, s->reached || (s->config.load == LOAD_TORQUE && torque_Nm > it->set)))
		ret->event.point.flags |= POINT_AT_LIMIT;
	next_item(s, snap->now);
}

/* Long enough, and to the end of a turn where that is not far: what shafts out of line do once a turn falls out then.
 */
static bool dwelt(const struct seq_sweep *s, const struct snapshot *snap)
{
	double time_s = mono_diff_s(snap->now, s->phase_at), turns = fabs(snap->angle_rev - s->phase_angle_rev);

	if (s->pilot || time_s < s->dwell_s || s->torque.n < 4)
		return false;
	/* Whole turns that were begun when the dwell was over. */
	double begun = ceil(turns * s->dwell_s / time_s - TURN_END), left_s = begun / turns * time_s - s->dwell_s;

	return !(left_s <= s->dwell_s * TURN_WAIT) || turns >= begun - TURN_END;
}

/* The length is fixed once, from the pilot alone, and the window begins behind it. */
static void end_pilot(struct seq_sweep *s, const struct snapshot *snap)
{
	double time_s = mono_diff_s(snap->now, s->phase_at);

	if (!s->pilot || time_s < s->config.until.pilot_s)
		return;
	s->pilot = false;
	s->dwell_s = dwell_until_s(&s->config.until, &s->record, time_s);
	begin_window(s, snap);
}

static void step_dwell(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	bool fresh = snap->channel[CHANNEL_CELL].fresh != s->last_conversion;

	ret->phase = "average";
	if (collapses(s, snap, dt_s)) {
		ease(s, snap, ret);
		return;
	}
	if (fresh)
		stats_run_add(&s->torque, snap->torque_Nm);
	if (fresh && s->pilot)
		dwell_record_add(&s->record, snap->torque_Nm);
	end_pilot(s, snap);
	stats_run_add(&s->speed, snap->speed_rpm);
	if (isfinite(snap->current_A))
		stats_run_add(&s->ampere, snap->current_A);
	add_steady(s, snap);
	/* What was called steady proves to move: once more, while there is time, else it is not called so. */
	if (s->settled && steady_is_lost(&s->steady)) {
		if (mono_diff_s(snap->now, s->step_at) < s->config.timeout_s) {
			steady_clear(&s->steady);
			enter(s, SWEEP_LOAD, snap->now);
			return;
		}
		s->settled = false;
	}
	if (dwelt(s, snap))
		finish_point(s, snap, ret);
}

static void step_ease(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret)
{
	double waited_s = mono_diff_s(snap->now, s->phase_at);

	ret->phase = "ease";
	if (waited_s >= EASE_S && at_speed(s, snap)) {
		next_item(s, snap->now);
	} else if (waited_s > EASE_S + 3) {
		/* still not turning: no load at all, then on; a drive that has given up is the guard's to see */
		s->set = 0;
		if (waited_s > EASE_S + 10)
			give_up(ret, "the actuator did not return to its speed after the load was reduced");
	}
}

static void step_rest(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret)
{
	bool by_current = s->config.drive == PLAN_DRIVE_CURRENT;

	ret->phase = "rest";
	if (by_current) {
		/* without the brake it would run away: the drive goes first, the brake when the shaft stands */
		s->driven = false;
		s->drive_set_A = 0;
	}
	if (!by_current || !(fabs(snap->speed_rpm) > STANDSTILL_RPM))
		s->set = 0;
	if (!(mono_diff_s(snap->now, s->phase_at) < s->config.cool_s))
		begin_item(s, snap->now);
}

/* First the load, then the speed. A speed that is not reached is the step's to find. */
static void step_change(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	ret->phase = "spin";
	if (collapses(s, snap, dt_s)) {
		ease(s, snap, ret);
		return;
	}
	bool there = at_speed(s, snap) && fabs(s->speed_set_rpm - s->want_rpm) < 1e-9;
	bool too_long = !(mono_diff_s(snap->now, s->phase_at) < change_most_s(s) + s->config.timeout_s);
	if (there || too_long)
		begin_step(s, snap->now);
}

static void step_unload(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	ret->phase = "stop";
	if (s->config.drive == PLAN_DRIVE_CURRENT) {
		/* the drive's torque first, the brake stays until the shaft stands */
		enter(s, SWEEP_COAST, snap->now);
		return;
	}
	double turn_s = 60 / fmax(fabs(snap->speed_rpm), 6);
	s->brake_A = toward(s->brake_A, 0, s->config.control.max_A / (UNLOAD_TURNS * turn_s) * dt_s);
	if (s->brake_A <= 0)
		enter(s, SWEEP_COAST, snap->now);
}

static void step_coast(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret)
{
	ret->phase = "stop";
	if (!(fabs(snap->speed_rpm) > STANDSTILL_RPM))
		enter(s, SWEEP_END, snap->now);
	else if (mono_diff_s(snap->now, s->phase_at) > (s->config.drive == PLAN_HAND ? HAND_WAIT_S : COAST_S))
		give_up(ret, "the shaft does not stop with the drive off");
}

static void load_brake(struct seq_sweep *s, const struct snapshot *snap, double dt_s)
{
	if (s->phase == SWEEP_UNLOAD || s->phase == SWEEP_COAST || s->phase == SWEEP_END)
		return;
	if (s->phase == SWEEP_START || s->phase == SWEEP_SPIN)
		return;
	if (s->config.load == LOAD_CURRENT) {
		s->brake_A = toward(s->brake_A, s->set, s->config.control.slew_A_per_s * dt_s);
		return;
	}
	bool slow = !(fabs(snap->speed_rpm) > fmax(s->config.min_slip_rpm, STANDSTILL_RPM)) || s->phase == SWEEP_EASE;
	s->brake_A = torque_control_step(&s->control, &s->config.control, s->set, snap->torque_Nm, dt_s, slow);
}

static bool drive_runs(const struct seq_sweep *s)
{
	return s->phase != SWEEP_START && s->phase != SWEEP_COAST && s->phase != SWEEP_END;
}

static void set_drive(struct seq_sweep *s, double dt_s, struct wish *wish)
{
	wish->power = s->config.drive != PLAN_HAND;
	if (s->config.drive == PLAN_SPEED && drive_runs(s)) {
		/* no other speed before the load of the change is there */
		if (s->phase != SWEEP_CHANGE || load_arrived(s))
			s->speed_set_rpm = toward(s->speed_set_rpm, s->want_rpm, s->config.speed_slew_rpm_per_s * dt_s);
		wish->mode = DRIVE_SPEED;
		wish->speed_rpm = s->way * s->speed_set_rpm;
	}
	if (s->config.drive == PLAN_DRIVE_CURRENT && drive_runs(s)) {
		/* in current mode the brake is engaged first */
		if (load_arrived(s) && (s->phase == SWEEP_LOAD || s->phase == SWEEP_DWELL))
			s->driven = true;
		s->drive_set_A =
			toward(s->drive_set_A, s->driven ? s->config.drive_A : 0, s->config.drive_slew_A_per_s * dt_s);
		wish->mode = s->driven ? DRIVE_CURRENT : DRIVE_OFF;
		wish->drive_A = s->drive_set_A;
	}
}

static void progress(const struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret)
{
	size_t left = 0;
	double elapsed_s = mono_diff_s(snap->now, s->began);
	double guess_s = s->config.window_s * 1.5 + s->config.dwell_s + s->config.cool_s;

	for (size_t i = 0; i < s->n; i++)
		left += !s->item[i].done;
	ret->progress_frac = 1 - (double)left / (double)s->n;
	ret->remaining_s = (double)left * (s->points > 1 ? elapsed_s / (double)s->points : guess_s);
	ret->remaining_spread = s->points > 1 ? 0.15 : 0.4;
}

static void filter_torque(struct seq_sweep *s, const struct snapshot *snap, double dt_s)
{
	if (!isfinite(snap->torque_Nm))
		return;
	if (!isfinite(s->live_torque_Nm))
		s->live_torque_Nm = snap->torque_Nm;
	s->live_torque_Nm += (snap->torque_Nm - s->live_torque_Nm) * (1 - exp(-dt_s / 0.3));
}

static struct snapshot mirrored(const struct snapshot *snap)
{
	struct snapshot ret = *snap;

	ret.torque_Nm = -snap->torque_Nm;
	ret.speed_rpm = -snap->speed_rpm;
	ret.angle_rev = -snap->angle_rev;
	return ret;
}

static void step_phase(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	switch (s->phase) {
	case SWEEP_START: step_start(s, snap, ret); break;
	case SWEEP_SPIN: step_spin(s, snap, ret); break;
	case SWEEP_CHANGE: step_change(s, snap, ret, dt_s); break;
	case SWEEP_LOAD: step_load(s, snap, ret, dt_s); break;
	case SWEEP_DWELL: step_dwell(s, snap, ret, dt_s); break;
	case SWEEP_REST: step_rest(s, snap, ret); break;
	case SWEEP_EASE: step_ease(s, snap, ret); break;
	case SWEEP_UNLOAD: step_unload(s, snap, ret, dt_s); break;
	case SWEEP_COAST: step_coast(s, snap, ret); break;
	case SWEEP_END: break;
	}
}

static void step_along(struct seq_sweep *s, const struct snapshot *snap, struct seq_out *ret)
{

	if (!s->started) {
		s->started = true;
		s->began = s->last_now = snap->now;
		enter(s, SWEEP_START, snap->now);
	}
	double dt_s = mono_diff_s(snap->now, s->last_now);
	s->last_now = snap->now;
	memcpy(s->temp_degC, snap->temp_degC, sizeof s->temp_degC);
	for (int i = 0; i < TEMP_COUNT; i++)
		s->temp_seen[i] = s->temp_seen[i] || isfinite(s->temp_degC[i]);
	filter_torque(s, snap, dt_s);
	if (snap->drive_waits)
		enter(s, s->phase, snap->now);
	else
		step_phase(s, snap, ret, dt_s);
	announce(s, ret);
	s->last_conversion = snap->channel[CHANNEL_CELL].fresh;
	load_brake(s, snap, dt_s);
	progress(s, snap, ret);
	if (s->phase == SWEEP_END) {
		ret->done = true;
		return;
	}
	ret->wish.brake_A = s->brake_A;
	set_drive(s, dt_s, &ret->wish);
}

void seq_sweep_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct seq_sweep *s = state;

	if (s->way > 0) {
		step_along(s, snap, ret);
		return;
	}
	const struct snapshot seen = mirrored(snap);
	step_along(s, &seen, ret);
}
