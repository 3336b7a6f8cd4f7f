/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/guard.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const struct {
	const char *word, *noun, *unit; /* noun NULL: the number says nothing */
	const char *sentence;
} causes[CAUSE_COUNT] = {
	[CAUSE_NONE] = { "none", NULL, "", "nothing stopped the run" },
	[CAUSE_ESTOP] = { "estop", NULL, "",
		"the emergency stop is pressed; find out why, release it, then start again on purpose" },
	[CAUSE_GUARD_OPEN] = { "guard_open", NULL, "",
		"the guard over the shaft is open; close it and fasten it" },
	[CAUSE_CONTACTOR] = { "contactor", "the contactor did not follow its command for", "s",
		"look for a welded contact, an open coil circuit or a relay that was not reset" },
	[CAUSE_NODE_SILENT] = { "node_silent", "no data from the node for", "s",
		"check its cable, its power and the link in rig.ini" },
	[CAUSE_NODE_RESET] = { "node_reset", NULL, "",
		"the node restarted during the run; look for a supply dip or interference when the coil is switched" },
	[CAUSE_NOT_AT_REST] = { "not_at_rest", NULL, "",
		"HANDS OFF. Nothing was commanded, but drive, rotor or an output of the node is active. Press the emergency stop" },
	[CAUSE_SLOW_STALE] = { "slow_stale", "no data on lines, drive and temperatures for", "s",
		"without them contactor and brake heat are unknown; check the cable and the node's slow samples" },
	[CAUSE_INSTRUMENT_SILENT] = { "instrument_silent", "no data from the instrument for", "s",
		"without it the input power is unknown; check its cable, its power and its link in rig.ini" },
	[CAUSE_NODE_SAFE] = { "node_safe", NULL, "",
		"the node went to its safe state by itself: no set-point reached it in time; check the link and the load of this machine" },
	[CAUSE_CELL_STALE] = { "cell_stale", "no fresh reading of the torque cell for", "s",
		"the cell's converter does not convert; check its clock and its wires" },
	[CAUSE_CELL_FROZEN] = { "cell_frozen", "the torque cell's count did not change for", "s",
		"a loaded or turning cell is never so steady; check the cell's bridge and the converter" },
	[CAUSE_CELL_SATURATED] = { "cell_saturated", "cell reading", "counts",
		"the torque cell's converter is at the end of its range; check for a broken bridge wire or too much load" },
	[CAUSE_PICKUP] = { "pickup", "rotor speed by the drive", "rpm",
		"no pulses came while the drive reported a turning rotor; check the pick-up, its wire and the coupling" },
	[CAUSE_OVERSPEED] = { "overspeed", "speed", "rpm",
		"the shaft is faster than allowed, or its speed is unknown; check the load, the drive's mode and the pick-up" },
	[CAUSE_OVERTORQUE] = { "overtorque", "torque", "N·m",
		"the torque is larger than allowed, or unknown; check the loads, the limits and the calibration" },
	[CAUSE_BRAKE_NOT_FOLLOWING] = { "brake_not_following", "brake current", "A",
		"the brake's current does not follow its set-point; check the coil, its driver and the driver's supply" },
	[CAUSE_BRAKE_POWER] = { "brake_power", "brake slip power", "W",
		"the slip power is above the brake's limit; use less torque or speed" },
	[CAUSE_BRAKE_ENERGY] = { "brake_energy", "brake slip energy above its continuous power", "J",
		"the brake can store no more heat; let it cool, or plan shorter steps with rests" },
	[CAUSE_BRAKE_HOT] = { "brake_hot", "brake temperature", "°C",
		"the brake is too hot, or its temperature became unknown; let it cool with the shaft standing" },
	[CAUSE_ACTUATOR_HOT] = { "actuator_hot", "actuator temperature", "°C",
		"the actuator is too hot, or its temperature became unknown; let it cool" },
	[CAUSE_SUPPLY_RANGE] = { "supply_range", "supply voltage", "V",
		"the supply is out of its range; check its setting, its current limit and the cable" },
	[CAUSE_DRIVE_DROPOUT] = { "drive_dropout", "supply voltage", "V",
		"the supply sagged, so the drive dropped out and stays off until it is restarted; "
		"this is no limit of the actuator" },
	[CAUSE_DRIVE_FAULT] = { "drive_fault", NULL, "",
		"the drive reports a fault or does not answer the node; read its fault memory and check its cable" },
	[CAUSE_WRONG_DIRECTION] = { "wrong_direction", "speed", "rpm",
		"the shaft turns the other way than commanded; check the drive's wiring, and the signs of pick-up and drive in the profiles" },
	[CAUSE_WRONG_SIGN] = { "wrong_sign", "torque against the motion", "N·m",
		"the torque reads as if the brake drove the shaft, so a torque loop would load it without end; check the cell's signal wires and "
		"[cell] sign in rig.ini" },
	[CAUSE_STALL] = { "stall", "stalled under torque for", "s",
		"the actuator stood still under torque for too long; use a lighter load in that step" },
	[CAUSE_OSCILLATION] = { "oscillation", "swing", "",
		"speed or torque keeps swinging; use lower gains or a lighter load, and check the couplings for play" },
	[CAUSE_SLEPT] = { "slept", "this computer slept for", "s",
		"the rig was left to its node; switch off sleep and the lid switch on this computer while it runs a rig" },
	[CAUSE_LATE_TICK] = { "late_tick", "tick late by", "s",
		"this computer was too slow for the control loop; close other programs, or lower the rate in rig.ini" },
	[CAUSE_LOGBOOK] = { "logbook", NULL, "",
		"the logbook cannot be written; check the disk's free space and permissions" },
	[CAUSE_OPERATOR] = { "operator", NULL, "", "the operator stopped the run" },
	[CAUSE_SEQUENCE] = { "sequence", NULL, "", "the run cannot continue; the event before this one says why" },
};

static bool is_known(enum cause cause)
{
	return (unsigned)cause < CAUSE_COUNT;
}

const char *cause_word(enum cause cause)
{
	return is_known(cause) ? causes[cause].word : "unknown";
}

bool cause_latches(enum cause cause)
{
	static const enum cause limits[] = {
		CAUSE_NONE, CAUSE_OPERATOR, CAUSE_SEQUENCE, CAUSE_STALL, CAUSE_ACTUATOR_HOT, CAUSE_BRAKE_HOT, CAUSE_BRAKE_ENERGY, CAUSE_BRAKE_POWER,
		CAUSE_DRIVE_DROPOUT, CAUSE_SUPPLY_RANGE, CAUSE_OVERTORQUE, CAUSE_CELL_SATURATED, CAUSE_LATE_TICK,
	};

	for (size_t i = 0; i < sizeof limits / sizeof limits[0]; i++)
		if (cause == limits[i])
			return false;
	return true;
}

const char *cause_sentence(enum cause cause)
{
	return is_known(cause) ? causes[cause].sentence : "the guard stopped for a cause that this program does not know";
}

/* Appends; what does not fit is cut. */
static void add(char *buf, size_t size, const char *text)
{
	size_t used = strlen(buf);

	if (used < size)
		snprintf(buf + used, size - used, "%s", text);
}

static void add_missing(unsigned missing, char *buf, size_t size)
{
	static const struct { unsigned bit; const char *words; } known[] = {
		{ GUARD_TURNS, "the shaft still turns" },
		{ GUARD_CONTACTOR, "the contactor was not seen open" },
		{ GUARD_DRIVE, "the drive was not seen off" },
		{ GUARD_STANDSTILL, "the shaft was not seen to stand" },
		{ GUARD_NO_DATA, "no data from the node" },
	};
	const char *gap = "";

	for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
		if (missing & known[i].bit) {
			add(buf, size, gap);
			add(buf, size, known[i].words);
			gap = ", ";
		}
}

static const char *release_words(enum guard_release release)
{
	switch (release) {
	case GUARD_HOLDS: case GUARD_IN_ORDER: break;
	case GUARD_TIME: return " The brake was released when its longest hold was over.";
	case GUARD_NODE: return " The node has released the brake by itself.";
	case GUARD_HEAT: return " The brake was released because it can take no more heat. The shaft may now be driven without a load.";
	case GUARD_HEAT_UNKNOWN: return " The brake was released because its heat is not known. The shaft may now be driven without a load.";
	case GUARD_TOO_LONG: return " The brake was released after 10 min. The shaft may now be driven without a load.";
	}
	return "";
}

void guard_end_message(const struct guard_verdict *v, char *buf, size_t size)
{
	buf[0] = '\0';
	if (!v->missing) {
		/* A shaft that nothing loaded need not have been seen to stand, so it is not said of it. */
		bool stood = v->release == GUARD_IN_ORDER;
		add(buf, size, !v->energised ? "Nothing was energised." :
		    !stood ? "Drive off. Nothing loaded the shaft; it was not seen to stand." :
		    v->sensed ? "Drive off, contactor open, shaft standing, brake released." :
		    "Drive off, shaft standing, brake released.");
		if (v->energised && !v->sensed)
			add(buf, size, " This node does not sense the contactor.");
		return;
	}
	add(buf, size, "NOT SAFE: ");
	add_missing(v->missing, buf, size);
	add(buf, size, ". KEEP AWAY. Press the emergency stop. Switch the supply off at the wall.");
	add(buf, size, release_words(v->release));
}

void guard_hold_message(const struct guard_verdict *v, char *buf, size_t size)
{
	snprintf(buf, size, "NOT SAFE: ");
	add_missing(v->missing, buf, size);
	add(buf, size, ". KEEP AWAY. Press the emergency stop. Switch the supply off at the wall. The brake is held against the shaft.");
}

void guard_message(const struct guard_verdict *v, char *buf, size_t size)
{
	const char *noun = is_known(v->cause) ? causes[v->cause].noun : NULL;
	const char *unit = noun ? causes[v->cause].unit : "";
	const char *gap = *unit ? " " : "";

	if (noun && isfinite(v->value) && isfinite(v->limit))
		snprintf(buf, size, "%s %.4g%s%s, limit %.4g%s%s: %s", noun, v->value, gap, unit, v->limit, gap, unit,
			 cause_sentence(v->cause));
	else if (noun && isfinite(v->value))
		snprintf(buf, size, "%s %.4g%s%s: %s", noun, v->value, gap, unit, cause_sentence(v->cause));
	else
		snprintf(buf, size, "%s", cause_sentence(v->cause));
}
