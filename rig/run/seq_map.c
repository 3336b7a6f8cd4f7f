/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_map.h"

#include "calib/number/units.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#define THERE_FRAC 0.05 /* how near to the wanted speed the drive must bring the shaft */
#define STAY_FRAC \
	0.2 /* how far a speed once reached may seem to be off: one mark out of place is no change of speed \
	     */
#define CONTACTOR_S 2.0         /* longest wait for the contactor */
#define RUN_IN_S 2.0            /* half a cycle of the run-in */
#define LAG_HOLD_S 2.5          /* settling before a lag step */
#define COLLAPSE_FRAC 0.5       /* below this share of the wanted speed the actuator has lost it */
#define HAND_COLLAPSE_FRAC 0.25 /* a hand is slower to be sure of: and for this long */
#define HAND_COLLAPSE_S 1.0
#define STANDSTILL_RPM 1.0
#define RAMP_TURNS 2.0 /* current goes down over at least this many turns */
#define FORESIGHT_MARGIN 0.96
#define WORTH_FRAC 0.3 /* of a step between currents that a cut current must still be worth */
#define HAND_WAIT_S 120.0

bool seq_map_begin(struct seq_map *m, const struct map_config *config)
{
	memset(m, 0, sizeof *m);
	if (config->n_speeds < 1 || config->n_speeds > MAP_SPEEDS || config->n_currents < 1 ||
	    config->n_currents > MAP_CURRENTS)
		return false;
	m->config = *config;
	const struct steady_limit limits[2] = {
		{ .slope_per_s = config->torque_slope_Nm_per_s },
		{ .slope_per_s = config->by_hand ? INFINITY : config->speed_slope_rpm_per_s },
	};
	steady_begin(&m->steady, config->window_s, limits, 2);
	m->top = config->n_currents;
	m->acts = config->n_speeds * (2 * config->n_currents + 1) + MAP_LAG_STEPS;
	return true;
}

static void enter(struct seq_map *m, enum map_phase phase, struct mono now)
{
	m->phase = phase;
	m->phase_at = now;
}

static void begin_take(struct seq_map *m, struct mono now)
{
	m->dwelling = m->settled = false;
	m->step_at = now;
	stats_run_begin(&m->torque);
	stats_run_begin(&m->amps);
	stats_run_begin(&m->speed_mean);
	steady_clear(&m->steady);
	m->announce = true;
}

static double toward(double from, double to, double most)
{
	return to > from + most ? from + most : to < from - most ? from - most : to;
}

static double wanted_rpm(const struct seq_map *m)
{
	return m->config.speed_rpm[m->speed];
}

static bool speed_is_within(const struct seq_map *m, const struct snapshot *snap, double frac)
{
	return fabs(snap->speed_rpm - wanted_rpm(m)) <=
	       (m->config.by_hand ? m->config.hand_rpm_frac : frac) * wanted_rpm(m);
}

static bool speed_is_there(const struct seq_map *m, const struct snapshot *snap)
{
	return speed_is_within(m, snap, THERE_FRAC);
}

static void note(struct seq_out *ret, const char *text)
{
	ret->event.kind = SEQ_EVENT_NOTE;
	snprintf(ret->event.text, sizeof ret->event.text, "%s", text);
}

static void give_up(struct seq_out *ret, const char *why)
{
	ret->stop = true;
	snprintf(ret->event.text, sizeof ret->event.text, "%s", why);
}

static double set_current(const struct seq_map *m)
{
	if (m->current == SIZE_MAX)
		return 0;
	bool is_cut = m->cut[m->speed] && m->cut_A[m->speed] < m->config.current_A[m->current];
	return is_cut ? m->cut_A[m->speed] : m->config.current_A[m->current];
}

/* One event a tick: a finished point goes first. */
static void announce(struct seq_map *m, struct seq_out *ret)
{
	if (!m->announce || ret->event.kind != SEQ_EVENT_NONE)
		return;
	m->announce = false;
	ret->event.kind = SEQ_EVENT_STEP;
	ret->event.point = (struct seq_point){ .step = (int)m->n_readings,
					       .direction = m->falling ? -1 : +1,
					       .setpoint_Nm = NAN,
					       .setpoint_A = set_current(m),
					       .setpoint_rpm = wanted_rpm(m) };
}

struct foresight {
	double most_torque_Nm;
	const char *by;
};

/* The largest torque that is within all limits at this speed, and which limit that is. */
static struct foresight most_torque(const struct seq_map *m)
{
	double w = rad_per_s_from_rpm(wanted_rpm(m)), time_s = m->config.window_s * 1.5 + m->config.dwell_s;
	double by_torque = m->config.most_Nm, by_slip = m->config.most_slip_W / w;
	double by_heat = (m->config.continuous_W + fmax(0, m->config.energy_J - m->energy_J) / time_s) / w;
	struct foresight f = { by_torque, "torque" };

	if (by_slip < f.most_torque_Nm)
		f = (struct foresight){ by_slip, "slip power" };
	double by_supply = m->config.most_supply_W / (w + rad_per_s_from_rpm(m->config.supply_loss_rpm));
	if (by_supply < f.most_torque_Nm)
		f = (struct foresight){ by_supply, "the supply, by the forecast," };
	if (by_heat < f.most_torque_Nm)
		f = (struct foresight){ by_heat, "brake heat" };
	f.most_torque_Nm *= FORESIGHT_MARGIN;
	return f;
}

/* Would this current at this speed pass a limit? Torque is foreseen in proportion from the last rising mean, or from
 * nothing when there is none (the first, lowest current). A current that would is cut to what the limit allows, once,
 * when that is worth a reading of its own. */
static bool foreseen_too_much(struct seq_map *m, size_t current)
{
	struct foresight f = most_torque(m);
	double wanted_A = m->config.current_A[current];

	if (!(m->last_A > 0))
		return false;
	double torque = m->last_torque_Nm * wanted_A / m->last_A;
	if (torque <= f.most_torque_Nm)
		return false;
	snprintf(m->left_out, sizeof m->left_out, "at %.4g rpm above %.4g N\u00b7m: %s is at its limit", wanted_rpm(m),
		 f.most_torque_Nm, f.by);
	double cut_A = m->last_A * f.most_torque_Nm / m->last_torque_Nm, before_A = m->config.current_A[current - 1];
	m->n_left_out += 2 * (m->config.n_currents - current);
	if (m->cut[m->speed] || !(cut_A - before_A > WORTH_FRAC * (wanted_A - before_A)))
		return true;
	m->cut[m->speed] = true;
	m->cut_A[m->speed] = cut_A;
	m->n_left_out -= 2;
	return false;
}

static void watch_heat(struct seq_map *m, const struct snapshot *snap, double dt_s)
{
	double heat = shaft_power_W(snap->torque_Nm, snap->speed_rpm);

	if (isfinite(heat))
		m->energy_J = fmax(0, m->energy_J + (heat - m->config.continuous_W) * dt_s);
}

static void store(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret)
{
	if (m->n_readings >= MAP_READINGS)
		return;
	struct map_reading *r = &m->reading[m->n_readings];
	*r = (struct map_reading){
		.branch = m->falling ? BRAKEMAP_FALLING : BRAKEMAP_RISING,
		.speed = m->speed,
		.current = m->current,
		.current_A = stats_run_result(&m->amps).mean,
		.torque_Nm = stats_run_result(&m->torque).mean,
		.slip_rpm = stats_run_result(&m->speed_mean).mean,
		.set_A = set_current(m),
		.u_torque_Nm = stats_run_result(&m->torque).u_mean,
		.sd_torque_Nm = stats_run_result(&m->torque).sd,
		.brake_degC = snap->temp_degC[TEMP_BRAKE],
		.ambient_degC = snap->temp_degC[TEMP_AMBIENT],
		.case_degC = snap->temp_degC[TEMP_CASE],
		.settled = m->settled,
		.begin = m->dwell_at,
		.end = snap->now,
	};
	if (!m->falling && m->current != SIZE_MAX) {
		m->last_torque_Nm = r->torque_Nm;
		m->last_A = r->current_A;
	}
	ret->event.kind = SEQ_EVENT_POINT;
	ret->event.point = (struct seq_point){
		.step = (int)m->n_readings,
		.direction = m->falling ? -1 : +1,
		.flags = m->settled ? 0 : POINT_NOT_SETTLED,
		.setpoint_Nm = NAN,
		.setpoint_A = r->set_A,
		.setpoint_rpm = wanted_rpm(m),
		.begin = r->begin,
		.end = r->end,
		.settle_s = mono_diff_s(m->dwell_at, m->step_at),
		.mean_torque_Nm = r->torque_Nm,
		.mean_speed_rpm = r->slip_rpm,
	};
	m->n_readings++;
	m->acts_done++;
}

/* Settle, dwell, store. True when the reading is done. */
static bool taken(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret)
{
	double in_step_s = mono_diff_s(snap->now, m->step_at);
	bool fresh = snap->channel[CHANNEL_CELL].fresh != m->last_conversion;

	m->last_conversion = snap->channel[CHANNEL_CELL].fresh;
	ret->phase = m->dwelling ? "average" : "settle";
	if (!m->dwelling) {
		if (fabs(m->brake_A - set_current(m)) > 1e-9)
			steady_clear(&m->steady); /* still on the way */
		else
			steady_add(&m->steady, in_step_s, (const double[]){ snap->torque_Nm, snap->speed_rpm });
		m->settled = steady_is(&m->steady);
		if (m->settled || !(in_step_s < m->config.timeout_s)) {
			m->dwelling = true;
			m->dwell_at = snap->now;
		}
		return false;
	}
	if (fresh)
		stats_run_add(&m->torque, snap->torque_Nm);
	stats_run_add(&m->amps, snap->brake_A);
	stats_run_add(&m->speed_mean, snap->speed_rpm);
	if (mono_diff_s(snap->now, m->dwell_at) < m->config.dwell_s || m->torque.n < 4)
		return false;
	store(m, snap, ret);
	return true;
}

static bool collapsed(const struct seq_map *m, const struct snapshot *snap)
{
	if (m->config.by_hand)
		return m->slow_s > HAND_COLLAPSE_S;
	return !(snap->speed_rpm > COLLAPSE_FRAC * wanted_rpm(m));
}

static void step_start(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret)
{
	ret->phase = "start";
	if (m->config.by_hand || snap->contactor_closed) {
		enter(m, MAP_SPIN, snap->now);
	} else if (mono_diff_s(snap->now, m->phase_at) > CONTACTOR_S) {
		give_up(ret,
			"the contactor does not close: check the emergency stop, the guard switch and their wiring");
	}
}

/* The shaft comes to the speed wanted; then whatever is next at it. */
static void step_spin(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret, enum map_phase next)
{
	bool there = speed_is_there(m, snap) && fabs(m->speed_set_rpm - wanted_rpm(m)) < 1e-9;
	double waited_s = mono_diff_s(snap->now, m->phase_at);

	ret->phase = m->config.by_hand ? "turn" : "spin";
	if (m->config.by_hand)
		there = speed_is_there(m, snap);
	if (there) {
		enter(m, next, snap->now);
		m->current = next == MAP_DRAG ? SIZE_MAX : 0;
		begin_take(m, snap->now);
	} else if (waited_s > (m->config.by_hand ? HAND_WAIT_S : 10 + wanted_rpm(m) / m->config.speed_slew_rpm_per_s)) {
		give_up(ret,
			m->config.by_hand
				? "the shaft was not turned at the commanded speed"
				: "the actuator does not reach the speed: check its drive, its supply and the pick-up");
	}
}

/* Drag at every speed first, while the brake has seen no current in this run. */
static void step_drag(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret)
{
	m->there = speed_is_within(m, snap, m->there ? STAY_FRAC : THERE_FRAC);
	if (!m->there && !m->dwelling) {
		steady_clear(&m->steady);
		ret->phase = m->config.by_hand ? "turn" : "spin";
		if (mono_diff_s(snap->now, m->step_at) > (m->config.by_hand ? HAND_WAIT_S : m->config.timeout_s))
			give_up(ret, "the shaft does not reach the commanded speed");
		return;
	}
	if (!taken(m, snap, ret))
		return;
	if (m->speed + 1 < m->config.n_speeds) {
		m->speed++;
		begin_take(m, snap->now);
		return;
	}
	m->speed = 0;
	enter(m, m->config.powder && m->config.run_in_cycles > 0 ? MAP_RUN_IN : MAP_SPIN, snap->now);
	m->cycle = 0;
	m->cycle_up = true;
}

/* As much current as the limits allow by the rating, as nothing is measured yet. */
static double run_in_A(const struct seq_map *m, const struct snapshot *snap)
{
	/* the shaft may still be slowing down from the drag at the highest speed */
	double rpm = fmax(wanted_rpm(m), fabs(snap->speed_rpm));
	double by_heat = 0.7 * m->config.continuous_W / shaft_power_W(m->config.rated_Nm, rpm);
	double by_torque = 0.7 * m->config.most_Nm / m->config.rated_Nm;
	double by_supply =
		0.7 * m->config.most_supply_W / shaft_power_W(m->config.rated_Nm, rpm + m->config.supply_loss_rpm);
	double share = fmin(fmin(0.7, by_supply), fmin(by_heat, by_torque));

	return share > 0 ? share * m->config.max_A : 0;
}

/* The highest rising current that was measured at a speed. */
static double mapped_A(const struct seq_map *m, size_t speed)
{
	double most = 0;

	for (size_t i = 0; i < m->n_readings; i++)
		if (m->reading[i].speed == speed && m->reading[i].set_A > most)
			most = m->reading[i].set_A;
	return most;
}

static void step_run_in(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret, double *brake_want)
{
	ret->phase = "run-in";
	*brake_want = m->cycle_up ? run_in_A(m, snap) : 0;
	if (collapsed(m, snap) && m->cycle_up) {
		m->cycle_up = false;
		m->phase_at = snap->now;
		*brake_want = m->brake_A = 0;
	}
	if (mono_diff_s(snap->now, m->phase_at) < RUN_IN_S)
		return;
	m->phase_at = snap->now;
	m->cycle_up = !m->cycle_up;
	if (m->cycle_up && ++m->cycle >= m->config.run_in_cycles) {
		enter(m, MAP_SPIN, snap->now);
		*brake_want = 0;
		note(ret, "run-in finished");
	}
}

static void turn_back(struct seq_map *m, const struct snapshot *snap)
{
	m->falling = true;
	m->current = m->top > 1 ? m->top - 2 : SIZE_MAX;
	begin_take(m, snap->now);
}

static void next_speed_or_lag(struct seq_map *m, const struct snapshot *snap)
{
	m->falling = false;
	m->top = m->config.n_currents;
	if (m->speed + 1 < m->config.n_speeds) {
		m->speed++;
		enter(m, MAP_SPIN, snap->now);
		return;
	}
	m->speed = 0;
	m->lag_step = 0;
	enter(m, MAP_LAG_HOLD, snap->now);
}

static void after_reading(struct seq_map *m, const struct snapshot *snap)
{
	if (!m->falling) {
		if (m->current + 1 < m->config.n_currents && !m->cut[m->speed] &&
		    !foreseen_too_much(m, m->current + 1)) {
			m->current++;
			begin_take(m, snap->now);
		} else {
			m->top = m->current + 1;
			turn_back(m, snap);
		}
	} else if (m->current == SIZE_MAX) {
		next_speed_or_lag(m, snap);
	} else {
		m->current = m->current > 0 ? m->current - 1 : SIZE_MAX;
		begin_take(m, snap->now);
	}
}

/* The actuator lost its speed: this current is too much for it, the ones below are what the map gets. */
static void back_off(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret)
{
	m->n_left_out += 2 * (m->config.n_currents - m->current) - 1;
	snprintf(m->left_out, sizeof m->left_out, "at %.4g rpm from %.4g A up: the speed is not held", wanted_rpm(m),
		 set_current(m));
	m->top = m->current;
	m->falling = true;
	m->brake_A *= 0.5;
	m->current = m->top > 1 ? m->top - 2 : SIZE_MAX;
	begin_take(m, snap->now);
	note(ret, m->left_out);
}

static void step_take(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret, double *brake_want)
{
	if (collapsed(m, snap) && m->current != SIZE_MAX && !m->falling && m->brake_A > 0) {
		back_off(m, snap, ret);
		*brake_want = m->brake_A;
		return;
	}
	*brake_want = set_current(m);
	if (taken(m, snap, ret))
		after_reading(m, snap);
}

static void step_lag(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret, double *brake_want)
{
	double in_phase_s = mono_diff_s(snap->now, m->phase_at);

	double high_A = fmin(m->config.lag_high_A, mapped_A(m, m->speed));

	ret->phase = "lag";
	if (m->phase == MAP_LAG_HOLD) {
		*brake_want = fmin(m->config.lag_low_A, 0.5 * high_A);
		if (in_phase_s < LAG_HOLD_S)
			return;
		enter(m, MAP_LAG_RECORD, snap->now);
		in_phase_s = 0;
	}
	*brake_want = m->brake_A = high_A; /* a true step: not slewed */
	struct map_lag *lag = &m->lag[m->lag_step];
	bool fresh = snap->channel[CHANNEL_CELL].fresh != m->last_conversion;
	m->last_conversion = snap->channel[CHANNEL_CELL].fresh;
	if (fresh && in_phase_s > 0 && lag->n < MAP_LAG_SAMPLES) {
		lag->t_s[lag->n] = in_phase_s;
		lag->torque_Nm[lag->n++] = snap->torque_Nm;
	}
	if (in_phase_s < m->config.lag_s)
		return;
	m->acts_done++;
	enter(m, ++m->lag_step < MAP_LAG_STEPS ? MAP_LAG_HOLD : MAP_RAMP_DOWN, snap->now);
}

static void step_down(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret, double dt_s,
		      double *brake_want)
{
	ret->phase = "stop";
	if (m->phase == MAP_RAMP_DOWN) {
		/* over some turns, so that a hysteresis brake keeps no cogging */
		double turn_s = 60 / fmax(wanted_rpm(m), 1);
		*brake_want = m->brake_A = toward(m->brake_A, 0, m->config.max_A / (RAMP_TURNS * turn_s) * dt_s);
		if (m->brake_A <= 0)
			enter(m, MAP_COAST, snap->now);
		return;
	}
	*brake_want = 0;
	if (!(fabs(snap->speed_rpm) > STANDSTILL_RPM) || m->config.by_hand)
		enter(m, MAP_END, snap->now);
	else if (mono_diff_s(snap->now, m->phase_at) > 20)
		give_up(ret, "the shaft does not stop with the drive off");
}

static void progress(const struct seq_map *m, const struct snapshot *snap, struct seq_out *ret)
{
	double elapsed_s = mono_diff_s(snap->now, m->began);

	ret->progress_frac = fmin(1, (double)(m->acts_done + m->n_left_out) / (double)m->acts);
	double guess_s = (double)(m->acts - m->acts_done) * (1.5 * m->config.window_s + m->config.dwell_s);
	ret->remaining_s = m->acts_done > 2 ? elapsed_s * (1 - ret->progress_frac) / ret->progress_frac : guess_s;
	ret->remaining_spread = m->acts_done > 2 ? 0.2 : 0.4;
}

static void set_wish(struct seq_map *m, double brake_want, double dt_s, struct seq_out *ret)
{
	m->brake_A = toward(m->brake_A, brake_want, m->config.slew_A_per_s * dt_s);
	if (m->phase == MAP_END) {
		ret->done = true;
		ret->wish = (struct wish){ 0 };
		return;
	}
	ret->wish.brake_A = m->brake_A;
	if (m->config.by_hand)
		return;
	ret->wish.power = true;
	if (m->phase == MAP_START || m->phase == MAP_COAST)
		return;
	m->speed_set_rpm = toward(m->speed_set_rpm, wanted_rpm(m), m->config.speed_slew_rpm_per_s * dt_s);
	ret->wish.mode = DRIVE_SPEED;
	ret->wish.speed_rpm = m->speed_set_rpm;
}

static bool drag_is_done(const struct seq_map *m)
{
	return m->n_readings >= m->config.n_speeds;
}

static void step_phase(struct seq_map *m, const struct snapshot *snap, struct seq_out *ret, double dt_s,
		       double *brake_want)
{
	switch (m->phase) {
	case MAP_START: step_start(m, snap, ret); break;
	case MAP_SPIN: step_spin(m, snap, ret, drag_is_done(m) ? MAP_TAKE : MAP_DRAG); break;
	case MAP_DRAG: step_drag(m, snap, ret); break;
	case MAP_RUN_IN: step_run_in(m, snap, ret, brake_want); break;
	case MAP_TAKE: step_take(m, snap, ret, brake_want); break;
	case MAP_LAG_HOLD:
	case MAP_LAG_RECORD: step_lag(m, snap, ret, brake_want); break;
	case MAP_RAMP_DOWN:
	case MAP_COAST: step_down(m, snap, ret, dt_s, brake_want); break;
	case MAP_END: break;
	}
}

void seq_map_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct seq_map *m = state;
	double brake_want = 0;

	if (!m->started) {
		m->started = true;
		m->began = m->last_now = snap->now;
		enter(m, MAP_START, snap->now);
	}
	double dt_s = mono_diff_s(snap->now, m->last_now);
	m->last_now = snap->now;
	watch_heat(m, snap, dt_s);
	m->slow_s = snap->speed_rpm > HAND_COLLAPSE_FRAC * wanted_rpm(m) ? 0 : m->slow_s + dt_s;
	if (snap->drive_waits) {
		enter(m, m->phase, snap->now);
		m->step_at = snap->now;
	} else {
		step_phase(m, snap, ret, dt_s, &brake_want);
	}
	announce(m, ret);
	progress(m, snap, ret);
	set_wish(m, brake_want, dt_s, ret);
}
