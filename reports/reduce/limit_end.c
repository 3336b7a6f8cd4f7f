/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/limit.h"
#include "reports/reduce/text.h"

#include <math.h>
#include <stdio.h>
#include <ctype.h>
#include <string.h>

/* A run that lost its speed says something about the actuator only when the curve had come to its own limit before. */
static bool was_free(const struct curve *curve)
{
	const struct curve_point *heaviest = NULL;

	for (size_t i = 0; i < curve->n; i++) {
		const struct curve_point *p = &curve->points[i];
		if (p->settled && p->direction >= 0 && (!heaviest || p->torque_Nm.value > heaviest->torque_Nm.value))
			heaviest = p;
	}
	return heaviest && heaviest->free_running;
}

static enum limit moment_of_curve(const struct limit_rig *rig, const struct limit_facts *moment, const struct curve *curve, char *words)
{
	enum limit limit = limit_of_moment(rig, moment, words);

	return limit == LIMIT_ACTUATOR && !was_free(curve) ? LIMIT_NOT_KNOWN : limit;
}

void limit_of_left_out(const struct limit_rig *rig, const char *why, const struct limit_facts *moment, struct curve *curve)
{
	char words[LIMIT_WORDS] = "";
	const struct curve_point *last = NULL;

	if (curve->end_limit != LIMIT_NONE || curve->end_note[0] != '\0')
		return;
	for (size_t i = 0; i < curve->n; i++)
		if (curve->points[i].direction >= 0 && (!last || curve->points[i].torque_Nm.value > last->torque_Nm.value))
			last = &curve->points[i];
	if (moment != NULL)
		curve->end_limit = moment_of_curve(rig, moment, curve, words);
	else if (last != NULL) {
		curve->end_limit = last->limit;
		snprintf(words, sizeof words, "%s", last->limit_note);
	}
	if (curve->end_limit == LIMIT_NONE)
		curve->end_limit = LIMIT_NOT_KNOWN;
	words[0] = (char)toupper((unsigned char)words[0]);
	snprintf(curve->end_note, sizeof curve->end_note, "End of the curve (%s): %s%s%s.", limit_word(curve->end_limit), why,
		 words[0] ? ". " : "", words);
}

/* --- ends by the guard --- */
/* A stated limit, its value and where it stands. The smallest of several is the one that decided. */
struct stated { double value; const char *unit, *key; bool of_actuator; };

static struct stated least_torque(const struct limit_rig *r)
{
	const struct stated all[] = {
		{ r->rig->limit_torque_Nm, "N·m", "[limits] torque", false }, { r->rig->coupling_Nm, "N·m", "[limits] coupling", false },
		{ r->rig->cell_full_scale_Nm, "N·m", "[cell] full_scale", false },
		{ r->actuator->limit_torque_Nm, "N·m", "[limits] torque", true },
	};
	struct stated least = { .value = INFINITY };

	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
		if (all[i].value > 0 && all[i].value < least.value)
			least = all[i];
	return least;
}

static struct stated least_speed(const struct limit_rig *r)
{
	bool of_actuator = r->actuator->limit_speed_rpm > 0 && r->actuator->limit_speed_rpm < r->rig->limit_speed_rpm;

	return (struct stated){ of_actuator ? r->actuator->limit_speed_rpm : r->rig->limit_speed_rpm, "rpm", "[limits] speed", of_actuator };
}

static struct stated stated_limit(const struct limit_rig *r, const char *cause)
{
	const struct rig_profile *rig = r->rig;
	const struct { const char *cause; struct stated stated; } all[] = {
		{ "overtorque", least_torque(r) },
		{ "overspeed", least_speed(r) },
		{ "cell_saturated", { rig->cell_saturation_count, "counts", "[cell] saturation", false } },
		{ "brake_power", { rig->slip_power_short_W > 0 ? rig->slip_power_short_W : rig->slip_power_W, "W",
				   rig->slip_power_short_W > 0 ? "[brake] slip_power_short" : "[brake] slip_power", false } },
		{ "brake_energy", { rig->slip_energy_J, "J", "[brake] slip_energy", false } },
		{ "brake_hot", { rig->brake_hot_degC, "°C", "[brake] temperature", false } },
		{ "actuator_hot", { r->actuator->case_hot_degC, "°C", "[limits] case or winding", true } },
		{ "drive_dropout", { r->actuator->voltage_min_V, "V", "[drive] dropout", true } },
		{ "supply_range", { rig->supply_min_V, "V", "[supply] voltage_min or voltage_max", false } },
		{ "stall", { rig->stall_s, "s", "[limits] stall", false } },
	};

	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
		if (strcmp(cause, all[i].cause) == 0 && all[i].stated.value > 0 && isfinite(all[i].stated.value))
			return all[i].stated;
	return (struct stated){ .value = NAN };
}

/* Every word of the guard's causes (guard/cause.c). */
static const struct { const char *cause; enum limit limit; const char *words; } ends[] = {
	{ "estop", LIMIT_GUARD, "the emergency stop was pressed" },
	{ "guard_open", LIMIT_GUARD, "the guard over the shaft was opened" },
	{ "contactor", LIMIT_GUARD, "the contactor did not follow its command" },
	{ "node_silent", LIMIT_GUARD, "no data came from the node" },
	{ "node_reset", LIMIT_GUARD, "the node restarted" },
	{ "node_safe", LIMIT_GUARD, "the node went to its safe state" },
	{ "cell_stale", LIMIT_GUARD, "the torque cell gave no fresh readings" },
	{ "cell_frozen", LIMIT_GUARD, "the torque cell's reading did not change" },
	{ "cell_saturated", LIMIT_CELL, "the torque cell's converter was at the end of its range" },
	{ "pickup", LIMIT_GUARD, "the pick-up gave no pulses" },
	{ "overspeed", LIMIT_GUARD, "the speed passed a stated limit" },
	{ "overtorque", LIMIT_GUARD, "the torque passed a stated limit" },
	{ "brake_not_following", LIMIT_GUARD, "the brake's current did not follow its command" },
	{ "brake_power", LIMIT_BRAKE, "the brake's slip power reached its limit" },
	{ "brake_energy", LIMIT_BRAKE, "the brake's stored heat reached its limit" },
	{ "brake_hot", LIMIT_HEAT, "the brake was too hot" },
	{ "actuator_hot", LIMIT_HEAT, "the actuator was too hot" },
	{ "supply_range", LIMIT_SUPPLY, "the supply left its range" },
	{ "drive_dropout", LIMIT_SUPPLY, "the drive dropped out on undervoltage" },
	{ "drive_fault", LIMIT_DRIVE, "the drive reported a fault" },
	{ "wrong_direction", LIMIT_GUARD, "the shaft turned the wrong way" },
	{ "wrong_sign", LIMIT_GUARD, "the torque had the wrong sign" },
	{ "slow_stale", LIMIT_GUARD, "lines, drive and temperatures were not told" },
	{ "slept", LIMIT_GUARD, "this computer slept" },
	{ "stall", LIMIT_ACTUATOR, "the shaft stood still under torque" }, /* by the samples: limit_of_end */
	{ "oscillation", LIMIT_GUARD, "speed or torque kept swinging" },
	{ "late_tick", LIMIT_GUARD, "this computer was too slow for the control loop" },
	{ "logbook", LIMIT_GUARD, "the logbook could not be written" },
	{ "operator", LIMIT_OPERATOR, "the operator stopped the run" },
	{ "sequence", LIMIT_NOT_KNOWN, "the run could not continue" },
};

void limit_of_end(const struct limit_rig *rig, const char *cause, const struct limit_facts *moment, struct curve *curve)
{
	char words[LIMIT_WORDS], where[160] = "";
	const char *what = NULL;

	curve->end_limit = LIMIT_NONE;
	curve->end_note[0] = '\0';
	if (cause == NULL || cause[0] == '\0')
		return;
	curve->end_limit = LIMIT_GUARD;
	for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
		if (strcmp(cause, ends[i].cause) == 0) {
			curve->end_limit = ends[i].limit;
			what = ends[i].words;
		}
	}
	enum limit seen = moment_of_curve(rig, moment, curve, words);
	/* A supply at its limit explains a drive that stops and a shaft that stands. */
	bool by_samples = curve->end_limit == LIMIT_ACTUATOR || curve->end_limit == LIMIT_NOT_KNOWN ||
			  (seen == LIMIT_SUPPLY && curve->end_limit == LIMIT_DRIVE);
	if (by_samples)
		curve->end_limit = seen;
	struct stated limit = stated_limit(rig, cause);
	if (isfinite(limit.value))
		snprintf(where, sizeof where, " (%.4g %s, stated by %s%s%s %s)", limit.value, limit.unit,
			 limit.of_actuator ? "actuators/" : "rig.ini", limit.of_actuator ? rig->plan->actuator : "",
			 limit.of_actuator ? ".ini" : "", limit.key);
	bool numbers = by_samples || curve->end_limit == LIMIT_SUPPLY;
	snprintf(curve->end_note, sizeof curve->end_note, "The run ended early: %s%s%s%s.%s", what ? what : cause, where, numbers ? "; " : "",
		 numbers ? words : "", curve->end_limit == LIMIT_SUPPLY ? " This is no limit of the actuator: the supply ended the curve." : "");
}
