/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/world.h"

#include "bench/bounded.h"
#include "bench/can_line.h"
#include "bench/canopen_line.h"
#include "bench/draw.h"
#include "calib/number/units.h"
#include "channel/channel.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PANEL_rpm_per_s 30.0
#define TICK_US 1000
#define HEAT_US 10000
#define COIL_OHM 18.0
#define MAINS_HZ 50.0
#define COIL_READING_US 20000
#define SUPPLY_MOST 1.25 /* range of a supply that is set, over what rig.ini sets */

enum { RNG_BRAKE, RNG_CELL, RNG_PICKUP, RNG_METER, RNG_NODE, RNG_LEVER };

static bool contactor_wanted(const struct world *w)
{
	if (w->settable && !w->cuts)
		return w->settable->on;
	return w->relay ? w->relay->closed : w->node.orders.contactor;
}

/* Has the drive its power? */
static bool is_powered(const struct world *w)
{
	return w->contactor.closed && (!w->cuts || w->settable->on);
}

static bool is_relay(const struct world *w, size_t instrument)
{
	return strcmp(w->config.rig.instrument[instrument].kind, "relay") == 0;
}

static bool is_gpio(const struct world *w, size_t instrument)
{
	return strcmp(w->config.rig.instrument[instrument].kind, "gpio") == 0;
}

static bool is_drive(const struct world *w, size_t instrument)
{
	return w->config.rig.instrument[instrument].roles & ROLE_DRIVE;
}

static bool is_panel(const struct world *w, size_t instrument)
{
	return instruments_set_by_person(&w->config.rig.instrument[instrument]);
}

static bool is_modbus(const struct world *w, size_t instrument)
{
	return strcmp(w->config.rig.instrument[instrument].kind, "modbus") == 0;
}

static bool is_indicator(const struct world *w, size_t instrument)
{
	return w->config.rig.instrument[instrument].roles & ROLE_CELL;
}

/* The first instrument on a line. */
static size_t first_on(const struct world *w, size_t line)
{
	const struct rig_profile *rig = &w->config.rig;

	return (size_t)(instruments_line(rig, line) - rig->instrument);
}

static void sense_lines(const struct world *w, struct node_side_senses *s)
{
	s->estop_ok = w->contactor.estop_ok;
	s->cage_closed = w->contactor.cage_closed;
	s->contactor_closed = w->contactor.closed;
	s->drive_flags = w->drive.flags;
	s->pulses = w->pickup.pulses;
	s->edge_us = w->pickup.edge_s * 1e6;
}

static void sense_rotor(const struct world *w, double *ret_rpm, double *ret_A)
{
	bool mute = w->faults.drive_mute;

	*ret_rpm = mute ? w->faults.mute_rpm : rpm_from_rad_per_s(w->actuator.rotor_rad_per_s);
	*ret_A = mute ? w->faults.mute_A : w->actuator.current_A * w->config.physics.drive.current_gain;
}

/* By the drive's own encoder. */
static double rotor_deg(const struct world *w)
{
	double deg = fmod(w->actuator.rotor_rad * 180 / UNITS_PI, 360);

	return deg < 0 ? deg + 360 : deg;
}

/* By enum temp_place, as sensors there tell them. */
static void sense_temperatures(const struct world *w, double ret_degC[TEMP_COUNT])
{
	const double temp[TEMP_COUNT] = { w->brake_heat.outer_degC, w->actuator_heat.outer_degC,
					  w->actuator_heat.inner_degC, w->room_degC, w->room_degC + w->cell.warm_K };

	for (int i = 0; i < TEMP_COUNT; i++)
		ret_degC[i] = temp[i] + w->truth.temp_error_K[i];
}

static void sense_all(struct world *w, struct node_side_senses *s)
{
	double temp[TEMP_COUNT];

	sense_temperatures(w, temp);
	sense_lines(w, s);
	s->cell_count = w->cell.count;
	s->cell_conversion = w->cell.conversion;
	s->brake_A = brake_readback_A(&w->brake);
	if (!w->node.config.no_meter)
		meter_read(&w->meter, &s->meter_V, &s->meter_A, &s->meter_ripple_W);
	sense_rotor(w, &s->rotor_rpm, &s->drive_A);
	s->rotor_deg = rotor_deg(w);
	for (int i = 0; i < 4; i++) {
		int place = i == 3 && w->node.config.cell_temp ? 4 : i;
		s->temp_degC[i] = temp[place];
	}
}

static double room_degC(const struct world *w)
{
	const struct physics *p = &w->config.physics;

	return p->room.temp_degC + p->room.swing_K * sin(2 * UNITS_PI * (double)w->grid_us * 1e-6 / p->room.swing_s);
}

/* From the tether's whole numbers. */
static double drive_value_SI(const struct physics *p, enum bench_mode mode, double value)
{
	double Nm_per_A = p->motor.kt_Nm_per_A * p->gear.ratio * p->drive.torque_constant;

	switch (mode) {
	case BENCH_SPEED: return rad_per_s_from_rpm(value * 0.1);
	case BENCH_CURRENT: return value * 1e-3 / p->drive.current_gain;
	case BENCH_TORQUE: return value * 1e-3 / Nm_per_A / p->drive.current_gain;
	case BENCH_POSITION: return value * 0.1 * (UNITS_PI / 180);
	case BENCH_OFF: return 0;
	}
	return 0;
}

/* The drive as node and faults want it, once a millisecond. */
static void tick_drive(struct world *w)
{
	const struct physics *p = &w->config.physics;
	struct node_side_orders *orders = w->driver ? &w->driver->orders : &w->node.orders;
	bool deaf = w->faults.drive_deaf && w->drive_heard != BENCH_OFF;
	struct drive_inputs in = {
		.mode = deaf ? w->drive_heard : orders->mode,
		.bus_V = w->supply.bus_V * w->faults.reach_factor,
		.rotor_rad_per_s = w->actuator.rotor_rad_per_s,
		.winding_degC = w->actuator_heat.inner_degC,
		.kt_Nm_per_A = actuator_kt(&w->actuator, w->actuator.current_A),
		.ohm = w->actuator.ohm,
	};

	if (!deaf) {
		w->drive_heard = orders->mode;
		w->drive_value = orders->value;
		w->drive_limit = orders->limit;
	}
	in.value = drive_value_SI(p, in.mode, w->drive_value);
	in.limit_rad_per_s = rad_per_s_from_rpm(w->drive_limit * 0.1);
	bool without_power = w->by_panel && !(w->supply.bus_V > 1);
	if (orders->restart || without_power) { /* a drive with a panel alone starts anew with its power */
		drive_restart(&w->drive);
		orders->restart = false;
	}
	drive_step(&w->drive, p, &in, &w->faults.drive);
}

/* Heat since the last step of heat, as mean powers. */
static void tick_heat(struct world *w)
{
	double lost[6] = { w->actuator.lost.copper_J, w->actuator.lost.inverter_J,
			   w->actuator.lost.iron_J,   w->actuator.lost.gear_J,
			   w->shaft.slip_J,           w->brake.coil_J };
	double power[6];

	for (int i = 0; i < 6; i++) {
		power[i] = (lost[i] - w->heat_from[i]) / (HEAT_US * 1e-6);
		w->heat_from[i] = lost[i];
	}
	w->room_degC = room_degC(w);
	heat_step(&w->actuator_heat, power[0], power[1] + power[2] + power[3], w->room_degC);
	heat_step(&w->brake_heat, power[4], power[5], w->room_degC);
	actuator_warm(&w->actuator, w->actuator_heat.inner_degC);
}

static unsigned what_is_on(const struct world *w)
{
	return (unsigned)w->node.state << 2 | (unsigned)w->drive.enabled << 1 | (unsigned)w->contactor.closed;
}

static void tick_truth(struct world *w)
{
	struct truth_state state = {
		.node = (const char *const[]){ "idle", "live", "stopping", "safe" }[w->node.state],
		.drive_on = w->drive.enabled,
		.contactor = w->contactor.closed,
		.brake_A = w->brake.current_A,
		.speed_rad_per_s = w->shaft.rad_per_s,
		.torque_Nm = w->actuator.output_Nm,
		.bus_V = w->supply.bus_V,
		.winding_degC = w->actuator_heat.inner_degC,
		.case_degC = w->actuator_heat.outer_degC,
		.brake_rotor_degC = w->brake_heat.inner_degC,
		.brake_housing_degC = w->brake_heat.outer_degC,
		.drive_flags = w->drive.flags,
		.supply_limiting = w->supply.limiting,
		.peak_Nm = w->peak_Nm,
		.peak_rad_per_s = w->peak_rad_per_s,
	};

	w->peak_Nm = w->peak_rad_per_s = 0;
	w->on_at_row = what_is_on(w);
	if (w->config.truth_csv != NULL)
		truth_row(w->config.truth_csv, w->grid_us, &w->sums, &state);
}

static void tick_supply(struct world *w)
{
	const struct physics *p = &w->config.physics;
	double turns = (double)w->grid_us * 1e-6 / p->supply.breath_s;

	double set_V = w->settable ? w->settable->set_V : w->config.rig.supply_V;
	double whole_V = w->faults.supply_V > 0 ? w->faults.supply_V : set_V * p->supply.voltage_gain;

	if (w->settable) {
		w->supply.params.limit_A = w->settable->limit_A * p->supply.limit_gain;
		supply_orders_look(w->settable, w->supply.limiting);
	}
	w->supply.params.set_V = whole_V * (1 + p->supply.breath_frac * sin(2 * UNITS_PI * turns));
}

/* A hand turns a knob no faster than this. */
static void tick_panel(struct world *w)
{
	double step_rpm = PANEL_rpm_per_s * TICK_US * 1e-6;

	if (!w->by_panel)
		return;
	w->hands.knob_rpm = bounded(w->hands.panel_rpm, w->hands.knob_rpm - step_rpm, w->hands.knob_rpm + step_rpm);
	w->driver->orders.mode = BENCH_SPEED;
	w->driver->orders.value = w->hands.knob_rpm * w->config.physics.gear.ratio * 10;
}

static void tick_hands(struct world_hands *hands)
{
	double left = hands->weight_Nm - hands->let_go_Nm;

	if (fabs(left) > fabs(hands->let_go_step_Nm))
		hands->let_go_Nm += hands->let_go_step_Nm;
	else
		hands->let_go_Nm = hands->weight_Nm;
}

/* A change has a row of its own: bench time may stand still right after it. */
static bool row_is_due(const struct world *w)
{
	bool coasts = !w->drive.enabled && fabs(w->shaft.rad_per_s) > TRUTH_TURNS_rad_per_s;

	return w->grid_us % (coasts ? TRUTH_COAST_US : TRUTH_EVERY_US) == 0 || what_is_on(w) != w->on_at_row;
}

static double coil_wanted_A(const struct world *w)
{
	if (w->coil == NULL)
		return w->node.orders.brake_mA * 1e-3;
	return w->coil->on ? w->coil->limit_A : 0;
}

static void tick(struct world *w)
{
	const struct physics *p = &w->config.physics;
	struct node_side_senses senses = { 0 };

	contactor_tick(&w->contactor, TICK_US * 1e-6, p->contactor.close_s, p->contactor.open_s);
	for (size_t i = 0; i < w->config.rig.n_instruments; i++)
		if (is_indicator(w, i))
			indicator_line_tick(&w->indicator_line[i], &w->cell);
	if (w->driver)
		drive_line_tick(w->driver, is_powered(w), w->grid_us);
	tick_panel(w);
	tick_drive(w);
	tick_hands(&w->hands);
	tick_supply(w);
	strays_tick(&w->strays, p, w->shaft.angle_rad, w->rng[RNG_LEVER]);
	w->brake.wanted_A = coil_wanted_A(w);
	brake_tick(&w->brake, w->shaft.angle_rad - w->shaft.cradle_rad, w->shaft.rad_per_s - w->shaft.cradle_rad_per_s,
		   w->brake_heat.inner_degC, w->brake_heat.outer_degC);
	if (w->grid_us % HEAT_US == 0)
		tick_heat(w);
	sense_lines(w, &senses);
	node_side_tick(&w->node, w->grid_us, &senses);
	w->contactor.command = contactor_wanted(w);
	if (row_is_due(w))
		tick_truth(w);
}

static double knock_Nm(const struct world *w)
{
	const struct world_faults *f = &w->faults;

	if (w->grid_us >= f->knock_end_us)
		return 0;
	return f->knock_Nm *
	       sin(UNITS_PI * (double)(w->grid_us - f->knock_us) / (double)(f->knock_end_us - f->knock_us));
}

/* A crank: as strong as its speed lags, up to what an arm can do. */
static double crank_Nm(const struct world *w)
{
	const struct physics *p = &w->config.physics;
	double most = p->crank.torque_Nm;

	if (!w->hands.turning)
		return 0;
	return bounded(p->crank.slope_Nms * (w->hands.turn_rad_per_s - w->shaft.rad_per_s), -most, most);
}

static void add_up(struct world *w)
{
	double h = w->step_s, volt = w->supply.bus_V, ampere = w->supply.current_A, speed = w->shaft.mean_rad_per_s;
	double torque = w->actuator.output_Nm + w->hands.turn_Nm;

	if (w->config.rig.plane == PLANE_SUPPLY)
		volt = w->cuts && !w->settable->on ? 0 : supply_terminal_V(&w->supply, w->contactor.closed);
	meter_add(&w->meter, volt, ampere);
	for (size_t i = 0; i < w->config.rig.n_instruments; i++)
		if (w->config.rig.instrument[i].roles & ROLE_BRAKE)
			meter_add(&w->supply_meter[i], COIL_OHM * w->brake.current_A, brake_readback_A(&w->brake));
		else
			meter_add(&w->supply_meter[i], volt, ampere);
	w->peak_Nm = at_least(fabs(w->actuator.output_Nm), w->peak_Nm);
	w->peak_rad_per_s = at_least(fabs(w->shaft.rad_per_s), w->peak_rad_per_s);
	w->sums.torque_Nms += torque * h;
	w->sums.angle_rad += speed * h;
	w->sums.work_J += torque * speed * h;
	w->sums.volt_Vs += volt * h;
	w->sums.ampere_As += ampere * (1 + w->meter.truth.ripple_frac) * h;
	w->sums.electric_J += volt * ampere * h;
	w->sums.brake_Nms += w->shaft.brake_Nm * h;
	w->sums.brake_work_J += w->shaft.brake_Nm * speed * h;
	w->source_J += w->supply.params.set_V * ampere * h;
	w->source_J += w->hands.turn_Nm * speed * h;
	w->cable_J += (w->supply.params.set_V - w->supply.bus_V) * ampere * h;
}

/* Where the pick-up's disc is: it may have slipped on the shaft. */
static double disc_rad(struct world *w)
{
	double angle_rad = w->shaft.angle_rad;

	w->slipped_rad += w->faults.pickup_slip * (angle_rad - w->slip_at_rad);
	w->slip_at_rad = angle_rad;
	return angle_rad - w->slipped_rad;
}

static double felt_Nm(const struct world *w, double t_s)
{
	/* Each step of the physics asks: a sine only where something hums. */
	double hum_Nm = w->faults.hum_Nm > 0 ? w->faults.hum_Nm * sin(2 * UNITS_PI * MAINS_HZ * t_s) : 0;

	return w->shaft.cell_Nm + w->faults.drift_Nm_per_s * (t_s - w->faults.drift_from_s) + hum_Nm;
}

static void step(struct world *w)
{
	struct actuator_demand demand = { .enabled = w->drive.enabled,
					  .wanted_A = w->drive.wanted_A,
					  .reach_factor = w->faults.reach_factor,
					  .standby = w->supply.bus_V > 1 };
	double t_s;

	supply_step(&w->supply, is_powered(w), w->actuator.bus_A);
	actuator_step(&w->actuator, &demand, w->supply.bus_V, w->shaft.rad_per_s, w->hands.coupled);
	w->hands.turn_Nm = crank_Nm(w);
	shaft_step(&w->shaft, &w->brake, w->actuator.output_Nm + w->hands.turn_Nm, w->hands.let_go_Nm,
		   knock_Nm(w) + w->strays.cradle_Nm);
	if (w->hands.coupled)
		actuator_turn(&w->actuator, w->shaft.rad_per_s);
	add_up(w);
	w->grid_us += w->config.step_us;
	t_s = (double)w->grid_us * 1e-6;
	cell_add(&w->cell, felt_Nm(w, t_s), t_s, w->room_degC, w->brake_heat.outer_degC);
	w->pickup.half = w->faults.pickup_half;
	if (!w->faults.pickup_dead)
		pickup_add(&w->pickup, disc_rad(w), t_s, w->step_s);
	if (w->grid_us % TICK_US == 0)
		tick(w);
	if (node_side_due(&w->node, w->grid_us)) {
		struct node_side_senses senses;

		sense_all(w, &senses);
		node_side_sample(&w->node, w->grid_us, &senses);
	}
}

void world_advance(struct world *w, int64_t t_us)
{
	if (t_us < w->now_us)
		return;
	w->now_us = t_us;
	while (w->grid_us + w->config.step_us <= t_us) {
		for (const struct agenda_item *due; (due = agenda_due(&w->config.agenda, w->grid_us));)
			w->config.act(w, due);
		step(w);
	}
}

void world_receive(struct world *w, const char *bytes, size_t n)
{
	struct node_side_senses senses = { 0 };

	sense_lines(w, &senses);
	node_side_receive(&w->node, bytes, n, w->now_us, &senses);
	w->contactor.command = contactor_wanted(w);
	if (what_is_on(w) != w->on_at_row) /* bench time may stand still from here on */
		tick_truth(w);
}

size_t world_take(struct world *w, char *buf, size_t size)
{
	return node_side_take(&w->node, w->now_us, buf, size);
}

void world_receive_line(struct world *w, size_t line, const char *bytes, size_t n)
{
	size_t first = first_on(w, line);

	if (is_relay(w, first) || is_gpio(w, first)) {
		relay_line_receive(&w->relay_line[first], bytes, n);
		w->contactor.command = contactor_wanted(w);
		return;
	}
	if (is_drive(w, first)) {
		drive_line_receive(&w->drive_line[first], bytes, n, w->now_us);
		return;
	}
	if (is_modbus(w, first)) {
		double temp_degC[TEMP_COUNT];

		sense_temperatures(w, temp_degC);
		modbus_line_receive(&w->modbus_line[line], bytes, n, temp_degC, w->now_us);
		w->contactor.command = contactor_wanted(w);
		return;
	}
	if (is_indicator(w, first)) {
		indicator_line_receive(&w->indicator_line[first], bytes, n);
		return;
	}
	supply_line_receive(&w->supply_line[line], bytes, n);
	w->contactor.command = contactor_wanted(w);
}

static size_t take_drive(struct world *w, size_t instrument, char *buf, size_t size)
{
	struct drive_line_senses senses = { .flags = w->drive.flags,
					    .winding_degC = w->actuator_heat.inner_degC + w->truth.temp_error_K[2],
					    .rotor_deg = rotor_deg(w),
					    .powered = is_powered(w) };

	sense_rotor(w, &senses.rotor_rpm, &senses.current_A);
	return drive_line_take(&w->drive_line[instrument], &senses, w->now_us, buf, size);
}

static size_t take_gpio(struct world *w, size_t instrument, char *buf, size_t size)
{
	struct gpio_line_senses senses = { .estop_ok = w->contactor.estop_ok,
					   .cage_closed = w->contactor.cage_closed,
					   .contactor_closed = w->contactor.closed,
					   .pulses = w->pickup.pulses,
					   .edge_us = w->pickup.edge_s * 1e6 };

	return gpio_line_take(&w->gpio_line[instrument], &senses, w->now_us, buf, size);
}

static size_t take_line(struct world *w, size_t line, char *buf, size_t size)
{
	size_t first = first_on(w, line);

	if (is_relay(w, first))
		return 0;
	if (is_gpio(w, first))
		return take_gpio(w, first, buf, size);
	if (is_drive(w, first))
		return take_drive(w, first, buf, size);
	if (is_modbus(w, first))
		return modbus_line_take(&w->modbus_line[line], w->now_us, buf, size);
	if (is_indicator(w, first))
		return indicator_line_take(&w->indicator_line[first], w->now_us, buf, size);
	return supply_line_take(&w->supply_line[line], w->now_us, buf, size);
}

size_t world_take_line(struct world *w, size_t line, char *buf, size_t size)
{
	struct line_habit *habit = &w->line_habit[line];
	size_t n;

	if (!line_habit_acts(habit))
		return take_line(w, line, buf, size);
	while ((n = take_line(w, line, buf, size)) > 0)
		line_habit_put(habit, buf, n, w->now_us);
	return line_habit_take(habit, w->now_us, buf, size);
}

/* Kept without power too: the knob stands where it was left. */
bool world_set_panel(struct world *w, double speed_rpm)
{
	w->hands.panel_rpm = speed_rpm * (w->faults.panel_wrong ? w->faults.panel_times : 1);
	return w->by_panel;
}

void world_weigh(struct world *w)
{
	const struct physics *p = &w->config.physics;
	const struct true_rig *t = &w->truth;
	double seat_m =
		t->arm_m +
		p->lever.seat_m * draw_normal(w->rng[RNG_LEVER]); /* the load line is never twice in one place */
	double hand_s = p->lever.hand_s * exp(p->lever.hand_frac * draw_normal(w->rng[RNG_LEVER]));
	double level = cos(t->arm_level_deg * UNITS_PI / 180), torque = 0, inertia = 0;

	for (size_t i = 0; i < t->n_pieces; i++) {
		if (!w->hands.hung[i])
			continue;
		torque += t->mass_kg[i] * t->gravity_m_per_s2 *
			  (1 - t->air_density_kg_per_m3 / t->density_kg_per_m3[i]) * seat_m * level *
			  (1 + p->lever.one_sided_frac);
		inertia += t->mass_kg[i] * t->arm_m * t->arm_m;
	}
	w->hands.weight_Nm = w->hands.arm_on ? torque + p->lever.arm_Nm : 0;
	w->hands.let_go_step_Nm = (w->hands.weight_Nm - w->hands.let_go_Nm) / (hand_s / (TICK_US * 1e-6));
	w->shaft.hung_kgm2 = w->hands.arm_on ? inertia : 0;
}

struct world_energy world_energy(const struct world *w)
{
	const struct actuator_energy *lost = &w->actuator.lost;

	return (struct world_energy){
		.source_J = w->source_J,
		.lost_J = lost->copper_J + lost->inverter_J + lost->iron_J + lost->gear_J + w->cable_J +
			  w->supply.burnt_J + w->shaft.lever_J + w->shaft.bearing_J,
		.slip_J = w->shaft.slip_J,
		.stored_J = actuator_stored_J(&w->actuator) + shaft_stored_J(&w->shaft) +
			    0.5 * w->supply.params.farad * w->supply.bus_V * w->supply.bus_V,
	};
}

static void set_up_electric(struct world *w)
{
	const struct physics *p = &w->config.physics;
	const struct rig_profile *rig = &w->config.rig;
	struct supply_params supply = {
		.set_V = rig->supply_V * p->supply.voltage_gain,
		.limit_A = rig->supply_limit_A * p->supply.limit_gain,
		.inner_ohm = fmax(p->supply.ohm, 1e-4),
		.cable_ohm = w->truth.cable_ohm,
		.farad = p->drive.farad,
		.chopper_V = p->drive.chopper_V,
	};
	struct meter_truth meter = {
		.volt_gain = 1 / w->truth.volt_gain,
		.amp_gain = 1 / w->truth.amp_gain,
		.volt_offset_V = w->truth.volt_offset_V,
		.amp_offset_A = w->truth.amp_offset_A,
		.noise_V = p->meter.noise_V,
		.noise_A = p->meter.noise_A,
		.ripple_frac = p->drive.ripple_frac,
	};

	supply_init(&w->supply, &supply, w->step_s);
	meter_init(&w->meter, &meter, w->rng[RNG_METER]);
	w->contactor = (struct contactor){ .estop_ok = true, .cage_closed = true };
}

static void set_up_mechanic(struct world *w)
{
	const struct physics *p = &w->config.physics;
	const struct rig_profile *rig = &w->config.rig;
	struct cell_truth cell = {
		.full_scale_Nm = rig->cell_full_scale_Nm,
		.sign = rig->cell_sign < 0 ? -1 : 1,
		.zero_drift_Nm_per_K = w->truth.zero_drift_Nm_per_K,
		.gain_drift_per_K = w->truth.gain_drift_per_K,
		.creep_frac = w->truth.creep_frac,
	};
	struct heat_params brake = { p->brake_heat.rotor_J_per_K, p->brake_heat.housing_J_per_K,
				     p->brake_heat.rotor_housing_K_per_W, p->brake_heat.housing_room_K_per_W };
	struct heat_params actuator = { p->actuator_heat.winding_J_per_K, p->actuator_heat.case_J_per_K,
					p->actuator_heat.winding_case_K_per_W, p->actuator_heat.case_room_K_per_W };

	actuator_init(&w->actuator, p, w->step_s);
	shaft_init(&w->shaft, p, rig->mounting, w->step_s);
	brake_init(&w->brake, p, rig->brake_max_A, rig->brake_rated_Nm, w->rng[RNG_BRAKE]);
	w->brake.drag_ratio = w->truth.drag_ratio;
	cell_init(&w->cell, p, &cell, w->rng[RNG_CELL]);
	strays_init(&w->strays, p, w->rng[RNG_LEVER]);
	pickup_init(&w->pickup, p, rig->pulses_per_rev, rig->pick_sign < 0 ? -1 : 1, w->rng[RNG_PICKUP]);
	heat_init(&w->actuator_heat, &actuator, HEAT_US * 1e-6, w->room_degC);
	heat_init(&w->brake_heat, &brake, HEAT_US * 1e-6, w->room_degC);
	actuator_warm(&w->actuator, w->room_degC);
}

static void set_up_drive(struct world *w, size_t i)
{
	const struct instrument_profile *p = &w->config.rig.instrument[i];
	double ratio = w->config.physics.gear.ratio;

	if (strcmp(p->kind, "can-drive") == 0)
		can_line_init(&w->drive_line[i], p, ratio);
	else if (strcmp(p->kind, "canopen-drive") == 0)
		canopen_line_init(&w->drive_line[i], p, ratio);
	else
		drive_line_init(&w->drive_line[i], p, ratio);
}

static void set_up_coil(struct world *w, const struct instrument_profile *p)
{
	struct supply_line *line = &w->supply_line[p->line];

	line->reading_us = COIL_READING_US;
	supply_orders_init(&line->orders, SUPPLY_MOST * p->coil_V, SUPPLY_MOST * w->config.rig.brake_max_A);
	w->coil = &line->orders;
}

static void set_up_modbus(struct world *w, const struct instrument_profile *p, struct meter *meter)
{
	const struct rig_profile *rig = &w->config.rig;
	struct supply_orders *orders = modbus_line_add(&w->modbus_line[p->line], p, meter);

	supply_orders_init(orders, SUPPLY_MOST * rig->supply_V, SUPPLY_MOST * rig->supply_limit_A);
	if (p->roles & (ROLE_POWER | ROLE_CUT))
		w->settable = orders;
}

static void set_up_node(struct world *w)
{
	const struct rig_profile *rig = &w->config.rig;
	struct node_side_senses senses = { 0 };
	struct node_side_config config = {
		.baud = rig->baud,
		.brake_mA = (int)lrint(rig->brake_max_A * 1e3),
		.cell_bits = CELL_BITS,
		.cell_sps = w->config.physics.cell.rate_Hz < 30 ? 10 : 80,
		.clock_ppm = w->truth.node_clock_ppm,
		.clock_s = w->config.physics.node.clock_s,
		.pick_single = w->config.physics.pickup.single > 0.5,
		.cell_temp = w->config.physics.node.cell_sensor > 0.5,
	};

	unsigned taken = 0;
	for (size_t i = 0; i < rig->n_lines; i++) {
		supply_line_init(&w->supply_line[i], instruments_line(rig, i)->baud);
		supply_orders_init(&w->supply_line[i].orders, SUPPLY_MOST * rig->supply_V,
				   SUPPLY_MOST * rig->supply_limit_A);
	}
	for (size_t i = 0; i < rig->n_instruments; i++) {
		bool switches = is_relay(w, i) || is_gpio(w, i);

		w->cuts |= (rig->instrument[i].roles & ROLE_CUT) != 0;
		if (!switches && !is_modbus(w, i) && rig->instrument[i].roles & (ROLE_POWER | ROLE_CUT))
			w->settable = &w->supply_line[rig->instrument[i].line].orders;
		relay_line_init(&w->relay_line[i], &rig->instrument[i].close, &rig->instrument[i].open);
		if (switches && rig->instrument[i].roles & ROLE_POWER)
			w->relay = &w->relay_line[i];
		if (rig->instrument[i].roles & ROLE_BRAKE)
			set_up_coil(w, &rig->instrument[i]);
		set_up_drive(w, i);
		if (is_drive(w, i))
			w->driver = &w->drive_line[i];
		taken |= rig->instrument[i].roles;
		w->by_panel |= is_panel(w, i);
		if (is_panel(w, i))
			continue; /* no line */
		indicator_line_init(&w->indicator_line[i], &rig->instrument[i], &w->config.physics,
				    rig->cell_full_scale_Nm);
		w->supply_meter[i] = w->meter;
		if (is_modbus(w, i))
			set_up_modbus(w, &rig->instrument[i], &w->supply_meter[i]);
		supply_line_add(&w->supply_line[rig->instrument[i].line], rig->instrument[i].address,
				&w->supply_meter[i]);
	}
	config.no_meter = (taken & ROLE_METER) == ROLE_METER;
	config.no_cell = taken & ROLE_CELL;
	config.no_temp = taken & ROLE_TEMP;
	config.no_drive = taken & ROLE_DRIVE;
	config.no_brake = taken & ROLE_BRAKE;
	sense_lines(w, &senses);
	node_side_init(&w->node, &config, w->rng[RNG_NODE], &senses);
}

enum rc world_new(const struct world_config *config, struct world **ret, struct err *err)
{
	static const char *const stream[] = { "noise.brake", "noise.cell", "noise.pickup",
					      "noise.meter", "noise.node", "noise.lever" };
	struct world *w = calloc(1, sizeof *w);
	bool short_of_memory = w == NULL;

	for (int i = 0; i < WORLD_RNGS && !short_of_memory; i++)
		short_of_memory = (w->rng[i] = draw_new(config->seed, stream[i])) == NULL;
	if (short_of_memory) {
		world_free(w);
		return err_set(err, RC_NOMEM, 0, "out of memory for the virtual bench");
	}
	w->config = *config;
	w->step_s = config->step_us * 1e-6;
	w->hands.coupled = true;
	w->faults.reach_factor = 1;
	true_rig_draw(config->seed, &config->stated, &config->physics, &w->truth);
	w->room_degC = room_degC(w);
	set_up_electric(w);
	set_up_mechanic(w);
	set_up_node(w);
	tick_truth(w);
	*ret = w;
	return RC_OK;
}

void world_free(struct world *w)
{
	if (w == NULL)
		return;
	for (int i = 0; i < WORLD_RNGS; i++)
		if (w->rng[i] != NULL)
			gsl_rng_free(w->rng[i]);
	free(w);
}
