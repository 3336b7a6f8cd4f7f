/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Why the guard stops: each cause once, as one row. The guard has a watch for each, loop and live view tell it, the
 * logbook keeps its word, reports read that word again. docs/causes.md says the same to people; test_cause compares. */
#ifndef BRIDLE_CHANNEL_CAUSE_H
#define BRIDLE_CHANNEL_CAUSE_H

#include "channel/channel.h"
#include "channel/limit.h"

#include <stdbool.h>

/* X(NAME, word, noun, unit, sentence, ended, limit, kind, leaves, more, channel)
 *   NAME      CAUSE_NAME
 *   word      for JSON and logbook, and the name of its watch (guard/watch.c)
 *   noun      of the number that tells it, with its unit; NULL: the number says nothing
 *   sentence  for people: what it means, what to do
 *   ended     how a report says that it ended a run; NULL: by its word
 *   limit     LIMIT_...: what that says of the curve. NOT_KNOWN and ACTUATOR: what the samples say
 *             (reports/reduce/limit.h)
 *   kind      FAULT of the rig, or of what runs it: it latches until a person says that it is put right.
 *             RESULT: what only limits a step (stall, heat, supply, the actuator's or brake's own limits), what a
 *             person or a sequence asked for
 *   leaves    POINT: a step that it cuts short tells where the limit was, so it leaves a point. NOTHING
 *   more      more brake than there is WORSENS it, or HOLDS the shaft as in any stop (docs/invariants.md, I2)
 *   channel   CHANNEL_...: the instrument that fills it is the first to look at. NOBODY: none of the rig's
 *
 * In the order in which one of several is named: what tells most comes first. SLEPT stands before what a machine that
 * slept finds (a node that looks restarted, safe or silent), LATE_TICK before old samples, a lease that ended and an
 * open contactor, which are its own doing. All watches step in this order too: DRIVE_DROPOUT the time under power,
 * which DRIVE_FAULT and SUPPLY_RANGE then use. */
#define CAUSES(X) \
	X(ESTOP, estop, NULL, "", \
	  "the emergency stop is pressed; find out why, release it, then start again on purpose", \
	  "the emergency stop was pressed", GUARD, FAULT, NOTHING, HOLDS, ESTOP) \
	X(GUARD_OPEN, guard_open, NULL, "", "the guard over the shaft is open; close it and fasten it", \
	  "the guard over the shaft was opened", GUARD, FAULT, NOTHING, HOLDS, CAGE) \
	X(SLEPT, slept, "this computer slept for", "s", \
	  "the rig was left to its node; switch off sleep and " \
	  "the lid switch on this computer while it runs a rig", \
	  "this computer slept", GUARD, FAULT, NOTHING, HOLDS, NOBODY) \
	X(NODE_RESET, node_reset, NULL, "", \
	  "the node restarted during the run; look for a " \
	  "supply dip or interference when the coil is switched", \
	  "the node restarted", GUARD, FAULT, NOTHING, HOLDS, STATE) \
	X(LATE_TICK, late_tick, "tick late by", "s", \
	  "this computer was too slow for the control loop; " \
	  "close other programs, or lower the rate in rig.ini", \
	  "this computer was too slow for the control loop", GUARD, RESULT, NOTHING, HOLDS, NOBODY) \
	X(NODE_SILENT, node_silent, "no data from the node for", "s", \
	  "check its cable, its power and the link in rig.ini", "no data came from the node", GUARD, FAULT, NOTHING, \
	  HOLDS, STATE) \
	X(SLOW_STALE, slow_stale, "no data on lines, drive and temperatures for", "s", \
	  "without them contactor and brake heat are unknown; check the cable and the node's slow samples", \
	  "lines, drive and temperatures were not told", GUARD, FAULT, NOTHING, HOLDS, STATE) \
	X(INSTRUMENT_SILENT, instrument_silent, "no data from the instrument for", "s", \
	  "without it a reading is missing that the run rests on; check its cable, its power and its link in rig.ini", \
	  "an instrument beside the node sent no data", GUARD, FAULT, NOTHING, HOLDS, CURRENT) \
	X(WARDEN, warden, "no answer from the warden for", "s", \
	  "without it nothing ends the outputs when this program dies; look at the relay's line and the load of this " \
	  "computer", \
	  "the warden did not answer", GUARD, FAULT, NOTHING, HOLDS, NOBODY) \
	X(CONTACTOR, contactor, "the contactor did not follow its command for", "s", \
	  "look for a welded contact, an open coil circuit or a relay that was not reset", \
	  "the contactor did not follow its command", GUARD, FAULT, NOTHING, HOLDS, CONTACTOR) \
	X(NOT_AT_REST, not_at_rest, NULL, "", \
	  "HANDS OFF. Nothing was commanded, but drive, rotor or " \
	  "an output of the node is active. Press the emergency stop", \
	  "something was active while a person was at the shaft", GUARD, FAULT, NOTHING, HOLDS, DRIVE) \
	X(NODE_SAFE, node_safe, NULL, "", \
	  "the node went to its safe state by itself and did not say why; check " \
	  "the emergency stop, the contactor, the link and the load of this machine", \
	  "the node went to its safe state", GUARD, FAULT, NOTHING, HOLDS, STATE) \
	X(CELL_SATURATED, cell_saturated, "cell reading", "counts", \
	  "the torque cell's converter is at the end of its " \
	  "range; check for a broken bridge wire or too much load", \
	  "the torque cell's converter was at the end of its range", CELL, FAULT, NOTHING, WORSENS, CELL) \
	X(CELL_STALE, cell_stale, "no fresh reading of the torque cell for", "s", \
	  "the cell's converter does not convert; check its clock and its wires", \
	  "the torque cell gave no fresh readings", GUARD, FAULT, NOTHING, HOLDS, CELL) \
	X(PICKUP, pickup, "rotor speed by the drive", "rpm", \
	  "the pulses do not agree with the rotor's speed that the drive reports; " \
	  "check pick-up, wire, coupling, gear ratio and signs", \
	  "the pick-up did not agree with the drive", GUARD, FAULT, NOTHING, HOLDS, TURN) \
	X(OVERSPEED, overspeed, "speed", "rpm", \
	  "the shaft is faster than allowed, or its speed is " \
	  "unknown; check the load, the drive's mode and the pick-up", \
	  "the speed passed a stated limit", GUARD, FAULT, NOTHING, HOLDS, TURN) \
	X(TRAVEL, travel, "turned by", "°", \
	  "the shaft turned farther than this run allows, or its angle is unknown; check what holds it, the brake " \
	  "and " \
	  "the coupling", \
	  "the shaft turned farther than the run allowed", GUARD, FAULT, NOTHING, HOLDS, TURN) \
	X(WRONG_SIGN, wrong_sign, "torque the wrong way by", "N·m", \
	  "the torque reads as if the brake drove the shaft, or goes against the brake's current; a torque loop " \
	  "would " \
	  "load the shaft without end; check the cell's mounting and signal wires, and [cell] sign in rig.ini", \
	  "the torque had the wrong sign", GUARD, FAULT, NOTHING, WORSENS, CELL) \
	X(OVERTORQUE, overtorque, "torque", "N·m", \
	  "the torque is larger than allowed, or unknown; check the loads, the limits and the calibration", \
	  "the torque passed a stated limit", GUARD, RESULT, NOTHING, WORSENS, CELL) \
	X(CELL_FROZEN, cell_frozen, "the torque cell's count did not change for", "s", \
	  "a loaded or turning cell is never so steady; check the cell's bridge and the converter", \
	  "the torque cell's reading did not change", GUARD, FAULT, NOTHING, HOLDS, CELL) \
	X(DRIVE_DROPOUT, drive_dropout, "supply voltage", "V", \
	  "the supply sagged, so the drive dropped out and stays " \
	  "off until it is restarted; this is no limit of the actuator", \
	  "the drive dropped out on undervoltage", SUPPLY, RESULT, POINT, HOLDS, VOLTAGE) \
	X(DRIVE_FAULT, drive_fault, NULL, "", \
	  "the drive reports a fault or does not answer the " \
	  "node; read its fault memory and check its cable", \
	  "the drive reported a fault", DRIVE, FAULT, POINT, HOLDS, DRIVE) \
	X(SUPPLY_RANGE, supply_range, "supply voltage", "V", \
	  "the supply is out of its range; check its setting, its current limit and the cable", \
	  "the supply left its range", SUPPLY, RESULT, NOTHING, HOLDS, VOLTAGE) \
	X(BRAKE_NOT_FOLLOWING, brake_not_following, "brake current", "A", \
	  "the brake's current does not follow its set-point; " \
	  "check the coil, its driver and the driver's supply", \
	  "the brake's current did not follow its command", GUARD, FAULT, NOTHING, HOLDS, BRAKE) \
	X(BRAKE_POWER, brake_power, "brake slip power", "W", \
	  "the slip power is above the brake's limit; use less torque or speed", \
	  "the brake's slip power reached its limit", BRAKE, RESULT, NOTHING, WORSENS, BRAKE) \
	X(BRAKE_ENERGY, brake_energy, "brake slip energy above its continuous power", "J", \
	  "the brake can store no more heat; let it cool, or plan shorter steps with rests", \
	  "the brake's stored heat reached its limit", BRAKE, RESULT, NOTHING, HOLDS, BRAKE) \
	X(BRAKE_HOT, brake_hot, "brake temperature", "°C", \
	  "the brake is too hot, or its temperature became unknown; let it cool with the shaft standing", \
	  "the brake was too hot", HEAT, RESULT, NOTHING, HOLDS, TEMP + (int)TEMP_BRAKE) \
	X(ACTUATOR_HOT, actuator_hot, "actuator temperature", "°C", \
	  "the actuator is too hot, or its temperature became unknown; let it cool", "the actuator was too hot", HEAT, \
	  RESULT, POINT, HOLDS, TEMP + (int)TEMP_CASE) \
	X(WRONG_DIRECTION, wrong_direction, "speed", "rpm", \
	  "the shaft turns the other way than commanded; check the drive's " \
	  "wiring, and the signs of pick-up and drive in the profiles", \
	  "the shaft turned the wrong way", GUARD, FAULT, NOTHING, HOLDS, DRIVE) \
	X(STALL, stall, "stalled under torque for", "s", \
	  "the actuator stood still under torque for too long; use a lighter load in that step", \
	  "the shaft stood still under torque", ACTUATOR, RESULT, POINT, HOLDS, DRIVE) \
	X(OSCILLATION, oscillation, "swing", "", \
	  "speed or torque keeps swinging; use lower gains " \
	  "or a lighter load, and check the couplings for play", \
	  "speed or torque kept swinging", GUARD, FAULT, NOTHING, HOLDS, DRIVE) \
	X(LOGBOOK, logbook, NULL, "", "the logbook cannot be written; check the disk's free space and permissions", \
	  "the logbook could not be written", GUARD, FAULT, NOTHING, HOLDS, NOBODY) \
	X(OPERATOR, operator, NULL, "", "the operator stopped the run", "the operator stopped the run", OPERATOR, \
	  RESULT, NOTHING, HOLDS, NOBODY) \
	X(SEQUENCE, sequence, NULL, "", "the run cannot continue; the event before this one says why", \
	  "the run could not continue", NOT_KNOWN, RESULT, NOTHING, HOLDS, NOBODY)

#define CAUSE_ID(NAME, ...) CAUSE_##NAME,
enum cause { CAUSE_NONE, CAUSES(CAUSE_ID) CAUSE_COUNT };
#undef CAUSE_ID

struct cause_row {
	const char *word, *noun, *unit, *sentence, *ended;
	enum limit limit;
	bool latches, leaves_point, brake_worsens;
	int channel; /* enum channel_id; -1 */
};

/* Never NULL: what is no cause of this program has a row of its own ("unknown"), which latches. */
const struct cause_row *cause_row(enum cause cause);
/* CAUSE_COUNT for a word that is none: a logbook of a newer program. */
enum cause cause_of_word(const char *word);

static inline const char *cause_word(enum cause cause)
{
	return cause_row(cause)->word;
}

static inline const char *cause_sentence(enum cause cause)
{
	return cause_row(cause)->sentence;
}

static inline bool cause_latches(enum cause cause)
{
	return cause_row(cause)->latches;
}

#endif
