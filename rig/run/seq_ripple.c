/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_ripple.h"

#include "run/locked.h"

#include <math.h>

#define SETTLE_TURNS 1.0
#define BEYOND_TURNS SETTLE_TURNS
#define SPARE_TURNS 0.25 /* so that the turns that both ways share are whole */
#define SLOW_FACTOR 3.0  /* and SLOW_S: longer than planned by this much, the shaft does not turn as commanded */
#define SLOW_S 10.0
#define FULL_BRAKE_S 2.0
#define LOADED_S 2.0 /* after the ramp of the torque, before its current is left alone */

static double turns_s(const struct ripple_config *c, double turns)
{
	return turns * 60 / c->speed_rpm;
}

/* Until the brake's torque is there; 0 without one. */
static double load_s(const struct ripple_config *c)
{
	return c->torque_Nm > 0 ? c->torque_Nm / c->control.ramp_Nm_per_s + LOADED_S : 0;
}

/* From the phase's begin to the end, the phases behind it by their plan. */
static double left_s(const struct ripple_config *c, int way, enum ripple_phase phase)
{
	double turns = 0, turn_s = c->speed_rpm / c->slew_rpm_per_s;

	double first_s = phase <= RIPPLE_SETTLE && way > 0 ? fmax(load_s(c), turns_s(c, SETTLE_TURNS)) : 0;
	if (phase <= RIPPLE_SETTLE && way < 0)
		turns += SETTLE_TURNS;
	if (phase <= RIPPLE_RECORD)
		turns += c->turns + SPARE_TURNS;
	if (way > 0)
		turns += SETTLE_TURNS + BEYOND_TURNS + c->turns + SPARE_TURNS;
	return first_s + turns_s(c, turns) + (way > 0 ? 3 : 1) * turn_s + LOCKED_OFF_S;
}

double seq_ripple_s(const struct ripple_config *config)
{
	return left_s(config, 1, RIPPLE_START);
}

void seq_ripple_begin(struct seq_ripple *s, const struct ripple_config *config)
{
	*s = (struct seq_ripple){ .config = *config, .way = 1 };
}

static void enter(struct seq_ripple *s, enum ripple_phase phase, const struct snapshot *snap)
{
	s->phase = phase;
	s->phase_at = snap->now;
	s->phase_rev = snap->angle_rev;
}

static double phase_s(const struct seq_ripple *s, const struct snapshot *snap)
{
	return mono_diff_s(snap->now, s->phase_at);
}

/* The way of this phase that was turned, positive when it was the right one; NaN stays NaN. */
static bool turned(const struct seq_ripple *s, const struct snapshot *snap, double turns, struct seq_out *ret)
{
	double done = s->way * (snap->angle_rev - s->phase_rev);

	if (done >= turns)
		return true;
	if (!(phase_s(s, snap) <= SLOW_FACTOR * turns_s(&s->config, turns) + SLOW_S))
		locked_give_up(
			ret, "the shaft does not turn as commanded; look at drive, coupling and pick-up, or command a "
			     "higher speed");
	return false;
}

static double angle_rev(const struct seq_ripple *s, const struct snapshot *snap)
{
	double pulse = 1 / s->config.pulses_per_rev, since = fabs(snap->speed_rpm) / 60 * snap->edge_age_s;

	return snap->angle_rev + s->way * (isfinite(since) ? fmin(since, pulse) : 0);
}

/* Angles go on from row to row; a pulse that came early leaves a row out. */
static void take(struct seq_ripple *s, const struct snapshot *snap)
{
	uint32_t fresh = snap->channel[CHANNEL_CELL].fresh;
	size_t first = s->way > 0 ? 0 : s->n_there;

	if (fresh == s->conversion || !isfinite(snap->torque_Nm) || s->n == RIPPLE_ROWS)
		return;
	s->conversion = fresh;
	double turn = angle_rev(s, snap);
	if (s->n > first && !(s->way * (turn - s->turn[s->n - 1]) > 0))
		return;
	s->turn[s->n] = turn;
	s->torque_Nm[s->n] = snap->torque_Nm;
	s->time_s[s->n++] = mono_diff_s(snap->now, s->begin);
}

static struct seq_point point(const struct seq_ripple *s, const struct snapshot *snap)
{
	return (struct seq_point){ .step = s->way > 0 ? 0 : 1,
				   .direction = s->way,
				   .setpoint_Nm = s->config.torque_Nm,
				   .setpoint_A = NAN,
				   .setpoint_rpm = s->way * s->config.speed_rpm,
				   .begin = s->phase_at,
				   .end = snap->now,
				   .mean_torque_Nm = snap->torque_Nm,
				   .mean_speed_rpm = snap->speed_rpm };
}

static void step_start(struct seq_ripple *s, const struct snapshot *snap, struct seq_out *ret)
{
	if (snap->contactor_closed) {
		s->begin = snap->now;
		enter(s, RIPPLE_SETTLE, snap);
		ret->event.kind = SEQ_EVENT_STEP;
		ret->event.point = point(s, snap);
	} else if (phase_s(s, snap) >= LOCKED_CONTACTOR_S) {
		locked_no_contactor(ret);
	}
}

/* Only before the record forward does the brake's current move. */
static void step_settle(struct seq_ripple *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	if (s->way > 0 && s->config.torque_Nm > 0)
		s->brake_A = torque_control_step(&s->control, &s->config.control, s->config.torque_Nm, snap->torque_Nm,
						 dt_s, !(fabs(snap->speed_rpm) > 0.3 * s->config.speed_rpm));
	bool loaded = s->way < 0 || phase_s(s, snap) >= load_s(&s->config);
	if (turned(s, snap, SETTLE_TURNS, ret) && loaded) {
		s->conversion = snap->channel[CHANNEL_CELL].fresh;
		enter(s, RIPPLE_RECORD, snap);
	}
}

static void step_record(struct seq_ripple *s, const struct snapshot *snap, struct seq_out *ret)
{
	take(s, snap);
	if (s->n == RIPPLE_ROWS)
		locked_give_up(ret, "the record has no room for more readings; command fewer turns or a higher speed");
	if (!turned(s, snap, s->config.turns + SPARE_TURNS, ret))
		return;
	if (s->way > 0)
		s->n_there = s->n;
	ret->event.kind = SEQ_EVENT_POINT;
	ret->event.point = point(s, snap);
	enter(s, s->way > 0 ? RIPPLE_BEYOND : RIPPLE_DOWN, snap);
}

static void step_beyond(struct seq_ripple *s, const struct snapshot *snap, struct seq_out *ret)
{
	if (!turned(s, snap, BEYOND_TURNS, ret))
		return;
	s->way = -1;
	enter(s, RIPPLE_SETTLE, snap);
	ret->event.kind = SEQ_EVENT_STEP;
	ret->event.point = point(s, snap);
}

static void step_phase(struct seq_ripple *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	const struct ripple_config *c = &s->config;
	bool turns = s->phase > RIPPLE_START && s->phase < RIPPLE_DOWN;

	s->set_rpm = locked_toward(s->set_rpm, turns ? s->way * c->speed_rpm : 0, c->slew_rpm_per_s * dt_s);
	switch (s->phase) {
	case RIPPLE_START: step_start(s, snap, ret); break;
	case RIPPLE_SETTLE: step_settle(s, snap, ret, dt_s); break;
	case RIPPLE_RECORD: step_record(s, snap, ret); break;
	case RIPPLE_BEYOND: step_beyond(s, snap, ret); break;
	case RIPPLE_DOWN:
		if (!(fabs(s->set_rpm) > 0))
			enter(s, RIPPLE_RELEASE, snap);
		break;
	case RIPPLE_RELEASE:
		s->brake_A = locked_toward(s->brake_A, 0, c->control.max_A / FULL_BRAKE_S * dt_s);
		if (!(s->brake_A > 0) && phase_s(s, snap) >= LOCKED_OFF_S)
			enter(s, RIPPLE_END, snap);
		break;
	case RIPPLE_END: break;
	}
}

static void set_wish(const struct seq_ripple *s, struct seq_out *ret)
{
	ret->wish.power = s->phase < RIPPLE_RELEASE;
	ret->wish.brake_A = s->brake_A;
	if (s->phase == RIPPLE_START || s->phase > RIPPLE_DOWN)
		return;
	ret->wish.mode = DRIVE_SPEED;
	ret->wish.speed_rpm = s->set_rpm;
}

void seq_ripple_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	static const char *const word[] = { "start", "settle", "record", "beyond", "stop", "release", "end" };
	struct seq_ripple *s = state;

	if (!s->started) {
		s->started = true;
		s->last_now = snap->now;
		enter(s, RIPPLE_START, snap);
	}
	double dt_s = mono_diff_s(snap->now, s->last_now);
	s->last_now = snap->now;
	step_phase(s, snap, ret, dt_s);
	double whole_s = seq_ripple_s(&s->config), left = left_s(&s->config, s->way, s->phase) - phase_s(s, snap);
	ret->phase = word[s->phase];
	ret->done = s->phase == RIPPLE_END;
	ret->remaining_s = fmax(0, left);
	ret->progress_frac = ret->done ? 1 : fmin(fmax(1 - left / whole_s, 0), 0.999);
	set_wish(s, ret);
}
