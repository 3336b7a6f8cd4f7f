/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_play.h"

#include "run/locked.h"

#include <math.h>

#define JUMP_S 0.2 /* the time of config.jump_arcmin */

static int legs(const struct seq_play_config *c)
{
	return 2 * c->loops + 2;
}

static double leg_to_Nm(const struct seq_play *s)
{
	if (s->leg == legs(&s->config) - 1)
		return 0;
	return s->leg % 2 == 0 ? s->config.torque_Nm : -s->config.torque_Nm;
}

static double left_s(const struct seq_play_config *c, int leg)
{
	double one_s = c->torque_Nm / c->slew_Nm_per_s;
	double whole = leg == 0 ? 1 + 4.0 * c->loops + 1 : 2.0 * (legs(c) - 1 - leg) + 1;

	return LOCKED_WAIT_S + 2 * c->lock_A / c->slew_A_per_s + whole * one_s;
}

double seq_play_s(const struct seq_play_config *config)
{
	return left_s(config, 0);
}

void seq_play_begin(struct seq_play *s, const struct seq_play_config *config)
{
	*s = (struct seq_play){ .config = *config };
}

static void enter(struct seq_play *s, enum seq_play_phase phase, const struct snapshot *snap)
{
	s->phase = phase;
	s->phase_at = snap->now;
}

static bool has_been(const struct seq_play *s, const struct snapshot *snap, double time_s)
{
	return mono_diff_s(snap->now, s->phase_at) >= time_s - 1e-9;
}

static struct seq_point point(const struct seq_play *s)
{
	return (struct seq_point){ .step = s->leg,
				   .direction = s->leg % 2 == 0 ? 1 : -1,
				   .setpoint_Nm = leg_to_Nm(s),
				   .setpoint_A = NAN,
				   .setpoint_rpm = NAN };
}

/* The shorter way round. */
static double turned_deg(double from_deg, double to_deg)
{
	return remainder(to_deg - from_deg, 360);
}

static void take_angle(struct seq_play *s, const struct snapshot *snap)
{
	if (!s->has_angle)
		s->turned_deg = 0;
	else
		s->turned_deg += turned_deg(s->rotor_deg, snap->rotor_deg);
	s->rotor_deg = snap->rotor_deg;
	s->has_angle = true;
}

/* Words that come more often are held to less, down to a tenth: the step of the angle itself is no jump. */
static bool has_jumped(struct seq_play *s, struct mono now)
{
	double moved_arcmin = 60 * fabs(s->turned_deg - s->before_deg) / s->config.ratio,
	       share = mono_diff_s(now, s->before_at) / JUMP_S;

	s->before_deg = s->turned_deg;
	s->before_at = now;
	return !(moved_arcmin <= s->config.jump_arcmin * fmin(1, fmax(0.1, share)));
}

/* Of the four conversions before that one. */
static double mean_Nm(const struct seq_play *s, unsigned end)
{
	double sum_Nm = 0;

	for (unsigned i = end - SEQ_PLAY_MEAN; i < end; i++)
		sum_Nm += s->newest_Nm[i % (2 * SEQ_PLAY_MEAN)];
	return sum_Nm / SEQ_PLAY_MEAN;
}

/* Three times what the command makes of the time; two means of four are apart by 0.7 times the noise of one. */
static bool is_steady(const struct seq_play *s, struct mono now, double step_Nm)
{
	double noise_Nm = s->still_n > 0 ? sqrt(s->still_Nm2 / s->still_n / 2) : 0;

	return fabs(step_Nm) <= 3 * (s->config.slew_Nm_per_s * mono_diff_s(now, s->word_now) + noise_Nm);
}

static void finish_row(struct seq_play *s, struct mono now)
{
	double before_Nm, after_Nm;

	if (!s->word_waits || s->n_newest < s->word_n + SEQ_PLAY_MEAN)
		return;
	s->word_waits = false;
	before_Nm = mean_Nm(s, s->word_n);
	after_Nm = mean_Nm(s, s->n_newest);
	if (!is_steady(s, now, after_Nm - before_Nm) || s->n >= SEQ_PLAY_ROWS)
		return;
	s->torque_Nm[s->n] = before_Nm;
	s->angle_arcmin[s->n] = 60 * s->word_turned_deg / s->config.ratio;
	s->n++;
}

static void begin_row(struct seq_play *s, struct mono now)
{
	if (has_jumped(s, now) || s->word_waits || s->n_newest < SEQ_PLAY_MEAN)
		return;
	s->word_waits = true;
	s->word_n = s->n_newest;
	s->word_now = now;
	s->word_turned_deg = s->turned_deg;
}

static bool has_converted(struct seq_play *s, const struct snapshot *snap)
{
	uint32_t cell = snap->channel[CHANNEL_CELL].fresh;
	bool is_new = cell != s->conversion && isfinite(snap->torque_Nm);

	s->conversion = cell;
	return is_new;
}

/* The brake holds and nothing drives: successive conversions differ by the cell's noise alone. */
static void take_still(struct seq_play *s, const struct snapshot *snap)
{
	if (!has_converted(s, snap))
		return;
	if (s->has_still) {
		s->still_Nm2 += (snap->torque_Nm - s->last_still_Nm) * (snap->torque_Nm - s->last_still_Nm);
		s->still_n++;
	}
	s->has_still = true;
	s->last_still_Nm = snap->torque_Nm;
}

static void take(struct seq_play *s, const struct snapshot *snap)
{
	uint32_t drive = snap->channel[CHANNEL_DRIVE].fresh;

	if (has_converted(s, snap)) {
		s->newest_Nm[s->n_newest++ % (2 * SEQ_PLAY_MEAN)] = snap->torque_Nm;
		finish_row(s, snap->now);
	}
	if (drive == s->drive_fresh || !isfinite(snap->rotor_deg))
		return;
	s->drive_fresh = drive;
	if (s->n_words < SEQ_PLAY_WORDS) {
		s->word_at[s->n_words] = snap->now;
		s->word_deg[s->n_words++] = snap->rotor_deg;
	}
	take_angle(s, snap);
	begin_row(s, snap->now);
}

const char *seq_play_untold(const struct snapshot *snap)
{
	return isfinite(snap->rotor_deg)
		       ? NULL
		       : "the drive does not tell the angle of its rotor (docs/tether.md, RANGLE); measure with a dial "
			 "gauge and use --from";
}

static void step_start(struct seq_play *s, const struct snapshot *snap, struct seq_out *ret)
{
	bool waited = has_been(s, snap, LOCKED_CONTACTOR_S);

	const char *untold = seq_play_untold(snap);

	if (snap->contactor_closed && !untold)
		enter(s, SEQ_PLAY_LOCK, snap);
	else if (waited && !snap->contactor_closed)
		locked_no_contactor(ret);
	else if (waited)
		locked_give_up(ret, untold);
}

static void step_lock(struct seq_play *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	s->brake_A = locked_toward(s->brake_A, s->config.lock_A, s->config.slew_A_per_s * dt_s);
	if (s->brake_A < s->config.lock_A) {
		s->phase_at = snap->now;
		return;
	}
	take_still(s, snap);
	if (has_been(s, snap, LOCKED_WAIT_S)) {
		s->locked_deg = 360 * snap->angle_rev;
		s->begin = snap->now;
		enter(s, SEQ_PLAY_MOVE, snap);
		ret->event.kind = SEQ_EVENT_STEP;
		ret->event.point = point(s);
	}
}

static void finish_leg(struct seq_play *s, const struct snapshot *snap, struct seq_out *ret)
{
	ret->event.kind = SEQ_EVENT_POINT;
	ret->event.point = point(s);
	ret->event.point.begin = s->begin;
	ret->event.point.end = snap->now;
	ret->event.point.mean_torque_Nm = snap->torque_Nm;
	ret->event.point.mean_speed_rpm = snap->speed_rpm;
	s->begin = snap->now;
	s->leg++;
	if (s->leg == legs(&s->config))
		enter(s, SEQ_PLAY_OFF, snap);
}

static void step_move(struct seq_play *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	double to_Nm = leg_to_Nm(s);

	s->set_Nm = locked_toward(s->set_Nm, to_Nm, s->config.slew_Nm_per_s * dt_s);
	if (s->leg < legs(&s->config) - 1)
		take(s, snap);
	if (!(fabs(s->set_Nm - to_Nm) > 1e-9))
		finish_leg(s, snap, ret);
}

static void watch_slip(const struct seq_play *s, const struct snapshot *snap, struct seq_out *ret)
{
	if (s->phase != SEQ_PLAY_MOVE)
		return;
	locked_watch_slip(snap, s->locked_deg, s->config.slip_deg, s->set_Nm, "command less torque", ret);
}

static void set_wish(const struct seq_play *s, struct seq_out *ret)
{
	ret->wish.power = s->phase < SEQ_PLAY_RELEASE;
	ret->wish.brake_A = s->brake_A;
	if (s->phase != SEQ_PLAY_MOVE)
		return;
	ret->wish.mode = DRIVE_TORQUE;
	ret->wish.torque_Nm = s->set_Nm;
	ret->wish.speed_rpm = s->config.limit_rpm;
}

static void step_phase(struct seq_play *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	switch (s->phase) {
	case SEQ_PLAY_START: step_start(s, snap, ret); break;
	case SEQ_PLAY_LOCK: step_lock(s, snap, ret, dt_s); break;
	case SEQ_PLAY_MOVE: step_move(s, snap, ret, dt_s); break;
	case SEQ_PLAY_OFF:
		if (has_been(s, snap, LOCKED_OFF_S))
			enter(s, SEQ_PLAY_RELEASE, snap);
		break;
	case SEQ_PLAY_RELEASE:
		s->brake_A = locked_toward(s->brake_A, 0, s->config.slew_A_per_s * dt_s);
		if (!(s->brake_A > 0))
			enter(s, SEQ_PLAY_END, snap);
		break;
	case SEQ_PLAY_END: break;
	}
}

void seq_play_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct seq_play *s = state;

	if (!s->started) {
		s->started = true;
		s->last_now = snap->now;
		enter(s, SEQ_PLAY_START, snap);
	}
	double dt_s = mono_diff_s(snap->now, s->last_now);
	s->last_now = snap->now;
	step_phase(s, snap, ret, dt_s);
	watch_slip(s, snap, ret);
	ret->phase = s->phase < SEQ_PLAY_MOVE ? "lock" : s->phase == SEQ_PLAY_MOVE ? "loop" : "release";
	ret->done = s->phase == SEQ_PLAY_END;
	ret->progress_frac = ret->done ? 1 : (double)s->leg / (legs(&s->config) + 1);
	ret->remaining_s = s->phase == SEQ_PLAY_MOVE || s->phase < SEQ_PLAY_MOVE ? left_s(&s->config, s->leg) : NAN;
	set_wish(s, ret);
}
