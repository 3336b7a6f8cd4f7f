/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_signs.h"

#include "run/speed_factor.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

/* Common practice, no source. */
#define CONTACTOR_S 2.0
#define TURN_S 20.0
#define HAND_WAIT_S 120.0
#define COAST_S 20.0
#define BASE_S 1.0
#define BASE_MOST_S 60.0
#define FILTER_S 0.2
#define SETTLE_S 0.6     /* of that filter */
#define LEAST_SHARE 0.01 /* of the largest current: less is no load that could answer */
#define NEAR_FRAC 0.2    /* of the speed: a drive is there */
#define HAND_FRAC 0.6
#define LATEST_S 2.0 /* at the largest current: a slow brake answers in that time */
#define STANDSTILL_RPM 1.0
#define RATIO_FRAC 0.2    /* by so much the rotor may differ from the gear's ratio: it is read now and then */
#define CURRENT_SHARE 0.1 /* of the largest, a second */

void seq_signs_begin(struct seq_signs *s, const struct signs_config *config)
{
	*s = (struct seq_signs){ .config = *config,
				 .torque_Nm = NAN,
				 .answer_Nm = NAN,
				 .at_A = NAN,
				 .low_Nm = INFINITY,
				 .high_Nm = -INFINITY };
}

static void enter(struct seq_signs *s, enum signs_phase phase, const struct snapshot *snap)
{
	s->phase = phase;
	s->phase_at = snap->now;
	s->told = false;
}

static void PRINTF_LIKE(4, 5)
	give_up(struct seq_signs *s, struct seq_out *ret, const char *wrong, const char *format, ...)
{
	va_list args;

	s->wrong = wrong;
	ret->stop = true;
	va_start(args, format);
	vsnprintf(ret->event.text, sizeof ret->event.text, format, args);
	va_end(args);
}

static void note(struct seq_signs *s, struct seq_out *ret, const char *text)
{
	if (!s->config.by_hand || s->told)
		return;
	s->told = true;
	ret->event.kind = SEQ_EVENT_NOTE;
	snprintf(ret->event.text, sizeof ret->event.text, "%s", text);
}

static double for_s(const struct seq_signs *s, const struct snapshot *snap)
{
	return mono_diff_s(snap->now, s->phase_at);
}

static void step_start(struct seq_signs *s, const struct snapshot *snap, struct seq_out *ret)
{
	if (s->config.by_hand || snap->contactor_closed)
		enter(s, SIGNS_TURN, snap);
	else if (for_s(s, snap) > CONTACTOR_S)
		give_up(s, ret, "no_answer",
			"the contactor does not close: check the emergency stop, the guard switch and their wiring");
}

static const char *asked(const struct seq_signs *s)
{
	return s->config.by_hand ? "asked for" : "commanded";
}

static void step_turn(struct seq_signs *s, const struct snapshot *snap, struct seq_out *ret)
{
	double most = (s->config.by_hand ? HAND_FRAC : NEAR_FRAC) * s->config.speed_rpm;
	bool set = s->config.by_hand || fabs(s->speed_set_rpm - s->config.speed_rpm) < 1e-9;

	note(s, ret, "turn the shaft forward, to check the signs");
	if (set && fabs(snap->speed_rpm - s->config.speed_rpm) <= most)
		enter(s, SIGNS_BASE, snap);
	else if (set && fabs(snap->speed_rpm + s->config.speed_rpm) <= most)
		give_up(s, ret, "wrong_direction",
			"the pick-up reads %.3g rpm, forward was %s: check [pickup] sign and the direction of turning",
			snap->speed_rpm, asked(s));
	else if (!(for_s(s, snap) <= (s->config.by_hand ? HAND_WAIT_S : TURN_S)) && isfinite(snap->speed_rpm))
		give_up(s, ret, "no_answer", "the pick-up reads %.3g rpm, %.3g rpm was %s: check %s", snap->speed_rpm,
			s->config.speed_rpm, asked(s),
			s->config.by_hand ? "the pick-up and its cable" : "drive, supply and pick-up");
	else if (!(for_s(s, snap) <= (s->config.by_hand ? HAND_WAIT_S : TURN_S)))
		give_up(s, ret, "no_answer", "the pick-up gives no speed: check it and its cable");
}

/* By hand the drive has no power, and says what it likes. */
static bool rotor_agrees(struct seq_signs *s, struct seq_out *ret)
{
	double speed = s->speed_sum_rpm / s->base_n, rotor = s->rotor_n ? s->rotor_sum_rpm / s->rotor_n : NAN;
	double expected = s->config.gear_ratio > 0 ? speed * s->config.gear_ratio : NAN;

	s->rotor_judged = !s->config.by_hand && fabs(rotor) > STANDSTILL_RPM;
	if (!s->rotor_judged)
		return true;
	if (rotor * speed < 0 && !s->config.no_direction)
		give_up(s, ret, "wrong_direction",
			"the drive reports %.4g rpm of its rotor, the pick-up %.3g rpm of the shaft: check their signs",
			rotor, speed);
	else if (fabs(rotor - expected) > RATIO_FRAC * fabs(expected))
		give_up(s, ret, "wrong_ratio",
			"the drive reports %.4g rpm of its rotor, expected %.4g rpm%s: check ratio, the drive's side "
			"and unit, "
			"and [pickup] pulses",
			rotor, expected, speed_factor_words(rotor / expected, s->config.gear_ratio));
	return !s->wrong;
}

/* A torque that varies within a turn must not pass for an answer, of either sign. */
static void note_torque(struct seq_signs *s)
{
	if (!isfinite(s->torque_Nm))
		return;
	s->base_sum_Nm += s->torque_Nm;
	s->low_Nm = fmin(s->low_Nm, s->torque_Nm);
	s->high_Nm = fmax(s->high_Nm, s->torque_Nm);
	s->torque_n++;
}

static void note_speeds(struct seq_signs *s, const struct snapshot *snap)
{
	s->speed_sum_rpm += snap->speed_rpm;
	s->base_n++;
	if (!isfinite(snap->drive_rotor_rpm))
		return;
	s->rotor_sum_rpm += snap->drive_rotor_rpm;
	s->rotor_n++;
}

static void step_base(struct seq_signs *s, const struct snapshot *snap, struct seq_out *ret)
{
	if (!isfinite(s->torque_Nm))
		s->torque_Nm = snap->torque_Nm;
	if (for_s(s, snap) < SETTLE_S) {
		s->from_rev = snap->angle_rev;
		return;
	}
	note_torque(s);
	note_speeds(s, snap);
	bool whole = fabs(snap->angle_rev - s->from_rev) >= 1;
	if (for_s(s, snap) >= SETTLE_S + BASE_S && whole && s->torque_n > 0) {
		s->base_Nm = s->base_sum_Nm / s->torque_n;
		s->needed_Nm = s->config.answer_Nm + fmax(s->high_Nm - s->base_Nm, s->base_Nm - s->low_Nm);
		if (rotor_agrees(s, ret))
			enter(s, SIGNS_LOAD, snap);
	} else if (!(for_s(s, snap) < BASE_MOST_S)) {
		give_up(s, ret, "no_answer",
			whole ? "the cell gives no torque: check its cable and the calibration"
			      : "the shaft made no whole turn in %.0f s: check pick-up and drive",
			BASE_MOST_S);
	}
}

/* Who turns by hand and stops, or lets go, begins again, without load. */
static bool let_go(struct seq_signs *s, const struct snapshot *snap)
{
	if (!s->config.by_hand || snap->speed_rpm >= (1 - HAND_FRAC) * s->config.speed_rpm)
		return false;
	s->brake_A = 0;
	s->torque_Nm = NAN;
	s->base_sum_Nm = s->rotor_sum_rpm = s->speed_sum_rpm = 0;
	s->base_n = s->rotor_n = s->torque_n = 0;
	s->low_Nm = INFINITY;
	s->high_Nm = -INFINITY;
	enter(s, SIGNS_TURN, snap);
	return true;
}

/* The brake really has a current that can answer. */
static bool is_loaded(const struct seq_signs *s, const struct snapshot *snap)
{
	double least_A = fmin(LEAST_SHARE * s->config.max_A, 0.5 * s->config.most_A);

	return s->brake_A >= least_A && snap->brake_A >= 0.5 * least_A;
}

static void step_load(struct seq_signs *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	double rise_Nm = s->torque_Nm - s->base_Nm;

	if (let_go(s, snap))
		return;
	if (s->brake_A < s->config.most_A) {
		s->brake_A = fmin(s->config.most_A, s->brake_A + CURRENT_SHARE * s->config.max_A * dt_s);
		s->phase_at = snap->now;
	}
	if (is_loaded(s, snap) && rise_Nm >= s->needed_Nm) {
		s->answer_Nm = rise_Nm;
		s->at_A = snap->brake_A;
		enter(s, SIGNS_UNLOAD, snap);
	} else if (is_loaded(s, snap) && rise_Nm <= -s->needed_Nm) {
		give_up(s, ret, "wrong_sign",
			"the torque fell by %.3g N\u00b7m under %.3g A brake current: check the cell's signal wires "
			"and [cell] sign",
			-rise_Nm, snap->brake_A);
	} else if (!(for_s(s, snap) < LATEST_S)) {
		give_up(s, ret, "no_answer",
			"the torque changed by %.3g N\u00b7m under %.3g A commanded, %.3g N\u00b7m was needed: check "
			"coil, cell and "
			"calibration",
			rise_Nm, s->brake_A, s->needed_Nm);
	}
}

static void step_unload(struct seq_signs *s, const struct snapshot *snap, double dt_s)
{
	s->brake_A = fmax(0, s->brake_A - CURRENT_SHARE * s->config.max_A * dt_s);
	if (s->brake_A <= 0)
		enter(s, SIGNS_COAST, snap);
}

static void step_coast(struct seq_signs *s, const struct snapshot *snap, struct seq_out *ret)
{
	note(s, ret, "let the shaft stop");
	if (!(fabs(snap->speed_rpm) > STANDSTILL_RPM))
		enter(s, SIGNS_END, snap);
	else if (for_s(s, snap) > (s->config.by_hand ? HAND_WAIT_S : COAST_S))
		give_up(s, ret, "no_answer", "the shaft does not stop");
}

static void set_wish(struct seq_signs *s, double dt_s, struct seq_out *ret)
{
	bool turn = s->phase > SIGNS_START && s->phase < SIGNS_COAST;

	ret->wish.brake_A = s->brake_A;
	ret->wish.power = !s->config.by_hand && s->phase != SIGNS_END;
	if (!turn || s->config.by_hand)
		return;
	s->speed_set_rpm = fmin(s->config.speed_rpm, s->speed_set_rpm + s->config.slew_rpm_per_s * dt_s);
	ret->wish.mode = DRIVE_SPEED;
	ret->wish.speed_rpm = s->speed_set_rpm;
}

static void step_phase(struct seq_signs *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	switch (s->phase) {
	case SIGNS_START: step_start(s, snap, ret); break;
	case SIGNS_TURN: step_turn(s, snap, ret); break;
	case SIGNS_BASE: step_base(s, snap, ret); break;
	case SIGNS_LOAD: step_load(s, snap, ret, dt_s); break;
	case SIGNS_UNLOAD: step_unload(s, snap, dt_s); break;
	case SIGNS_COAST: step_coast(s, snap, ret); break;
	case SIGNS_END: break;
	}
}

void seq_signs_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct seq_signs *s = state;

	if (!s->started) {
		s->started = true;
		s->last_now = snap->now;
		enter(s, SIGNS_START, snap);
	}
	double dt_s = mono_diff_s(snap->now, s->last_now);
	s->last_now = snap->now;
	if (isfinite(snap->torque_Nm) && isfinite(s->torque_Nm))
		s->torque_Nm += (snap->torque_Nm - s->torque_Nm) * (1 - exp(-dt_s / FILTER_S));
	ret->phase = "signs";
	if (snap->drive_waits)
		enter(s, s->phase, snap);
	else
		step_phase(s, snap, ret, dt_s);
	ret->progress_frac = (double)s->phase / (double)SIGNS_END;
	ret->done = s->phase == SIGNS_END;
	set_wish(s, dt_s, ret);
}
