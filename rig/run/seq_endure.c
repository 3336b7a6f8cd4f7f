/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_endure.h"

#include "run/locked.h"

#include <math.h>
#include <stdio.h>

/* Common practice, no source. */
#define SETTLE_S 1.0 /* after a ramp of speed, and after a load came off */

static double ramp_s(const struct endure_config *c, size_t load)
{
	double from_Nm = load > 0 ? c->load_Nm[load - 1] : 0;

	return fabs(c->load_Nm[load] - from_Nm) / c->control.ramp_Nm_per_s;
}

static double unload_s(const struct endure_config *c, size_t leg)
{
	double last_Nm = c->n_loads[leg] > 0 ? c->load_Nm[c->n_loads[leg] - 1] : 0;

	return last_Nm / c->control.ramp_Nm_per_s + SETTLE_S;
}

double seq_endure_cycle_s(const struct endure_config *c)
{
	double sum = c->pause_s, rpm = 0;

	for (size_t k = 0; k < c->n_legs; k++) {
		sum += fabs(c->rpm[k] - rpm) / c->slew_rpm_per_s + SETTLE_S + c->no_load_s + unload_s(c, k);
		for (size_t i = 0; i < c->n_loads[k]; i++)
			sum += ramp_s(c, i) + c->hold_s;
		rpm = c->rpm[k];
	}
	return sum + fabs(rpm) / c->slew_rpm_per_s + SETTLE_S;
}

void seq_endure_begin(struct seq_endure *s, const struct endure_config *config, const struct endure_watch *watch)
{
	*s = (struct seq_endure){ .config = *config, .watch = *watch, .number = config->first };
}

static void enter(struct seq_endure *s, enum endure_phase phase, const struct snapshot *snap)
{
	s->phase = phase;
	s->phase_at = snap->now;
}

static double phase_s(const struct seq_endure *s, const struct snapshot *snap)
{
	return mono_diff_s(snap->now, s->phase_at) + 1e-9;
}

static void add(struct endure_mean *m, double x)
{
	if (!isfinite(x))
		return;
	m->sum += x;
	m->n++;
}

static double mean(const struct endure_mean *m)
{
	return m->n > 0 ? m->sum / (double)m->n : NAN;
}

static void begin_cycle(struct seq_endure *s, const struct snapshot *snap)
{
	const struct endure_mean none = { 0, 0 };

	s->no_load_A = s->no_load_rpm = s->load_Nm = s->load_rpm = none;
	s->case_degC = s->ambient_degC = NAN;
	s->leg = 0;
	enter(s, ENDURE_SPEED, snap);
}

static void step_speed(struct seq_endure *s, const struct snapshot *snap, double dt_s)
{
	double to_rpm = s->config.rpm[s->leg];

	s->set_rpm = locked_toward(s->set_rpm, to_rpm, s->config.slew_rpm_per_s * dt_s);
	if (fabs(s->set_rpm - to_rpm) > 1e-9)
		s->phase_at = snap->now;
	else if (phase_s(s, snap) >= SETTLE_S)
		enter(s, ENDURE_NO_LOAD, snap);
}

static void begin_load(struct seq_endure *s, const struct snapshot *snap)
{
	s->load = 0;
	s->control = (struct torque_control){ 0 };
	enter(s, s->config.n_loads[s->leg] > 0 ? ENDURE_LOAD : ENDURE_UNLOAD, snap);
}

static void step_no_load(struct seq_endure *s, const struct snapshot *snap)
{
	add(&s->no_load_A, snap->current_A);
	if (s->config.n_loads[s->leg] > 0) /* the droop is that of the legs that have a load */
		add(&s->no_load_rpm, fabs(snap->speed_rpm));
	if (phase_s(s, snap) >= s->config.no_load_s)
		begin_load(s, snap);
}

static int way(const struct seq_endure *s)
{
	return s->config.rpm[s->leg] < 0 ? -1 : 1;
}

static double heaviest_Nm(const struct seq_endure *s)
{
	double most = 0;

	for (size_t i = 0; i < s->config.n_loads[s->leg]; i++)
		most = fmax(most, s->config.load_Nm[i]);
	return most;
}

static void control(struct seq_endure *s, const struct snapshot *snap, double to_Nm, double dt_s)
{
	s->brake_A = torque_control_step(&s->control, &s->config.control, to_Nm, way(s) * snap->torque_Nm, dt_s, false);
}

static void step_load(struct seq_endure *s, const struct snapshot *snap, double dt_s)
{
	const struct endure_config *c = &s->config;
	double to_Nm = c->load_Nm[s->load], at_s = phase_s(s, snap) - ramp_s(c, s->load);

	control(s, snap, to_Nm, dt_s);
	if (at_s >= c->hold_s / 2 && !(to_Nm < heaviest_Nm(s))) {
		add(&s->load_Nm, way(s) * snap->torque_Nm);
		add(&s->load_rpm, fabs(snap->speed_rpm));
	}
	if (!(at_s >= c->hold_s))
		return;
	s->load++;
	enter(s, s->load < c->n_loads[s->leg] ? ENDURE_LOAD : ENDURE_UNLOAD, snap);
}

static void step_unload(struct seq_endure *s, const struct snapshot *snap, double dt_s)
{
	bool ends = s->found.stop != ENDURE_NONE;

	s->case_degC = snap->temp_degC[TEMP_CASE];
	s->ambient_degC = snap->temp_degC[TEMP_AMBIENT];
	control(s, snap, 0, dt_s);
	if (!torque_control_arrived(&s->control))
		s->phase_at = snap->now;
	if (!(phase_s(s, snap) >= SETTLE_S))
		return;
	s->brake_A = 0;
	s->leg++;
	enter(s, s->leg < s->config.n_legs && !ends ? ENDURE_SPEED : ENDURE_DOWN, snap);
	s->leg -= s->leg < s->config.n_legs ? 0 : 1;
}

static void step_down(struct seq_endure *s, const struct snapshot *snap, double dt_s)
{
	s->set_rpm = locked_toward(s->set_rpm, 0, s->config.slew_rpm_per_s * dt_s);
	if (fabs(s->set_rpm) > 0)
		s->phase_at = snap->now;
	else if (phase_s(s, snap) >= SETTLE_S)
		enter(s, s->found.stop != ENDURE_NONE ? ENDURE_END : ENDURE_PAUSE, snap);
}

static void finish_cycle(struct seq_endure *s, const struct snapshot *snap, struct seq_out *ret)
{
	const struct endure_cycle c = { s->number,         mean(&s->no_load_A), mean(&s->no_load_rpm),
					mean(&s->load_Nm), mean(&s->load_rpm),  s->case_degC,
					s->ambient_degC };

	s->found = endure_watch_add(&s->watch, &c);
	s->cycles++;
	ret->event.kind = SEQ_EVENT_NOTE;
	endure_cycle_text(&c, ret->event.text, sizeof ret->event.text);
	enter(s, ENDURE_TELL, snap);
}

static void tell(const struct seq_endure *s, struct seq_out *ret)
{
	bool stops = s->found.stop != ENDURE_NONE;
	char text[160];

	endure_rule_text(&s->found, stops ? s->found.stop : s->found.tell, text, sizeof text);
	if (!text[0])
		return;
	ret->event.kind = SEQ_EVENT_NOTE;
	snprintf(ret->event.text, sizeof ret->event.text, "%s: %s", stops ? "rule" : "drift", text);
}

/* On the tick after: a tick tells one event. */
static void step_tell(struct seq_endure *s, const struct snapshot *snap, struct seq_out *ret)
{
	tell(s, ret);
	s->out_of_time = !(mono_diff_s(snap->now, s->begin) < s->config.most_s);
	if (s->found.stop != ENDURE_NONE || s->out_of_time || s->number >= s->config.last) {
		enter(s, ENDURE_END, snap);
		return;
	}
	s->number++;
	begin_cycle(s, snap);
}

/* The load comes off while the shaft turns; a shaft that has none goes down at once. */
static void watch_case(struct seq_endure *s, const struct snapshot *snap, struct seq_out *ret)
{
	double case_degC = snap->temp_degC[TEMP_CASE];

	if (s->phase < ENDURE_SPEED || s->phase > ENDURE_PAUSE || s->found.stop != ENDURE_NONE ||
	    !endure_case_is_hot(&s->watch.limits, case_degC))
		return;
	s->found = (struct endure_found){ ENDURE_CASE, ENDURE_NONE, case_degC, s->watch.limits.limit[ENDURE_CASE] };
	tell(s, ret);
	if (s->phase == ENDURE_LOAD)
		enter(s, ENDURE_UNLOAD, snap);
	else if (s->phase < ENDURE_LOAD)
		enter(s, ENDURE_DOWN, snap);
	else if (s->phase == ENDURE_PAUSE)
		enter(s, ENDURE_END, snap);
}

static void set_wish(const struct seq_endure *s, struct seq_out *ret)
{
	ret->wish.power = s->phase < ENDURE_END;
	ret->wish.brake_A = s->brake_A;
	if (s->phase < ENDURE_SPEED || s->phase > ENDURE_DOWN)
		return;
	ret->wish.mode = DRIVE_SPEED;
	ret->wish.speed_rpm = s->set_rpm;
}

static void step_phase(struct seq_endure *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	switch (s->phase) {
	case ENDURE_START:
		if (snap->contactor_closed)
			begin_cycle(s, snap);
		else if (phase_s(s, snap) >= LOCKED_CONTACTOR_S)
			locked_no_contactor(ret);
		break;
	case ENDURE_SPEED: step_speed(s, snap, dt_s); break;
	case ENDURE_NO_LOAD: step_no_load(s, snap); break;
	case ENDURE_LOAD: step_load(s, snap, dt_s); break;
	case ENDURE_UNLOAD: step_unload(s, snap, dt_s); break;
	case ENDURE_DOWN: step_down(s, snap, dt_s); break;
	case ENDURE_PAUSE:
		if (phase_s(s, snap) >= s->config.pause_s)
			finish_cycle(s, snap, ret);
		break;
	case ENDURE_TELL: step_tell(s, snap, ret); break;
	case ENDURE_END: break;
	}
}

static bool is_kept(const struct seq_endure *s)
{
	return s->number == s->config.first || s->number % s->config.keep == 0;
}

void seq_endure_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	static const char *const words[] = {
		"start", "speed", "no load", "load", "unload", "down", "pause", "pause", ""
	};
	struct seq_endure *s = state;

	if (!s->started) {
		s->started = true;
		s->begin = s->last_now = snap->now;
		enter(s, ENDURE_START, snap);
	}
	double dt_s = mono_diff_s(snap->now, s->last_now), all = (double)(s->config.last - s->config.first + 1);
	s->last_now = snap->now;
	step_phase(s, snap, ret, dt_s);
	watch_case(s, snap, ret);
	ret->phase = words[s->phase];
	ret->done = s->phase == ENDURE_END;
	ret->thin_s = is_kept(s) ? 0 : ENDURE_THIN_S; /* the first cycle, and so the start, is kept */
	ret->progress_frac = ret->done ? 1 : (double)s->cycles / all;
	ret->remaining_s = (all - (double)s->cycles) * seq_endure_cycle_s(&s->config);
	set_wish(s, ret);
}
