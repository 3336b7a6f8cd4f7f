/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_excite.h"

#include "run/locked.h"

#include <math.h>
#include <stdio.h>

/* Common practice, no source. */
#define RISE_S 20.0     /* of a free shaft's torque to the largest */
#define TURNS_SHARE 0.2 /* of the speed: it turns */
#define HOLD_SHARE 0.2  /* of the torque at which it began to turn, for an error of the whole speed */
#define HOLD_S 4.0      /* the controller's integral time: slow beside the steps */
#define SETTLE_S 5.0    /* of a free shaft */
#define SETTLE_MOST_S 20.0
#define SETTLE_FRAC 0.3
#define STAND_S 1.0      /* of a locked one */
#define FIRST_SHARE 0.05 /* of that torque: the steps with which the size is begun */
#define MOST_SHARE 0.8   /* the commanded torque keeps its sign */
#define SIZE_STEPS 12
#define SIZE_TRIES 5
#define SIZE_FACTOR 4.0 /* at most, from try to try */
#define SIZE_NEAR 0.25
#define COAST_S 30.0
#define STANDS_rpm 1.0

static bool is_free(const struct excite_config *c)
{
	return c->speed_rpm > 0;
}

static double before_s(const struct excite_config *c)
{
	if (is_free(c))
		return RISE_S / 4 + SETTLE_S + 2 * SIZE_STEPS * c->step_s;
	return c->lock_A / c->slew_A_per_s + LOCKED_WAIT_S + c->torque_Nm / c->slew_Nm_per_s + STAND_S;
}

static double after_s(const struct excite_config *c)
{
	return c->torque_Nm / c->slew_Nm_per_s + LOCKED_OFF_S + (is_free(c) ? 2 : c->lock_A / c->slew_A_per_s);
}

double seq_excite_s(const struct excite_config *c)
{
	return before_s(c) + c->record_s + after_s(c);
}

void seq_excite_begin(struct seq_excite *s, const struct excite_config *config)
{
	*s = (struct seq_excite){ .config = *config, .bits = 1, .step = -1 };
	s->half_Nm = is_free(config) ? NAN : config->steps_Nm;
}

static void enter(struct seq_excite *s, enum excite_phase phase, const struct snapshot *snap)
{
	s->phase = phase;
	s->phase_at = snap->now;
	s->step = -1;
}

static double phase_s(const struct seq_excite *s, const struct snapshot *snap)
{
	return mono_diff_s(snap->now, s->phase_at) + 1e-9;
}

static struct seq_point point(const struct seq_excite *s)
{
	bool free = is_free(&s->config);

	return (struct seq_point){ .direction = 1,
				   .setpoint_Nm = free ? NAN : s->config.torque_Nm,
				   .setpoint_A = NAN,
				   .setpoint_rpm = free ? s->config.speed_rpm : NAN };
}

static int next_way(struct seq_excite *s)
{
	unsigned bit = (s->bits >> 14 ^ s->bits >> 13) & 1u;

	s->bits = (s->bits << 1 | bit) & 0x7fffu;
	return bit ? 1 : -1;
}

/* True on the tick that begins a step. */
static bool next_step(struct seq_excite *s, const struct snapshot *snap)
{
	long step = (long)(phase_s(s, snap) / s->config.step_s);

	if (step == s->step)
		return false;
	s->step = step;
	s->way = is_free(&s->config) && step % 2 ? -s->way : next_way(s);
	return true;
}

static double within(double value, double most)
{
	return fmin(fmax(value, 0), most);
}

/* The mean speed of a free shaft, slowly; NaN holds. */
static void hold_speed(struct seq_excite *s, const struct snapshot *snap, double dt_s)
{
	const struct excite_config *c = &s->config;
	double push_Nm = HOLD_SHARE * s->broke_Nm * (1 - snap->speed_rpm / c->speed_rpm);

	if (!isfinite(push_Nm))
		return;
	s->mean_Nm = within(s->mean_Nm + push_Nm * dt_s / HOLD_S, c->torque_Nm);
	s->set_Nm = within(s->mean_Nm + push_Nm, c->torque_Nm);
}

static void step_start(struct seq_excite *s, const struct snapshot *snap, struct seq_out *ret)
{
	if (snap->contactor_closed) {
		enter(s, is_free(&s->config) ? EXCITE_RISE : EXCITE_LOCK, snap);
		ret->event.kind = SEQ_EVENT_STEP;
		ret->event.point = point(s);
	} else if (phase_s(s, snap) >= LOCKED_CONTACTOR_S) {
		locked_no_contactor(ret);
	}
}

static void step_lock(struct seq_excite *s, const struct snapshot *snap, double dt_s)
{
	s->brake_A = locked_toward(s->brake_A, s->config.lock_A, s->config.slew_A_per_s * dt_s);
	if (s->brake_A < s->config.lock_A) {
		s->phase_at = snap->now;
	} else if (phase_s(s, snap) >= LOCKED_WAIT_S) {
		s->locked_deg = 360 * snap->angle_rev;
		enter(s, EXCITE_RISE, snap);
	}
}

static void rise_locked(struct seq_excite *s, const struct snapshot *snap, double dt_s)
{
	s->set_Nm = locked_toward(s->set_Nm, s->config.torque_Nm, s->config.slew_Nm_per_s * dt_s);
	s->mean_Nm = s->set_Nm;
	if (!(s->set_Nm < s->config.torque_Nm))
		enter(s, EXCITE_SETTLE, snap);
}

static void rise_free(struct seq_excite *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	const struct excite_config *c = &s->config;

	if (snap->speed_rpm > TURNS_SHARE * c->speed_rpm) {
		s->broke_Nm = s->mean_Nm = s->set_Nm;
		enter(s, EXCITE_SETTLE, snap);
		return;
	}
	s->set_Nm = locked_toward(s->set_Nm, c->torque_Nm, c->torque_Nm / RISE_S * dt_s);
	if (!(phase_s(s, snap) < RISE_S + 1)) {
		ret->stop = true;
		snprintf(ret->event.text, sizeof ret->event.text,
			 "the shaft does not turn at %.4g N\u00b7m commanded; command more (--torque), or look at "
			 "brake, drive and pick-up",
			 c->torque_Nm);
	}
}

static void settle_free(struct seq_excite *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	const struct excite_config *c = &s->config;
	bool near = fabs(snap->speed_rpm - c->speed_rpm) < SETTLE_FRAC * c->speed_rpm;

	hold_speed(s, snap, dt_s);
	if (near && phase_s(s, snap) >= SETTLE_S) {
		s->half_Nm = fmin(FIRST_SHARE * s->broke_Nm, c->steps_Nm);
		enter(s, EXCITE_SIZE, snap);
	} else if (!(phase_s(s, snap) < SETTLE_MOST_S)) {
		ret->stop = true;
		snprintf(ret->event.text, sizeof ret->event.text,
			 "the shaft does not keep a mean speed: %.3g rpm, wanted %.3g rpm; take another --speed",
			 snap->speed_rpm, c->speed_rpm);
	}
}

/* What a pair of steps makes of the speed: from its lowest to its highest, in the mean; a delay moves it and takes
 * nothing off. Then the steps' size by that. */
static void step_size(struct seq_excite *s, const struct snapshot *snap, double dt_s)
{
	const struct excite_config *c = &s->config;
	double most_Nm = fmin(MOST_SHARE * s->mean_Nm, c->steps_Nm);

	hold_speed(s, snap, dt_s);
	if (next_step(s, snap) && s->step % 2 == 0) {
		s->swings_rpm = s->step > 0 ? s->swings_rpm + s->high_rpm - s->low_rpm : 0;
		s->low_rpm = s->high_rpm = snap->speed_rpm;
	}
	s->low_rpm = fmin(s->low_rpm, snap->speed_rpm);
	s->high_rpm = fmax(s->high_rpm, snap->speed_rpm);
	if (s->step < SIZE_STEPS)
		return;
	double times = c->swing_rpm * SIZE_STEPS / 2 / s->swings_rpm;
	bool ends = fabs(times - 1) < SIZE_NEAR || ++s->tries == SIZE_TRIES;
	s->half_Nm = fmin(s->half_Nm * fmin(times, SIZE_FACTOR), most_Nm);
	s->begin = snap->now;
	enter(s, ends ? EXCITE_RECORD : EXCITE_SIZE, snap);
}

static void take(struct seq_excite *s, const struct snapshot *snap)
{
	if (s->n == EXCITE_ROWS)
		return;
	s->row[s->n++] = (struct excite_row){ .node_s = (double)snap->node_us * 1e-6,
					      .set_Nm = s->set_Nm,
					      .edge_s = snap->edge_time_s,
					      .edge_rev = snap->angle_rev,
					      .torque_Nm = snap->torque_Nm,
					      .conversion = snap->channel[CHANNEL_CELL].fresh };
}

static void finish(struct seq_excite *s, const struct snapshot *snap, struct seq_out *ret)
{
	ret->event.kind = SEQ_EVENT_POINT;
	ret->event.point = point(s);
	ret->event.point.begin = s->begin;
	ret->event.point.end = snap->now;
	ret->event.point.mean_torque_Nm = snap->torque_Nm;
	ret->event.point.mean_speed_rpm = snap->speed_rpm;
	enter(s, EXCITE_DOWN, snap);
}

static void step_record(struct seq_excite *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	const struct excite_config *c = &s->config;

	if (phase_s(s, snap) >= c->record_s) {
		finish(s, snap, ret);
		return;
	}
	if (is_free(c))
		hold_speed(s, snap, dt_s);
	next_step(s, snap);
	/* A controller that was driven far down keeps the torque's sign. */
	s->set_Nm =
		is_free(c) ? within(s->set_Nm + s->way * s->half_Nm, c->torque_Nm) : s->mean_Nm + s->way * s->half_Nm;
	take(s, snap);
}

static void step_settle(struct seq_excite *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	if (is_free(&s->config)) {
		settle_free(s, snap, ret, dt_s);
	} else if (phase_s(s, snap) >= STAND_S) {
		s->begin = snap->now;
		enter(s, EXCITE_RECORD, snap);
	}
}

/* A free shaft has to stand before it is done; one that coasts on is the zero's affair. */
static void step_off(struct seq_excite *s, const struct snapshot *snap)
{
	bool stands = fabs(snap->speed_rpm) < STANDS_rpm;

	if (phase_s(s, snap) < LOCKED_OFF_S || (is_free(&s->config) && !stands && phase_s(s, snap) < COAST_S))
		return;
	enter(s, EXCITE_RELEASE, snap);
}

static void step_phase(struct seq_excite *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	switch (s->phase) {
	case EXCITE_START: step_start(s, snap, ret); break;
	case EXCITE_LOCK: step_lock(s, snap, dt_s); break;
	case EXCITE_RISE:
		if (is_free(&s->config))
			rise_free(s, snap, ret, dt_s);
		else
			rise_locked(s, snap, dt_s);
		break;
	case EXCITE_SETTLE: step_settle(s, snap, ret, dt_s); break;
	case EXCITE_SIZE:
		step_size(s, snap, dt_s);
		if (s->phase == EXCITE_SIZE)
			s->set_Nm = within(s->set_Nm + s->way * s->half_Nm, s->config.torque_Nm);
		break;
	case EXCITE_RECORD: step_record(s, snap, ret, dt_s); break;
	case EXCITE_DOWN:
		s->set_Nm = locked_toward(s->set_Nm, 0, s->config.slew_Nm_per_s * dt_s);
		if (!(s->set_Nm > 0))
			enter(s, EXCITE_OFF, snap);
		break;
	case EXCITE_OFF: step_off(s, snap); break;
	case EXCITE_RELEASE:
		s->brake_A = locked_toward(s->brake_A, 0, s->config.slew_A_per_s * dt_s);
		if (!(s->brake_A > 0))
			enter(s, EXCITE_END, snap);
		break;
	case EXCITE_END: break;
	}
}

/* The guard counts cycles, and by a limit that allows for the steps: this needs one reading. */
static void watch_torque(const struct seq_excite *s, const struct snapshot *snap, struct seq_out *ret)
{
	double least_Nm = s->phase == EXCITE_RECORD ? 0 : -s->config.most_Nm;

	if (ret->stop || (snap->torque_Nm >= least_Nm && snap->torque_Nm <= s->config.most_Nm))
		return;
	ret->stop = true;
	snprintf(ret->event.text, sizeof ret->event.text,
		 "the torque swings beyond what the steps may reach: %.4g N\u00b7m, expected %.4g to %.4g N\u00b7m; "
		 "try lower gains of the drive, or smaller steps (--swing)",
		 snap->torque_Nm, least_Nm, s->config.most_Nm);
}

static void watch(const struct seq_excite *s, const struct snapshot *snap, struct seq_out *ret)
{
	const struct excite_config *c = &s->config;

	if (s->phase < EXCITE_RISE || s->phase > EXCITE_DOWN)
		return;
	if (!is_free(c)) {
		locked_watch_slip(snap, s->locked_deg, c->slip_deg, s->set_Nm, "command less torque", ret);
		watch_torque(s, snap, ret);
	} else if (!(fabs(snap->speed_rpm) <= c->limit_rpm)) {
		ret->stop = true;
		snprintf(ret->event.text, sizeof ret->event.text,
			 "the free shaft ran away: %.3g rpm, limit %.3g rpm; look at the drive's torque mode",
			 snap->speed_rpm, c->limit_rpm);
	}
}

static void set_wish(const struct seq_excite *s, struct seq_out *ret)
{
	ret->wish.power = s->phase < EXCITE_RELEASE;
	ret->wish.brake_A = s->brake_A;
	if (s->phase < EXCITE_RISE || s->phase > EXCITE_DOWN)
		return;
	ret->wish.mode = DRIVE_TORQUE;
	ret->wish.torque_Nm = s->set_Nm;
	ret->wish.speed_rpm = s->config.limit_rpm;
}

static double left_s(const struct seq_excite *s, const struct snapshot *snap)
{
	double left = seq_excite_s(&s->config);

	if (s->phase >= EXCITE_RECORD)
		left -= before_s(&s->config) + (s->phase == EXCITE_RECORD ? phase_s(s, snap) : s->config.record_s);
	return left;
}

void seq_excite_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	static const char *const word[] = { "start",  "lock", "rise", "settle",  "size",
					    "record", "stop", "stop", "release", "end" };
	struct seq_excite *s = state;

	if (!s->started) {
		s->started = true;
		s->last_now = snap->now;
		enter(s, EXCITE_START, snap);
	}
	double dt_s = mono_diff_s(snap->now, s->last_now);
	s->last_now = snap->now;
	step_phase(s, snap, ret, dt_s);
	watch(s, snap, ret);
	ret->phase = word[s->phase];
	ret->done = s->phase == EXCITE_END;
	ret->remaining_s = left_s(s, snap);
	ret->progress_frac = ret->done ? 1 : fmin(fmax(1 - ret->remaining_s / seq_excite_s(&s->config), 0), 0.999);
	set_wish(s, ret);
}
