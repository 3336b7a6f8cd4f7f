/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_obey_turn.h"

#include "run/locked.h"

#include <math.h>
#include <stdio.h>

/* Common practice, no source. */
#define RISE_S 20.0     /* of a free shaft's torque to the largest */
#define TURNS_SHARE 0.2 /* of the speed: it turns */
#define HOLD_S 1.0      /* the controller's integral time */
#define FIRST_S 4.0     /* for the speed to settle without load */
#define LOST_SHARE 0.25 /* of the speed: less is a shaft that the load stops */
#define FAST_SHARE 2.0  /* of the speed: that the drive keeps, and more is a shaft that runs away */
#define STANDS_rpm 1.0
#define COAST_S 30.0
#define FEED_S 0.05 /* of the cell's reading in the command */
#define DOWN_S 2.0  /* of the torque without load to 0 */

static size_t stair(const struct obey_turn_config *c)
{
	return 2 * c->steps + 1;
}

size_t seq_obey_turn_rows(const struct obey_turn_config *c)
{
	return 2 * c->n_speeds * stair(c);
}

static double leg_s(const struct obey_turn_config *c)
{
	double move_s = 2 * c->load_Nm / c->control.ramp_Nm_per_s;

	return RISE_S / 4 + FIRST_S + (double)stair(c) * (c->settle_s + c->window_s) + move_s + DOWN_S + 2;
}

double seq_obey_turn_s(const struct obey_turn_config *c)
{
	return 2 * (double)c->n_speeds * leg_s(c);
}

void seq_obey_turn_begin(struct seq_obey_turn *s, const struct obey_turn_config *config)
{
	*s = (struct seq_obey_turn){ .config = *config };
}

static void enter(struct seq_obey_turn *s, enum obey_turn_phase phase, const struct snapshot *snap)
{
	s->phase = phase;
	s->phase_at = snap->now;
}

static double phase_s(const struct seq_obey_turn *s, const struct snapshot *snap)
{
	return mono_diff_s(snap->now, s->phase_at) + 1e-9;
}

static int way(const struct seq_obey_turn *s)
{
	return s->leg % 2 ? -1 : 1;
}

static double speed_rpm(const struct seq_obey_turn *s)
{
	return s->config.speed_rpm[s->leg / 2];
}

static size_t load(const struct seq_obey_turn *s)
{
	return s->at <= s->config.steps ? s->at : 2 * s->config.steps - s->at;
}

static double wanted_Nm(const struct seq_obey_turn *s)
{
	return s->config.load_Nm * (double)load(s) / (double)s->config.steps;
}

static struct seq_point point(const struct seq_obey_turn *s)
{
	return (struct seq_point){ .step = (int)load(s),
				   .direction = way(s),
				   .setpoint_Nm = wanted_Nm(s),
				   .setpoint_A = NAN,
				   .setpoint_rpm = way(s) * speed_rpm(s) };
}

/* The load as the cell reads it, and the speed's controller on top: a load that comes is met at once. */
static void hold_speed(struct seq_obey_turn *s, const struct snapshot *snap, double dt_s)
{
	double error = 1 - way(s) * snap->speed_rpm / speed_rpm(s), read_Nm = way(s) * snap->torque_Nm;

	if (!isfinite(error) || !isfinite(read_Nm))
		return;
	s->load_Nm += (fmax(0, read_Nm) - s->load_Nm) * (1 - exp(-dt_s / FEED_S));
	s->slow_Nm += s->broke_Nm * error * dt_s / HOLD_S;
	s->slow_Nm = fmin(fmax(s->slow_Nm, -s->load_Nm), s->config.most_Nm);
	s->set_Nm = fmin(fmax(s->load_Nm + s->slow_Nm + s->broke_Nm * error, 0), s->config.most_Nm);
}

static void set_brake(struct seq_obey_turn *s, const struct snapshot *snap, double Nm, double dt_s)
{
	bool slow = !(way(s) * snap->speed_rpm > TURNS_SHARE * speed_rpm(s));

	s->brake_A = torque_control_step(&s->control, &s->config.control, Nm, way(s) * snap->torque_Nm, dt_s, slow);
}

static void begin_load(struct seq_obey_turn *s, const struct snapshot *snap, struct seq_out *ret)
{
	enter(s, TURN_LOAD, snap);
	ret->event.kind = SEQ_EVENT_STEP;
	ret->event.point = point(s);
}

static void step_rise(struct seq_obey_turn *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	double most_Nm = s->config.most_Nm;

	if (way(s) * snap->speed_rpm > TURNS_SHARE * speed_rpm(s)) {
		s->broke_Nm = s->set_Nm;
		s->load_Nm = fmax(0, way(s) * snap->torque_Nm);
		s->slow_Nm = s->set_Nm - s->load_Nm;
		begin_load(s, snap, ret);
		return;
	}
	s->set_Nm = locked_toward(s->set_Nm, most_Nm, most_Nm / RISE_S * dt_s);
	if (!(phase_s(s, snap) < RISE_S + 1)) {
		ret->stop = true;
		snprintf(ret->event.text, sizeof ret->event.text,
			 "the shaft does not turn at %.4g N\u00b7m commanded; command more (--torque), or look at "
			 "brake, drive and pick-up",
			 way(s) * most_Nm);
	}
}

static void step_load(struct seq_obey_turn *s, const struct snapshot *snap, double dt_s)
{
	double wait_s = s->config.settle_s + (s->at == 0 ? FIRST_S : 0);

	hold_speed(s, snap, dt_s);
	if (load(s) > 0 || s->brake_A > 0)
		set_brake(s, snap, wanted_Nm(s), dt_s);
	if (s->brake_A > 0 && !torque_control_arrived(&s->control)) {
		s->phase_at = snap->now;
		return;
	}
	if (phase_s(s, snap) < wait_s)
		return;
	s->sum_set_Nm = s->sum_Nm = s->sum_rpm = s->sum_rotor_rpm = 0;
	s->sum_n = s->sum_ticks = s->sum_words = 0;
	s->conversion = snap->channel[CHANNEL_CELL].fresh;
	s->word = snap->channel[CHANNEL_DRIVE].fresh;
	enter(s, TURN_TAKE, snap);
}

static void take_word(struct seq_obey_turn *s, const struct snapshot *snap)
{
	uint32_t word = snap->channel[CHANNEL_DRIVE].fresh;

	if (word == s->word || !isfinite(snap->drive_rotor_rpm))
		return;
	s->word = word;
	s->sum_rotor_rpm += snap->drive_rotor_rpm;
	s->sum_words++;
}

static void take(struct seq_obey_turn *s, const struct snapshot *snap)
{
	uint32_t fresh = snap->channel[CHANNEL_CELL].fresh;

	s->sum_set_Nm += way(s) * s->set_Nm;
	s->sum_rpm += snap->speed_rpm;
	s->sum_ticks++;
	take_word(s, snap);
	if (fresh == s->conversion || !isfinite(snap->torque_Nm))
		return;
	s->conversion = fresh;
	s->sum_Nm += snap->torque_Nm;
	s->sum_n++;
}

static void finish(struct seq_obey_turn *s, const struct snapshot *snap, struct seq_out *ret)
{
	struct obey_turn_row *r = &s->row[s->n++];

	*r = (struct obey_turn_row){ .commanded_Nm = s->sum_set_Nm / s->sum_ticks,
				     .measured_Nm = s->sum_Nm / s->sum_n,
				     .speed_rpm = s->sum_rpm / s->sum_ticks,
				     .rotor_rpm = s->sum_words > 0 && fabs(s->sum_rotor_rpm) > 0
							  ? s->sum_rotor_rpm / s->sum_words
							  : NAN,
				     .load = load(s),
				     .begin = s->phase_at,
				     .end = snap->now };
	ret->event.kind = SEQ_EVENT_POINT;
	ret->event.point = point(s);
	ret->event.point.begin = r->begin;
	ret->event.point.end = r->end;
	ret->event.point.settle_s = s->config.settle_s;
	ret->event.point.mean_torque_Nm = r->measured_Nm;
	ret->event.point.mean_speed_rpm = r->speed_rpm;
}

static void step_take(struct seq_obey_turn *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	take(s, snap); /* the command that was in force up to now */
	hold_speed(s, snap, dt_s);
	if (s->brake_A > 0)
		set_brake(s, snap, wanted_Nm(s), dt_s);
	if (phase_s(s, snap) < s->config.window_s)
		return;
	if (s->sum_n == 0 || s->n == OBEY_TURN_ROWS) {
		locked_give_up(ret,
			       "the cell gave no torque while a mean was taken; check its cable and the calibration");
		return;
	}
	finish(s, snap, ret);
	s->at++;
	enter(s, s->at < stair(&s->config) ? TURN_LOAD : TURN_DOWN, snap);
}

static void step_down(struct seq_obey_turn *s, const struct snapshot *snap, double dt_s)
{
	if (s->brake_A > 0) {
		hold_speed(s, snap, dt_s);
		s->brake_A = locked_toward(s->brake_A, 0, s->config.control.slew_A_per_s * dt_s);
		return;
	}
	s->set_Nm = locked_toward(s->set_Nm, 0, s->config.most_Nm / DOWN_S * dt_s);
	if (!(s->set_Nm > 0))
		enter(s, TURN_OFF, snap);
}

/* One that coasts on is the next leg's affair, or the zero's. */
static void step_off(struct seq_obey_turn *s, const struct snapshot *snap)
{
	bool stands = fabs(snap->speed_rpm) < STANDS_rpm;

	if (phase_s(s, snap) < LOCKED_OFF_S || (!stands && phase_s(s, snap) < COAST_S))
		return;
	s->leg++;
	s->at = 0;
	s->control = (struct torque_control){ 0 };
	enter(s, s->leg < 2 * s->config.n_speeds ? TURN_RISE : TURN_END, snap);
}

static void step_phase(struct seq_obey_turn *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	switch (s->phase) {
	case TURN_START:
		if (snap->contactor_closed)
			enter(s, TURN_RISE, snap);
		else if (phase_s(s, snap) >= LOCKED_CONTACTOR_S)
			locked_no_contactor(ret);
		break;
	case TURN_RISE: step_rise(s, snap, ret, dt_s); break;
	case TURN_LOAD: step_load(s, snap, dt_s); break;
	case TURN_TAKE: step_take(s, snap, ret, dt_s); break;
	case TURN_DOWN: step_down(s, snap, dt_s); break;
	case TURN_OFF: step_off(s, snap); break;
	case TURN_END: break;
	}
}

static void watch(const struct seq_obey_turn *s, const struct snapshot *snap, struct seq_out *ret)
{
	bool loaded = s->phase == TURN_LOAD || s->phase == TURN_TAKE;

	if (ret->stop || s->phase < TURN_RISE || s->phase > TURN_DOWN)
		return;
	double turns = way(s) * snap->speed_rpm / speed_rpm(s);
	bool slow = loaded && s->at > 0 && !(turns >= LOST_SHARE), fast = !(turns <= FAST_SHARE);
	ret->stop = slow || fast;
	if (ret->stop)
		snprintf(ret->event.text, sizeof ret->event.text,
			 "the speed is not kept under %.4g N\u00b7m: %.3g rpm, commanded %.3g rpm; take another "
			 "speed or less torque (--speeds, --torque)",
			 wanted_Nm(s), snap->speed_rpm, way(s) * speed_rpm(s));
}

static void set_wish(const struct seq_obey_turn *s, struct seq_out *ret)
{
	ret->wish.power = s->phase < TURN_END;
	ret->wish.brake_A = s->brake_A;
	if (s->phase < TURN_RISE || s->phase > TURN_DOWN)
		return;
	ret->wish.mode = DRIVE_TORQUE;
	ret->wish.torque_Nm = way(s) * s->set_Nm;
	ret->wish.speed_rpm = FAST_SHARE * speed_rpm(s);
}

static double left_s(const struct seq_obey_turn *s)
{
	const struct obey_turn_config *c = &s->config;
	double legs = 2.0 * (double)c->n_speeds - (double)s->leg;

	return fmax(0, legs * leg_s(c) - (double)s->at / (double)stair(c) * leg_s(c));
}

void seq_obey_turn_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	static const char *const word[] = { "start", "rise", "load", "take", "down", "stop", "end" };
	struct seq_obey_turn *s = state;

	if (!s->started) {
		s->started = true;
		s->last_now = snap->now;
		enter(s, TURN_START, snap);
	}
	double dt_s = mono_diff_s(snap->now, s->last_now);
	s->last_now = snap->now;
	step_phase(s, snap, ret, dt_s);
	watch(s, snap, ret);
	ret->phase = word[s->phase];
	ret->done = s->phase == TURN_END;
	ret->remaining_s = left_s(s);
	ret->progress_frac = ret->done ? 1 : fmin(1 - left_s(s) / seq_obey_turn_s(&s->config), 0.999);
	set_wish(s, ret);
}
