/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_hold.h"

#include "calib/thermal/steepness.h"
#include "run/locked.h"

#include <math.h>

/* Common practice, no source. */
#define IDLE_S 2.0
#define SLOW_S 0.5 /* for a speed to arrive after its ramp */
#define SPARE_ROWS 100

double seq_hold_row_s(double time_s, double cool_s)
{
	return fmax(1, (time_s + cool_s) / (HOLD_ROWS - SPARE_ROWS));
}

static bool stands(const struct seq_hold *s)
{
	return !(fabs(s->config.speed_rpm) > 0);
}

static double up_s(const struct hold_config *c)
{
	double first_s = fabs(c->speed_rpm) > 0 ? fabs(c->speed_rpm) / c->slew_rpm_per_s + SLOW_S
						: c->lock_A / c->slew_A_per_s + LOCKED_WAIT_S;

	return IDLE_S + first_s + c->torque_Nm / c->slew_Nm_per_s;
}

double seq_hold_s(const struct hold_config *config)
{
	return 2 * up_s(config) + config->time_s + config->cool_s;
}

const char *hold_end_word(enum hold_end end)
{
	static const char *const words[] = { "open", "equilibrium", "limit", "time" };

	return words[end];
}

void seq_hold_begin(struct seq_hold *s, const struct hold_config *config)
{
	*s = (struct seq_hold){ .config = *config, .slope_K_per_h = NAN };
}

static void enter(struct seq_hold *s, enum hold_phase phase, const struct snapshot *snap)
{
	s->phase = phase;
	s->phase_at = snap->now;
}

static double phase_s(const struct seq_hold *s, const struct snapshot *snap)
{
	return mono_diff_s(snap->now, s->phase_at) + 1e-9;
}

static double input_W(const struct snapshot *snap)
{
	return snap->voltage_V * snap->current_A + (isfinite(snap->ripple_W) ? snap->ripple_W : 0);
}

/* Torque and loss of the row that ends. Under load a row without a reading goes on as the row before it. */
static void close_row(struct seq_hold *s, bool loaded)
{
	if (s->n == 0)
		return;
	size_t i = s->n - 1;
	s->torque_Nm[i] = loaded && s->sum_n ? s->sum_Nm / s->sum_n : loaded && i ? s->torque_Nm[i - 1] : 0;
	s->loss_W[i] = loaded && s->sum_n ? s->sum_W / s->sum_n - s->idle_W : loaded && i ? s->loss_W[i - 1] : 0;
	s->sum_Nm = s->sum_W = 0;
	s->sum_n = 0;
}

static void open_row(struct seq_hold *s, const struct snapshot *snap)
{
	size_t i = s->n;

	if (i >= HOLD_ROWS)
		return;
	s->time_s[i] = mono_diff_s(snap->now, s->begin);
	s->winding_degC[i] = snap->temp_degC[TEMP_WINDING];
	s->case_degC[i] = snap->temp_degC[TEMP_CASE];
	s->ambient_degC[i] =
		isfinite(snap->temp_degC[TEMP_AMBIENT]) ? snap->temp_degC[TEMP_AMBIENT] : s->config.ambient_degC;
	s->row_at = snap->now;
	s->n++;
}

static void add_to_row(struct seq_hold *s, const struct snapshot *snap)
{
	double out_W = snap->torque_Nm * snap->speed_rpm * M_PI / 30, loss_W = input_W(snap) - out_W;

	if (!isfinite(loss_W) || !isfinite(snap->torque_Nm))
		return;
	s->product = isfinite(snap->ripple_W);
	s->sum_W += loss_W;
	s->sum_Nm += snap->torque_Nm;
	s->sum_n++;
}

static bool row_is_over(const struct seq_hold *s, const struct snapshot *snap)
{
	return mono_diff_s(snap->now, s->row_at) >= s->config.row_s - 1e-9;
}

/* Slope of one temperature over the window, its u added; NaN where it is not told. */
static double steepness_K_per_h(struct seq_hold *s, const double *temp_degC, size_t first, size_t last)
{
	struct steepness slope;

	if (!steepness_of(s->time_s, temp_degC, s->ambient_degC, first, last, s->rise, &slope))
		return NAN;
	return fabs(slope.K_per_h) + slope.u_K_per_h;
}

/* Of the rows that are whole. */
static bool is_in_equilibrium(struct seq_hold *s)
{
	size_t last = s->n - 2, first = last;

	if (s->n < 3 || s->time_s[last] < s->config.window_s)
		return false;
	while (first > 0 && s->time_s[last] - s->time_s[first - 1] <= s->config.window_s + 1e-9)
		first--;
	s->slope_K_per_h = fmax(steepness_K_per_h(s, s->winding_degC, first, last),
				steepness_K_per_h(s, s->case_degC, first, last));
	return s->slope_K_per_h <= s->config.equilibrium_K_per_h;
}

static bool at_limit(const struct seq_hold *s, const struct snapshot *snap)
{
	return snap->temp_degC[TEMP_WINDING] >= s->config.winding_limit_degC ||
	       snap->temp_degC[TEMP_CASE] >= s->config.case_limit_degC;
}

static enum hold_end ending(struct seq_hold *s, const struct snapshot *snap, bool new_row)
{
	if (at_limit(s, snap))
		return HOLD_LIMIT;
	if (new_row && is_in_equilibrium(s))
		return HOLD_EQUILIBRIUM;
	return phase_s(s, snap) >= s->config.time_s ? HOLD_TIME : HOLD_OPEN;
}

static void tell_point(struct seq_hold *s, const struct snapshot *snap, struct seq_out *ret)
{
	double sum_Nm = 0;

	for (size_t i = 0; i < s->n_held; i++)
		sum_Nm += s->torque_Nm[i];
	s->mean_Nm = sum_Nm / (double)s->n_held;
	ret->event.kind = SEQ_EVENT_POINT;
	ret->event.point = (struct seq_point){ .step = 0,
					       .direction = 1,
					       .setpoint_Nm = s->config.torque_Nm,
					       .setpoint_A = NAN,
					       .setpoint_rpm = stands(s) ? NAN : s->config.speed_rpm,
					       .begin = s->phase_at,
					       .end = snap->now,
					       .mean_torque_Nm = s->mean_Nm,
					       .mean_speed_rpm = snap->speed_rpm };
}

static void step_hold(struct seq_hold *s, const struct snapshot *snap, struct seq_out *ret)
{
	bool new_row = row_is_over(s, snap);

	add_to_row(s, snap);
	if (new_row) {
		close_row(s, true);
		open_row(s, snap);
	}
	s->end = ending(s, snap, new_row);
	if (s->end == HOLD_OPEN)
		return;
	if (!new_row) {
		close_row(s, true);
		open_row(s, snap);
	}
	s->n_held = s->n - 1;
	s->held_s = phase_s(s, snap);
	tell_point(s, snap, ret);
	enter(s, HOLD_DOWN, snap);
}

/* From the end of the hold to the first row of the cooling is one row: its load is over, its loss a mean. */
static void add_unloaded(struct seq_hold *s, const struct snapshot *snap)
{
	double out_W = snap->torque_Nm * snap->speed_rpm * M_PI / 30;
	double loss_W = s->phase == HOLD_DOWN ? input_W(snap) - out_W - s->idle_W : 0;

	if (!isfinite(loss_W))
		return;
	s->sum_W += loss_W;
	s->sum_n++;
}

static void begin_cooling(struct seq_hold *s, const struct snapshot *snap)
{
	if (s->n > 0) {
		s->torque_Nm[s->n - 1] = 0;
		s->loss_W[s->n - 1] = s->sum_n ? s->sum_W / s->sum_n : 0;
	}
	s->sum_Nm = s->sum_W = 0;
	s->sum_n = 0;
	open_row(s, snap);
	enter(s, HOLD_COOL, snap);
}

static void step_cool(struct seq_hold *s, const struct snapshot *snap)
{
	if (row_is_over(s, snap)) {
		close_row(s, false);
		open_row(s, snap);
	}
	if (phase_s(s, snap) >= s->config.cool_s)
		enter(s, HOLD_DONE, snap);
}

static const char no_power[] = "the supply's volts and amperes are not told, so the loss cannot be known; fit a meter";

static const char *untold_temperature(const struct snapshot *snap, double ambient_degC)
{
	if (!isfinite(snap->temp_degC[TEMP_WINDING]) && !isfinite(snap->temp_degC[TEMP_CASE]))
		return "no temperature of winding or case is told; fit a sensor and say so in rig.ini";
	if (!isfinite(snap->temp_degC[TEMP_AMBIENT]) && !isfinite(ambient_degC))
		return "no temperature of the air is told; give it with --ambient";
	return NULL;
}

const char *seq_hold_untold(const struct snapshot *snap, double ambient_degC)
{
	return isfinite(input_W(snap)) ? untold_temperature(snap, ambient_degC) : no_power;
}

static void step_idle(struct seq_hold *s, const struct snapshot *snap, struct seq_out *ret)
{
	if (isfinite(input_W(snap))) {
		s->idle_W_sum += input_W(snap);
		s->idle_n++;
	}
	if (!(phase_s(s, snap) >= IDLE_S))
		return;
	s->idle_W = s->idle_n ? s->idle_W_sum / s->idle_n : NAN;
	/* of the mean: the newest reading may be a gap */
	const char *untold = isfinite(s->idle_W) ? untold_temperature(snap, s->config.ambient_degC) : no_power;
	if (untold)
		locked_give_up(ret, untold);
	else if (at_limit(s, snap))
		locked_give_up(ret, "winding or case has the limit of this hold already; let it cool, or give a higher "
				    "--limit");
	else
		enter(s, HOLD_LOCK, snap);
}

static void begin_rise(struct seq_hold *s, const struct snapshot *snap, struct seq_out *ret)
{
	s->locked_deg = 360 * snap->angle_rev;
	enter(s, HOLD_RISE, snap);
	ret->event.kind = SEQ_EVENT_STEP;
	ret->event.point = (struct seq_point){ .step = 0,
					       .direction = 1,
					       .setpoint_Nm = s->config.torque_Nm,
					       .setpoint_A = NAN,
					       .setpoint_rpm = stands(s) ? NAN : s->config.speed_rpm };
}

static void step_lock(struct seq_hold *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	const struct hold_config *c = &s->config;

	if (stands(s))
		s->brake_A = locked_toward(s->brake_A, c->lock_A, c->slew_A_per_s * dt_s);
	else
		s->set_rpm = locked_toward(s->set_rpm, c->speed_rpm, c->slew_rpm_per_s * dt_s);
	if (stands(s) ? s->brake_A < c->lock_A : s->set_rpm < c->speed_rpm)
		s->phase_at = snap->now;
	else if (phase_s(s, snap) >= (stands(s) ? LOCKED_WAIT_S : SLOW_S))
		begin_rise(s, snap, ret);
}

/* At a speed the brake makes the torque for as long as the drive turns. */
static void step_torque(struct seq_hold *s, const struct snapshot *snap, double to_Nm, double dt_s)
{
	s->set_Nm = locked_toward(s->set_Nm, to_Nm, s->config.slew_Nm_per_s * dt_s);
	if (stands(s))
		return;
	s->brake_A = torque_control_step(&s->control, &s->config.control, to_Nm, snap->torque_Nm, dt_s, false);
}

static void begin_hold(struct seq_hold *s, const struct snapshot *snap)
{
	s->begin = snap->now;
	enter(s, HOLD_HOLD, snap);
	open_row(s, snap);
}

static void step_down(struct seq_hold *s, const struct snapshot *snap, double dt_s)
{
	if (!(fabs(s->set_Nm) > 0))
		s->set_rpm = locked_toward(s->set_rpm, 0, s->config.slew_rpm_per_s * dt_s);
	if (!(fabs(s->set_Nm) > 0) && !(s->set_rpm > 0))
		enter(s, HOLD_OFF, snap);
}

static void step_release(struct seq_hold *s, const struct snapshot *snap, double dt_s)
{
	double slew = stands(s) ? s->config.slew_A_per_s : s->config.control.slew_A_per_s;

	s->brake_A = locked_toward(s->brake_A, 0, slew * dt_s);
	if (!(s->brake_A > 0))
		begin_cooling(s, snap);
}

static void watch_slip(const struct seq_hold *s, const struct snapshot *snap, struct seq_out *ret)
{
	if (!stands(s) || s->phase < HOLD_RISE || s->phase > HOLD_DOWN)
		return;
	locked_watch_slip(snap, s->locked_deg, s->config.slip_deg, s->set_Nm, "hold less torque", ret);
}

static void set_wish(const struct seq_hold *s, struct seq_out *ret)
{
	ret->wish.power = s->phase < HOLD_RELEASE;
	ret->wish.brake_A = s->brake_A;
	if (s->phase >= HOLD_OFF || s->phase < HOLD_LOCK || (stands(s) && s->phase < HOLD_RISE))
		return;
	ret->wish.mode = stands(s) ? DRIVE_TORQUE : DRIVE_SPEED;
	ret->wish.torque_Nm = stands(s) ? s->set_Nm : 0;
	ret->wish.speed_rpm = stands(s) ? s->config.limit_rpm : s->set_rpm;
}

static void step_phase(struct seq_hold *s, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	switch (s->phase) {
	case HOLD_START:
		if (snap->contactor_closed)
			enter(s, HOLD_IDLE, snap);
		else if (phase_s(s, snap) >= LOCKED_CONTACTOR_S)
			locked_no_contactor(ret);
		break;
	case HOLD_IDLE: step_idle(s, snap, ret); break;
	case HOLD_LOCK: step_lock(s, snap, ret, dt_s); break;
	case HOLD_RISE:
		step_torque(s, snap, s->config.torque_Nm, dt_s);
		if (!(s->set_Nm < s->config.torque_Nm))
			begin_hold(s, snap);
		break;
	case HOLD_HOLD:
		step_torque(s, snap, s->config.torque_Nm, dt_s);
		step_hold(s, snap, ret);
		break;
	case HOLD_DOWN:
		step_torque(s, snap, 0, dt_s);
		add_unloaded(s, snap);
		step_down(s, snap, dt_s);
		break;
	case HOLD_OFF:
		add_unloaded(s, snap);
		if (phase_s(s, snap) >= LOCKED_OFF_S)
			enter(s, HOLD_RELEASE, snap);
		break;
	case HOLD_RELEASE:
		add_unloaded(s, snap);
		step_release(s, snap, dt_s);
		break;
	case HOLD_COOL: step_cool(s, snap); break;
	case HOLD_DONE: break;
	}
}

static double left_s(const struct seq_hold *s, const struct snapshot *snap)
{
	const struct hold_config *c = &s->config;
	double expected_s = c->forecast_s > 0 ? fmin(c->forecast_s, c->time_s) : c->time_s;

	if (s->phase < HOLD_HOLD)
		return up_s(c) + expected_s + c->cool_s;
	if (s->phase == HOLD_HOLD)
		return fmax(0, expected_s - phase_s(s, snap)) + c->cool_s;
	return s->phase == HOLD_COOL ? fmax(0, c->cool_s - phase_s(s, snap)) : c->cool_s;
}

static const char *word(enum hold_phase phase)
{
	return phase < HOLD_RISE ? "lock" : phase < HOLD_DOWN ? "hold" : phase < HOLD_COOL ? "release" : "cool";
}

void seq_hold_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct seq_hold *s = state;

	if (!s->started) {
		s->started = true;
		s->last_now = snap->now;
		enter(s, HOLD_START, snap);
	}
	double dt_s = mono_diff_s(snap->now, s->last_now);
	s->last_now = snap->now;
	step_phase(s, snap, ret, dt_s);
	watch_slip(s, snap, ret);
	ret->phase = word(s->phase);
	ret->done = s->phase == HOLD_DONE;
	ret->remaining_s = left_s(s, snap);
	ret->progress_frac = ret->done ? 1 : 1 - fmin(1, ret->remaining_s / seq_hold_s(&s->config));
	set_wish(s, ret);
}
