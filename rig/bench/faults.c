/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/hands.h"
#include "calib/number/units.h"

#include <math.h>
#include <string.h>

#define KNOCK_US 60000

static void node_silent(struct world *w, double value)
{
	w->node.faults.silent_until_us = isnan(value) ? INT64_MAX : w->grid_us + (int64_t)(value * 1e6);
}

static void node_reset(struct world *w, double value)
{
	(void)value;
	node_side_boot(&w->node, w->now_us, "watchdog");
}

static void cell_frozen(struct world *w, double value)
{
	(void)value;
	w->cell.fault = CELL_FROZEN;
}

static void cell_stale(struct world *w, double value)
{
	(void)value;
	w->cell.fault = CELL_STALE;
}

static void cell_saturated(struct world *w, double value)
{
	w->cell.fault = value < 0 ? CELL_EMPTY : CELL_FULL;
}

static void cell_swapped(struct world *w, double value)
{
	(void)value;
	w->cell.fault = CELL_SWAPPED;
}

static void cell_hum(struct world *w, double value)
{
	w->faults.hum_Nm = isnan(value) ? 0.1 : value;
}

static void garbage(struct world *w, double value)
{
	w->node.faults.garbage_permille = isnan(value) ? 5 : value;
}

static void lost_samples(struct world *w, double value)
{
	w->node.faults.lost_percent = isnan(value) ? 10 : value;
}

static void doubled_samples(struct world *w, double value)
{
	w->node.faults.doubled_percent = isnan(value) ? 10 : value;
}

static void half_lines(struct world *w, double value)
{
	w->node.faults.half_percent = isnan(value) ? 10 : value;
}

static void swapped_samples(struct world *w, double value)
{
	w->node.faults.swapped_percent = isnan(value) ? 10 : value;
}

static void delayed_lines(struct world *w, double value)
{
	w->node.faults.delay_us = (isnan(value) ? 0.1 : value) * 1e6;
}

static void nonsense(struct world *w, double value)
{
	w->node.faults.nonsense_percent = isnan(value) ? 1 : value;
}

static void link_cut(struct world *w, double value)
{
	(void)value;
	w->faults.link_cut = true;
	w->node.faults.silent_until_us = INT64_MAX;
}

static void host_held(struct world *w, double value)
{
	w->faults.held_us = (int64_t)((isnan(value) ? 1 : value) * 1e6);
}

static void cell_drift(struct world *w, double value)
{
	w->faults.drift_Nm_per_s = isnan(value) ? 0.5 : value;
	w->faults.drift_from_s = (double)w->grid_us * 1e-6;
}

static void line_late(struct world *w, double value)
{
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		w->line_habit[i].late_us = (int64_t)((isnan(value) ? 0.5 : value) * 1e6);
}

static void line_pieces(struct world *w, double value)
{
	(void)value;
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		w->line_habit[i].pieces = true;
}

static void line_rubbish(struct world *w, double value)
{
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		w->line_habit[i].rubbish_frac = (isnan(value) ? 100 : value) / 100;
}

static void panel(struct world *w, double value)
{
	w->faults.panel_wrong = true;
	w->faults.panel_times = isnan(value) ? -1 : value;
}

static void pickup_half(struct world *w, double value)
{
	(void)value;
	w->faults.pickup_half = true;
}

static void pickup_slip(struct world *w, double value)
{
	w->faults.pickup_slip = isnan(value) ? 0.5 : value;
}

static void slow_lost(struct world *w, double value)
{
	(void)value;
	w->node.faults.no_slow = true;
}

static void supply_refuses(struct world *w, double value)
{
	(void)value;
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		w->supply_line[i].orders.refuses = true;
	if (w->settable)
		w->settable->refuses = true;
}

static void supply_silent(struct world *w, double value)
{
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		supply_line_silence(&w->supply_line[i], isnan(value) ? 0 : (int)value);
}

static void modbus_silent(struct world *w, double value)
{
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		modbus_line_silence(&w->modbus_line[i], isnan(value) ? 0 : (int)value);
}

static void indicator_silent(struct world *w, double value)
{
	(void)value;
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		w->indicator_line[i].silent = true;
}

static void indicator_unit(struct world *w, double value)
{
	(void)value;
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		w->indicator_line[i].wrong_unit = true;
}

static void lines_silent(struct world *w, double value)
{
	(void)value;
	for (size_t i = 0; i < w->config.rig.n_instruments; i++)
		w->gpio_line[i].silent = true;
}

static void drive_silent(struct world *w, double value)
{
	(void)value;
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		w->drive_line[i].silent = true;
}

static void drive_deaf(struct world *w, double value)
{
	(void)value;
	w->faults.drive_deaf = true;
}

static void drive_mute(struct world *w, double value)
{
	(void)value;
	w->faults.drive_mute = true;
	w->faults.mute_rpm = rpm_from_rad_per_s(w->actuator.rotor_rad_per_s);
	w->faults.mute_A = w->actuator.current_A * w->config.physics.drive.current_gain;
}

static void pickup_dead(struct world *w, double value)
{
	(void)value;
	w->faults.pickup_dead = true;
}

static void brake_stuck(struct world *w, double value)
{
	w->brake.stuck_A = isnan(value) ? w->brake.current_A : value;
	w->brake.stuck_driver = true;
}

static void brake_off(struct world *w, double value)
{
	(void)value;
	w->brake.off = true;
}

static void contactor_welded(struct world *w, double value)
{
	(void)value;
	w->contactor.welded = true;
}

static void contactor_drop(struct world *w, double value)
{
	(void)value;
	w->contactor.dropping = true;
}

static void estop(struct world *w, double value)
{
	(void)value;
	w->contactor.estop_ok = false;
	w->faults.estop = true;
}

static void cage(struct world *w, double value)
{
	(void)value;
	w->contactor.cage_closed = false;
	w->faults.cage = true;
}

static void overspeed(struct world *w, double value)
{
	double speed_rpm = isnan(value) ? 1.3 * w->config.rig.limit_speed_rpm : value;

	w->faults.drive.runaway_rad_per_s = rad_per_s_from_rpm(speed_rpm) * w->config.physics.gear.ratio;
	w->faults.reach_factor = 4; /* as if the field were weakened */
}

static void wrong_direction(struct world *w, double value)
{
	(void)value;
	w->faults.drive.reversed = true;
}

static void oscillation(struct world *w, double value)
{
	w->faults.drive.gain_factor = isnan(value) ? 30 : value;
}

static void supply_sag(struct world *w, double value)
{
	w->faults.supply_V = isnan(value) ? w->config.physics.drive.dropout_V - 2 : value;
}

static void drive_fault(struct world *w, double value)
{
	(void)value;
	drive_trip(&w->drive, BENCH_DRIVE_FAULT);
}

static void hot_brake(struct world *w, double value)
{
	double degC = isnan(value) ? w->config.rig.brake_hot_degC + 15 : value;

	w->brake_heat.inner_degC = w->brake_heat.outer_degC = degC;
}

static void hot_actuator(struct world *w, double value)
{
	double degC = isnan(value) ? w->config.physics.drive.derate_to_degC + 10 : value;

	w->actuator_heat.inner_degC = w->actuator_heat.outer_degC = degC;
}

/* A gear does not heal: mend leaves it. */
static void gear_play(struct world *w, double value)
{
	w->config.physics.gear.backlash_rad += (isnan(value) ? 5 : value) / 60 * UNITS_PI / 180;
}

static void torque_spike(struct world *w, double value)
{
	w->faults.knock_Nm = isnan(value) ? 1.5 * w->config.rig.limit_torque_Nm : value;
	w->faults.knock_us = w->now_us;
	w->faults.knock_end_us = w->now_us + KNOCK_US;
}

static const struct fault {
	const char *name, *value; /* NULL: takes none */
	double least, most;
	void (*begin)(struct world *w, double value); /* NaN: the default */
	const char *meaning;
} faults[] = {
	{ "node-silent", "S", 0, 1e3, node_silent, "the tether's cable is out, both ways (for ever)" },
	{ "node-reset", NULL, 0, 0, node_reset, "the node starts anew, once" },
	{ "cell-frozen", NULL, 0, 0, cell_frozen, "conversions go on and never change" },
	{ "cell-stale", NULL, 0, 0, cell_stale, "no more conversions" },
	{ "cell-saturated", "SIGN", -1, 1, cell_saturated, "converter at its upper end (SIGN -1: lower)" },
	{ "cell-swapped", NULL, 0, 0, cell_swapped, "the cell's signal wires are swapped: the sign turns" },
	{ "garbage", "PERMILLE", 0, 1000, garbage, "bytes with a wrong bit, both ways (5)" },
	{ "lost-samples", "PERCENT", 0, 100, lost_samples, "fast samples that never come (10)" },
	{ "doubled-samples", "PERCENT", 0, 100, doubled_samples, "fast samples that come twice (10)" },
	{ "half-lines", "PERCENT", 0, 100, half_lines, "lines whose second half never comes (10)" },
	{ "swapped-samples", "PERCENT", 0, 100, swapped_samples, "samples that come after the next one (10)" },
	{ "delayed-lines", "S", 0, 2, delayed_lines, "all that the node sends comes later (0.1)" },
	{ "nonsense", "PERCENT", 0, 100, nonsense, "samples with any numbers, the checksum right (1)" },
	{ "link-cut", NULL, 0, 0, link_cut, "the tether's stream ends; none opens until mend" },
	{ "host-held", "S", 0, 5, host_held, "bench time goes on by this without the host (1)" },
	{ "slow-lost", NULL, 0, 0, slow_lost, "slow samples never come" },
	{ "supply-silent", "ADDRESS", 0, 99, supply_silent, "an output is silent; 0: the whole line (0)" },
	{ "modbus-silent", "ADDRESS", 0, 247, modbus_silent, "a Modbus device is silent; 0: all (0)" },
	{ "supply-refuses", NULL, 0, 0, supply_refuses, "a supply that is set answers OUTP ON with an error" },
	{ "cell-drift", "NM_PER_S", -100, 100, cell_drift, "the cell's zero goes away so fast (0.5)" },
	{ "cell-hum", "NM", 0, 100, cell_hum, "50 Hz of the mains on the cell's cable (0.1)" },
	{ "line-late", "S", 0, 5, line_late, "what the other instruments send is late (0.5)" },
	{ "line-pieces", NULL, 0, 0, line_pieces, "what they send comes in two pieces" },
	{ "line-rubbish", "PERCENT", 0, 100, line_rubbish, "of the bytes that they send are others (100)" },
	{ "panel", "TIMES", -10, 10, panel, "a hand-drive is set so many times too fast (-1)" },
	{ "pickup-half", NULL, 0, 0, pickup_half, "one channel of the two is dead" },
	{ "pickup-slip", "PART", -1, 1, pickup_slip, "the disc slips: it makes so much less (0.5)" },
	{ "pickup-dead", NULL, 0, 0, pickup_dead, "no more pulses" },
	{ "brake-stuck", "AMPERE", 0, 1e3, brake_stuck, "coil current follows no set-point (stays as it is)" },
	{ "brake-off", NULL, 0, 0, brake_off, "coil open: no current" },
	{ "contactor-welded", NULL, 0, 0, contactor_welded, "contact closes once more and never opens" },
	{ "contactor-drop", NULL, 0, 0, contactor_drop, "contact opens unasked" },
	{ "estop", NULL, 0, 0, estop, "the emergency stop is pressed" },
	{ "guard", NULL, 0, 0, cage, "the guard comes open" },
	{ "overspeed", "RPM", 0, 1e5, overspeed, "the drive runs away to this speed (1.3 of limit)" },
	{ "lines-silent", NULL, 0, 0, lines_silent, "GPIO lines beside the node are not told any more" },
	{ "drive-silent", NULL, 0, 0, drive_silent, "the cable of a drive with a line of its own is out" },
	{ "indicator-silent", NULL, 0, 0, indicator_silent, "the cable of an indicator is out" },
	{ "indicator-unit", NULL, 0, 0, indicator_unit, "somebody pressed its unit key" },
	{ "drive-deaf", NULL, 0, 0, drive_deaf, "the drive ignores new commands, off too" },
	{ "drive-mute", NULL, 0, 0, drive_mute, "what the drive tells of its rotor stays as it was" },
	{ "wrong-direction", NULL, 0, 0, wrong_direction, "the drive turns the other way than told" },
	{ "oscillation", "FACTOR", 1e-3, 1e3, oscillation, "speed loop: integral times, gain over FACTOR (30)" },
	{ "supply-sag", "VOLT", 0, 1e3, supply_sag, "the supply gives so much (2 V below drop-out)" },
	{ "drive-fault", NULL, 0, 0, drive_fault, "the drive trips, once, until restarted" },
	{ "hot-brake", "DEGC", -50, 1000, hot_brake, "brake at so much, once (15 K over its limit)" },
	{ "hot-actuator", "DEGC", -50, 1000, hot_actuator, "actuator at so much, once (full derating)" },
	{ "gear-play", "ARCMIN", 0, 600, gear_play, "the gear wears: so much more play at the output (5)" },
	{ "torque-spike", "NM", -1e5, 1e5, torque_spike, "a blow to the lever, 60 ms (1.5 of the rig's limit)" },
};

const char *faults_begin(struct world *w, char **token, size_t n)
{
	for (size_t i = 0; n > 0 && i < sizeof faults / sizeof faults[0]; i++) {
		const struct fault *f = &faults[i];
		double value;

		if (strcmp(token[0], f->name) != 0)
			continue;
		if (n > 2 || (n == 2 && f->value == NULL))
			return "args";
		value = n == 2 ? hands_number(token[1]) : NAN;
		if (n == 2 && !(value >= f->least && value <= f->most))
			return "range";
		f->begin(w, value);
		return NULL;
	}
	return "such fault: bridle bench --help lists them";
}

void faults_mend(struct world *w)
{
	w->contactor.estop_ok |= w->faults.estop;
	w->contactor.cage_closed |= w->faults.cage;
	memset(&w->faults, 0, sizeof w->faults);
	w->faults.reach_factor = 1;
	memset(&w->node.faults, 0, sizeof w->node.faults);
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++) {
		w->drive_line[i].silent = false;
		w->indicator_line[i].silent = w->indicator_line[i].wrong_unit = false;
		supply_line_mend(&w->supply_line[i]);
		w->gpio_line[i].silent = false;
		w->line_habit[i].late_us = 0;
		w->line_habit[i].pieces = false;
		w->line_habit[i].rubbish_frac = 0;
		modbus_line_mend(&w->modbus_line[i]);
		w->supply_line[i].orders.refuses = false;
	}
	w->cell.fault = CELL_WELL;
	w->brake.stuck_driver = w->brake.off = false;
	w->contactor.welded = w->contactor.dropping = false;
}

void faults_list(FILE *to)
{
	for (size_t i = 0; i < sizeof faults / sizeof faults[0]; i++) {
		char head[40];

		snprintf(head, sizeof head, "%s%s%s%s", faults[i].name, faults[i].value != NULL ? " [" : "",
			 faults[i].value != NULL ? faults[i].value : "", faults[i].value != NULL ? "]" : "");
		fprintf(to, "  %-26s %s\n", head, faults[i].meaning);
	}
}
