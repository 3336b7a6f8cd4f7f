/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_obey.h"

#include "run/locked.h"

#include <math.h>

size_t seq_obey_stairs(double most_Nm, size_t quarter, size_t cycles, double *ret)
{
	size_t n = 0;

	if (4 * quarter * cycles > OBEY_STEPS)
		return 0;
	for (size_t c = 0; c < cycles; c++)
		for (size_t i = 1; i <= 4 * quarter; i++) {
			double up = i <= quarter       ? (double)i
				    : i <= 3 * quarter ? 2 * (double)quarter - (double)i
						       : (double)i - 4 * (double)quarter;
			ret[n++] = most_Nm * up / (double)quarter;
		}
	return n;
}

static double move_s(const struct obey_config *c, size_t at)
{
	return fabs(c->torque_Nm[at] - (at ? c->torque_Nm[at - 1] : 0)) / c->slew_Nm_per_s;
}

static double left_s(const struct obey_config *c, size_t from)
{
	double sum = LOCKED_WAIT_S + 2 * c->lock_A / c->slew_A_per_s;

	for (size_t i = from; i < c->n; i++)
		sum += move_s(c, i) + c->settle_s + c->window_s;
	return sum;
}

double seq_obey_s(const struct obey_config *config)
{
	return left_s(config, 0);
}

void seq_obey_begin(struct seq_obey *s, const struct obey_config *config)
{
	*s = (struct seq_obey){ .config = *config };
}

static void enter(struct seq_obey *s, enum obey_phase phase, const struct snapshot *snap)
{
	s->phase = phase;
	s->phase_at = snap->now;
}

static bool has_been(const struct seq_obey *s, const struct snapshot *snap, double time_s)
{
	return mono_diff_s(snap->now, s->phase_at) >= time_s - 1e-9;
}

static int way(const struct seq_obey *s)
{
	double before = s->at ? s->config.torque_Nm[s->at - 1] : 0;

	return s->config.torque_Nm[s->at] >= before ? 1 : -1;
}

static struct seq_point point(const struct seq_obey *s)
{
	return (struct seq_point){ .step = (int)s->at,
				   .direction = way(s),
				   .setpoint_Nm = s->config.torque_Nm[s->at],
				   .setpoint_A = NAN,
				   .setpoint_rpm = NAN };
}

static void begin_step(struct seq_obey *s, const struct snapshot *snap, struct seq_out *ret)
{
	enter(s, OBEY_MOVE, snap);
	ret->event.kind = SEQ_EVENT_STEP;
	ret->event.point = point(s);
}

static void step_lock(struct seq_obey *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	s->brake_A = locked_toward(s->brake_A, s->config.lock_A, s->config.slew_A_per_s * dt_s);
	if (s->brake_A < s->config.lock_A) {
		s->phase_at = snap->now;
	} else if (has_been(s, snap, LOCKED_WAIT_S)) {
		s->locked_deg = 360 * snap->angle_rev;
		begin_step(s, snap, ret);
	}
}

static void step_move(struct seq_obey *s, const struct snapshot *snap, double dt_s)
{
	double to_Nm = s->config.torque_Nm[s->at];

	s->set_Nm = locked_toward(s->set_Nm, to_Nm, s->config.slew_Nm_per_s * dt_s);
	if (!(fabs(s->set_Nm - to_Nm) > 1e-9))
		enter(s, OBEY_SETTLE, snap);
}

static void take(struct seq_obey *s, const struct snapshot *snap)
{
	uint32_t fresh = snap->channel[CHANNEL_CELL].fresh;

	if (fresh == s->conversion || !isfinite(snap->torque_Nm))
		return;
	s->conversion = fresh;
	s->sum_Nm += snap->torque_Nm;
	s->sum_n++;
}

static void finish_step(struct seq_obey *s, const struct snapshot *snap, struct seq_out *ret)
{
	double mean_Nm = s->sum_Nm / s->sum_n;
	struct seq_point p = point(s);

	p.begin = s->phase_at;
	p.end = snap->now;
	p.settle_s = s->config.settle_s;
	p.mean_torque_Nm = mean_Nm;
	p.mean_speed_rpm = snap->speed_rpm;
	ret->event.kind = SEQ_EVENT_POINT;
	ret->event.point = p;
	s->reading[s->n++] = (struct obey_reading){ s->set_Nm, mean_Nm, way(s), p.begin, p.end };
	s->at++;
}

/* The next step is begun on the tick after: a tick tells one event. */
static void step_take(struct seq_obey *s, const struct snapshot *snap, struct seq_out *ret)
{
	take(s, snap);
	if (!has_been(s, snap, s->config.window_s))
		return;
	if (s->sum_n == 0) {
		locked_give_up(ret,
			       "the cell gave no torque while a mean was taken; check its cable and the calibration");
		return;
	}
	finish_step(s, snap, ret);
	s->sum_Nm = 0;
	s->sum_n = 0;
	enter(s, OBEY_BACK, snap);
}

static void step_back(struct seq_obey *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	if (s->at < s->config.n) {
		begin_step(s, snap, ret);
		return;
	}
	s->set_Nm = locked_toward(s->set_Nm, 0, s->config.slew_Nm_per_s * dt_s);
	if (!(fabs(s->set_Nm) > 0))
		enter(s, OBEY_OFF, snap);
}

static void watch_slip(const struct seq_obey *s, const struct snapshot *snap, struct seq_out *ret)
{
	if (s->phase < OBEY_MOVE || s->phase > OBEY_BACK)
		return;
	locked_watch_slip(snap, s->locked_deg, s->config.slip_deg, s->set_Nm, "command less torque", ret);
}

static void set_wish(const struct seq_obey *s, struct seq_out *ret)
{
	ret->wish.power = s->phase < OBEY_RELEASE;
	ret->wish.brake_A = s->brake_A;
	if (s->phase < OBEY_MOVE || s->phase > OBEY_BACK)
		return;
	ret->wish.mode = DRIVE_TORQUE;
	ret->wish.torque_Nm = s->set_Nm;
	ret->wish.speed_rpm = s->config.limit_rpm;
}

static void step_phase(struct seq_obey *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	switch (s->phase) {
	case OBEY_START:
		if (snap->contactor_closed)
			enter(s, OBEY_LOCK, snap);
		else if (has_been(s, snap, LOCKED_CONTACTOR_S))
			locked_no_contactor(ret);
		break;
	case OBEY_LOCK: step_lock(s, snap, ret, dt_s); break;
	case OBEY_MOVE: step_move(s, snap, dt_s); break;
	case OBEY_SETTLE:
		s->conversion = snap->channel[CHANNEL_CELL].fresh;
		if (has_been(s, snap, s->config.settle_s))
			enter(s, OBEY_TAKE, snap);
		break;
	case OBEY_TAKE: step_take(s, snap, ret); break;
	case OBEY_BACK: step_back(s, snap, ret, dt_s); break;
	case OBEY_OFF:
		if (has_been(s, snap, LOCKED_OFF_S))
			enter(s, OBEY_RELEASE, snap);
		break;
	case OBEY_RELEASE:
		s->brake_A = locked_toward(s->brake_A, 0, s->config.slew_A_per_s * dt_s);
		if (!(s->brake_A > 0))
			enter(s, OBEY_END, snap);
		break;
	case OBEY_END: break;
	}
}

void seq_obey_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct seq_obey *s = state;

	if (!s->started) {
		s->started = true;
		s->last_now = snap->now;
		enter(s, OBEY_START, snap);
	}
	double dt_s = mono_diff_s(snap->now, s->last_now);
	s->last_now = snap->now;
	step_phase(s, snap, ret, dt_s);
	watch_slip(s, snap, ret);
	ret->phase = s->phase < OBEY_MOVE ? "lock" : s->phase < OBEY_OFF ? "step" : "release";
	ret->done = s->phase == OBEY_END;
	ret->progress_frac = ret->done ? 1 : (double)s->at / (double)(s->config.n + 1);
	ret->remaining_s = left_s(&s->config, s->at);
	set_wish(s, ret);
}
