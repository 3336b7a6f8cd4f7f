/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Actuator, plan and weights: what changes from test to test. */
#include "profile/keys_tables.h"

#include <math.h>

#define ACTUATOR(field) offsetof(struct actuator_profile, field), sizeof(((struct actuator_profile *)0)->field)
#define PLAN(field) offsetof(struct plan_profile, field), sizeof(((struct plan_profile *)0)->field)
#define PIECE(field) offsetof(struct piece_values, field), sizeof(((struct piece_values *)0)->field)
#define TABLE(sections, keys) sections, sizeof sections / sizeof sections[0], keys, sizeof keys / sizeof keys[0]

static const struct profile_section actuator_sections[] = {
	{ "actuator", false, "The actuator under test" },
	{ "limits", false, "What must never be exceeded on this actuator; the smaller of these and the rig's holds" },
	{ "drive", false, "Its drive" },
	{ "claims", true,
	  "What its data sheet claims: each is confirmed, refuted or left undecided in the report. "
	  "Leave out what it does not say" },
	{ "forecast", true, "Expected figures, used by the forecast only" },
};

static const struct profile_key actuator_keys[] = {
	{ "actuator", "name", KEY_TEXT, KEY_REQUIRED, NULL, NULL, "paddle winder", 0, 0, NULL,
	  "Name of the actuator in records and reports", ACTUATOR(name) },
	{ "actuator", "maker_type", KEY_TEXT, 0, NULL, "", "PW-36, size 2", 0, 0, NULL, "Its maker's type, for reports",
	  ACTUATOR(maker_type) },
	{ "actuator", "serial", KEY_TEXT, 0, NULL, "", "0417", 0, 0, NULL,
	  "Serial number of the unit tested, for reports", ACTUATOR(serial) },
	{ "actuator", "firmware", KEY_TEXT, 0, NULL, "", "drive 2.3", 0, 0, NULL, "Firmware of its drive, for reports",
	  ACTUATOR(firmware) },
	{ "actuator", "run_in", KEY_TEXT, 0, NULL, "", "2 h at 10 N.m, both ways", 0, 0, NULL,
	  "How it was run in before the test, for reports", ACTUATOR(run_in) },
	{ "actuator", "ratio", KEY_VALUE, KEY_REQUIRED | KEY_ABOVE, "1", NULL, "36", 0, 1e6, NULL,
	  "Turns of the rotor for one turn of the output", ACTUATOR(gear_ratio) },
	{ "actuator", "pole_pairs", KEY_VALUE, 0, "1", "0", "7", 0, 1000, NULL,
	  "Pole pairs of the rotor, for the names of the ripple's orders; 0: not known", ACTUATOR(pole_pairs) },
	{ "actuator", "slots", KEY_VALUE, 0, "1", "0", "12", 0, 1000, NULL,
	  "Slots of the stator, for the same; 0: not known", ACTUATOR(slots) },
	{ "actuator", "teeth", KEY_VALUE, 0, "1", "0", "54", 0, 10000, NULL,
	  "Teeth of the gear at the output, for the same; 0: not known", ACTUATOR(teeth) },
	{ "actuator", "belt", KEY_VALUE, 0, "1", "0", "0.25", 0, 1000, NULL,
	  "Turns of a belt for one turn of the output, for the same; 0: none", ACTUATOR(belt_turns) },

	{ "limits", "torque", KEY_VALUE, KEY_REQUIRED | KEY_ABOVE, "N.m", NULL, "45 N.m", 0, 1e5, NULL,
	  "Largest torque at the output", ACTUATOR(limit_torque_Nm) },
	{ "limits", "speed", KEY_VALUE, KEY_REQUIRED | KEY_ABOVE, "rpm", NULL, "150 rpm", 0, 1e5, NULL,
	  "Largest speed of the output", ACTUATOR(limit_speed_rpm) },
	{ "limits", "current", KEY_VALUE, KEY_REQUIRED | KEY_ABOVE, "A", NULL, "20 A", 0, 1e4, NULL,
	  "Largest torque-producing current of the drive", ACTUATOR(limit_current_A) },
	{ "limits", "case", KEY_VALUE, KEY_REQUIRED, "degC", NULL, "80 degC", 30, 300, NULL,
	  "Highest temperature allowed for the case", ACTUATOR(case_hot_degC) },
	{ "limits", "winding", KEY_VALUE, KEY_REQUIRED, "degC", NULL, "120 degC", 30, 300, NULL,
	  "Highest temperature allowed for the winding", ACTUATOR(winding_hot_degC) },

	{ "drive", "dropout", KEY_VALUE, KEY_REQUIRED, "V", NULL, "36 V", 0, 1000, NULL,
	  "Voltage below which the drive drops out and stays stopped until it is restarted", ACTUATOR(voltage_min_V) },
	{ "drive", "speed", KEY_VALUE, 0, "rpm", "0 rpm", "85 rpm", 0, 1e5, NULL,
	  "Speed of the output in speed mode when a plan states none; 0: every plan states its own",
	  ACTUATOR(speed_mode_rpm) },
	{ "drive", "k_t", KEY_VALUE, 0, "N.m/A", "0 N.m/A", "2.2 N.m/A", 0, 1e5, NULL,
	  "Torque at the output for one ampere of torque-producing current; 0: unknown", ACTUATOR(k_t_Nm_per_A) },

	{ "claims", "voltage", KEY_VALUE, 0, "V", "0 V", "48 V", 0, 1000, NULL,
	  "Voltage at its terminals at which the claims hold; 0: that of the supply in rig.ini", ACTUATOR(claims_V) },
	{ "claims", "rated_torque", KEY_CLAIM, KEY_ABOVE, "N.m", NULL, "20 N.m @ 80 rpm", 0, 1e5, NULL,
	  "Continuous torque, at a speed", ACTUATOR(rated_torque_Nm) },
	{ "claims", "peak_torque", KEY_CLAIM, KEY_ABOVE, "N.m", NULL, "40 N.m", 0, 1e5, NULL,
	  "Short-time torque, at any speed or at the one stated", ACTUATOR(peak_torque_Nm) },
	{ "claims", "no_load_speed", KEY_CLAIM, KEY_ABOVE | KEY_NO_SPEED, "rpm", NULL, "105 rpm", 0, 1e5, NULL,
	  "Speed of the unloaded output", ACTUATOR(no_load_rpm) },
	{ "claims", "peak_efficiency", KEY_CLAIM, KEY_ABOVE, "1", NULL, "72 %", 0, 1, NULL,
	  "Best efficiency, at any speed or at the one stated", ACTUATOR(peak_efficiency) },
	{ "claims", "rated_power", KEY_CLAIM, KEY_ABOVE, "W", NULL, "165 W", 0, 1e6, NULL,
	  "Continuous power at the output, at any speed or at the one stated", ACTUATOR(rated_power_W) },
	{ "claims", "curve", KEY_NAME, 0, NULL, NULL, "winder-sheet.csv", 0, 0, NULL,
	  "The data sheet's whole curve, a table beside this file: columns torque (N.m), speed (rpm) and, where the "
	  "sheet "
	  "tells them, efficiency (%) and current (A). It is drawn, not judged",
	  ACTUATOR(curve_file) },

	{ "forecast", "efficiency", KEY_VALUE, KEY_ABOVE, "1", "50 %", "60 %", 0, 1, NULL, "Expected efficiency",
	  ACTUATOR(expect_efficiency) },
	{ "forecast", "no_load_power", KEY_VALUE, 0, "W", "0 W", "20 W", 0, 1e6, NULL, "Electrical power without load",
	  ACTUATOR(expect_no_load_W) },
};

static const struct profile_section plan_sections[] = {
	{ "plan", false, "What is run" },
	{ "steps", false, "The loads. Several steps: \"0, 5, 10 N.m\" or \"from 0 to 40 step 5 N.m\", rising" },
	{ "steady", true, "When a step counts as steady, and for how long it is averaged" },
	{ "verdict", true, "Confidence of a verdict on a claim" },
	{ "endurance", true,
	  "Only for bridle endure: cycles of load, unattended. A cycle is all steps at all speeds; needs load = torque "
	  "and "
	  "drive = speed. A rule of 0 is none" },
};

static const struct profile_key plan_keys[] = {
	{ "plan", "actuator", KEY_NAME, KEY_REQUIRED, NULL, NULL, "example", 0, 0, NULL,
	  "File in actuators/, without .ini", PLAN(actuator) },
	{ "plan", "load", KEY_CHOICE, 0, NULL, "torque", NULL, 0, 0, "torque|current",
	  "torque: the loop holds measured torque. current: brake current is set, torque follows", PLAN(load) },
	{ "plan", "drive", KEY_CHOICE, 0, NULL, "speed", NULL, 0, 0, "speed|current|hand",
	  "speed: the drive holds a speed. current: it gives a torque-producing current. hand: someone runs it",
	  PLAN(drive) },
	{ "plan", "speed", KEY_SPEEDS, KEY_SHOWN, "rpm", "0 rpm", "85 rpm", -1e5, 1e5, NULL,
	  "Speed of the output with drive = speed; 0: that of the actuator's file. Several: \"30, 60, 90 rpm\" or "
	  "\"from 20 to 100 step 20 rpm\". Negative: backward, after all forward ones",
	  PLAN(speed_rpm) },
	{ "plan", "current", KEY_VALUE, 0, "A", "0 A", "8 A", 0, 1e4, NULL,
	  "Torque-producing current with drive = current", PLAN(drive_A) },

	{ "steps", "torque", KEY_STEPS, KEY_SHOWN, "N.m", NULL, "from 0 to 40 step 5 N.m", 0, 1e5, NULL,
	  "The steps with load = torque", PLAN(step) },
	{ "steps", "current", KEY_STEPS, 0, "A", NULL, "0, 0.2, 0.4, 0.6 A", 0, 1e3, NULL,
	  "The steps with load = current", PLAN(step) },
	{ "steps", "down", KEY_YESNO, 0, NULL, "yes", NULL, 0, 0, NULL,
	  "After the heaviest step go back down, so that heat and hysteresis show", PLAN(down) },
	{ "steps", "repeat_first", KEY_YESNO, 0, NULL, "yes", NULL, 0, 0, NULL,
	  "Repeat the first step at the end: it shows drift", PLAN(repeat_first) },
	{ "steps", "claims", KEY_YESNO, KEY_SHOWN, NULL, "no", "yes", 0, 0, NULL,
	  "Add the steps that decide the claims of the actuator's file: 2 % above each claimed torque, and at the "
	  "claimed power",
	  PLAN(serve_claims) },
	{ "steps", "find_limit", KEY_YESNO, 0, NULL, "no", "yes", 0, 0, NULL,
	  "After the last load that held go on in half steps to where the limit is, at each speed: at most 10 more "
	  "steps, inside 90 % of the other limits; needs drive = speed and order = rising",
	  PLAN(find_limit) },
	{ "steps", "inner", KEY_CHOICE, 0, NULL, "torque", NULL, 0, 0, "torque|speed",
	  "With several speeds. torque: all loads at one speed, then the next speed. speed: all speeds at one load, "
	  "then "
	  "the next load",
	  PLAN(speed_inside) },
	{ "steps", "order", KEY_CHOICE, 0, NULL, "rising", NULL, 0, 0, "rising|shuffled",
	  "shuffled: random order, so that drift does not look like load", PLAN(shuffle) },
	{ "steps", "seed", KEY_WHOLE, 0, "1", "1", NULL, 0, 2147483647, NULL,
	  "Draws the shuffled order; the same seed gives the same order", PLAN(seed) },

	{ "steady", "dwell", KEY_DWELL, 0, "s", "6 s", NULL, 0, 36000, NULL,
	  "Time that each step is averaged over once it is steady. \"until 0.2 %\": until the mean of another window "
	  "would "
	  "differ by about this share of the torque, at most for the time of longest",
	  PLAN(dwell_s) },
	{ "steady", "longest", KEY_VALUE, KEY_ABOVE, "s", "60 s", NULL, 0, 36000, NULL,
	  "Longest time with dwell = until; the rest of the last turn may come on top", PLAN(longest_s) },
	{ "steady", "window", KEY_VALUE, KEY_ABOVE, "s", "3 s", NULL, 0, 3600, NULL,
	  "Time over which the slopes below are taken", PLAN(window_s) },
	{ "steady", "timeout", KEY_VALUE, KEY_ABOVE, "s", "20 s", NULL, 0, 36000, NULL,
	  "After this time the point is taken anyway and marked not settled", PLAN(timeout_s) },
	{ "steady", "torque_slope", KEY_VALUE, KEY_ABOVE, "N.m/s", "0.05 N.m/s", NULL, 0, 1e4, NULL,
	  "Steady: fastest change of the torque", PLAN(torque_slope_Nm_per_s) },
	{ "steady", "speed_slope", KEY_VALUE, KEY_ABOVE, "rpm/s", "0.5 rpm/s", NULL, 0, 1e4, NULL,
	  "Steady: fastest change of the speed", PLAN(speed_slope_rpm_per_s) },
	{ "steady", "temperature_slope", KEY_VALUE, KEY_ABOVE, "K/min", "30 K/min", NULL, 0, 1e4, NULL,
	  "Steady: fastest change of any temperature. 2 K/h is the equilibrium of IEC 60034-1; a sweep cannot wait so "
	  "long",
	  PLAN(temp_slope_K_per_min) },
	{ "steady", "rest", KEY_VALUE, 0, "s", "0 s", NULL, 0, 36000, NULL, "Rest without load between steps, to cool",
	  PLAN(cool_s) },

	{ "verdict", "confidence", KEY_VALUE, 0, "1", "95 %", NULL, 0.5, 0.9999, NULL,
	  "Probability from which a claim counts as confirmed or refuted", PLAN(confidence) },

	{ "endurance", "cycles", KEY_WHOLE, KEY_REQUIRED, "1", NULL, "5000", 1, 100000000, NULL, "Number of cycles",
	  PLAN(endurance.cycles) },
	{ "endurance", "duration", KEY_VALUE, 0, "s", "0 s", "72 h", 0, 1e8, NULL,
	  "No cycle begins after this time; 0: none is set", PLAN(endurance.duration_s) },
	{ "endurance", "hold", KEY_VALUE, KEY_ABOVE, "s", "5 s", NULL, 0, 36000, NULL, "Time that each load is held",
	  PLAN(endurance.hold_s) },
	{ "endurance", "no_load", KEY_VALUE, KEY_ABOVE, "s", "2 s", NULL, 0, 3600, NULL,
	  "Time without load at each speed, before its loads: for current and speed without load",
	  PLAN(endurance.no_load_s) },
	{ "endurance", "pause", KEY_VALUE, 0, "s", "10 s", NULL, 0, 36000, NULL,
	  "Time that the shaft stands, nothing driven, at the end of each cycle", PLAN(endurance.pause_s) },
	{ "endurance", "zero", KEY_WHOLE, 0, "1", "50", NULL, 1, 100000, NULL, "Cycles between two zeros of the cell",
	  PLAN(endurance.zero) },
	{ "endurance", "keep", KEY_WHOLE, 0, "1", "100", NULL, 1, 1000000, NULL,
	  "Samples are kept in full for each cycle whose number is a multiple of this, and for 10 s before each stop; "
	  "else "
	  "one each second",
	  PLAN(endurance.keep) },
	{ "endurance", "reference", KEY_WHOLE, 0, "1", "3", NULL, 1, 1000, NULL,
	  "Cycles that current_drift counts from: their mean", PLAN(endurance.reference) },
	{ "endurance", "current_drift", KEY_VALUE, 0, "1", "20 %", NULL, 0, 10, NULL,
	  "Rule: change of the current without load at which the plan stops", PLAN(endurance.current_drift) },
	{ "endurance", "speed_droop", KEY_VALUE, 0, "1", "20 %", NULL, 0, 1, NULL,
	  "Rule: loss of speed under the heaviest load at which it stops", PLAN(endurance.speed_droop) },
	{ "endurance", "temperature_rise", KEY_VALUE, 0, "K", "40 K", NULL, 0, 300, NULL,
	  "Rule: case above ambient at the end of the load", PLAN(endurance.temperature_rise_K) },
	{ "endurance", "case", KEY_VALUE, 0, "degC", "0 degC", "65 degC", 0, 300, NULL,
	  "Rule: temperature of the case at any moment; below the actuator's own limit", PLAN(endurance.case_degC) },
	{ "endurance", "play", KEY_WHOLE, 0, "1", "0", "100", 0, 1000000, NULL,
	  "Before the first cycle and after each so many the brake locks the shaft, and lost motion and stiffness are "
	  "measured; 0: never",
	  PLAN(endurance.play) },
	{ "endurance", "play_torque", KEY_VALUE, 0, "N.m", "0 N.m", "10 N.m", 0, 1e5, NULL,
	  "Largest torque of that, both ways; 0: the heaviest load of the plan", PLAN(endurance.play_torque_Nm) },
	{ "endurance", "play_drift", KEY_VALUE, 0, "arcmin", "0 arcmin", "3 arcmin", 0, 1e4, NULL,
	  "Rule: change of the lost motion since the first one at which the plan stops",
	  PLAN(endurance.play_drift_arcmin) },
	{ "endurance", "tell_at", KEY_VALUE, KEY_ABOVE, "1", "50 %", NULL, 0, 1, NULL,
	  "Share of a rule's limit at which its drift is told, once", PLAN(endurance.tell_at) },
};

static const struct profile_section weights_sections[] = {
	{ "", true,
	  "One section for each piece, with a name of your own (letters, digits, - _ .). [hanger] is a "
	  "piece that is always on the arm" },
};

static const struct profile_key weights_keys[] = {
	{ "", "class", KEY_CHOICE, 0, NULL, NULL, "M1", 0, 0, "E2|F1|F2|M1|M1-2|M2|M2-3|M3",
	  "Class of OIML R 111-1; then give nominal", PIECE(class_index) },
	{ "", "nominal", KEY_VALUE, KEY_ABOVE, "kg", NULL, "2 kg", 0, 5000, NULL,
	  "Nominal mass of a piece with a class", PIECE(nominal_kg) },
	{ "", "mass", KEY_QUANTITY, KEY_UNCERTAIN | KEY_ABOVE, "kg", NULL, "2.0003 kg ± 0.1 g", 0, 5000, NULL,
	  "Conventional mass of a piece that was weighed or has a certificate", PIECE(mass_kg) },
	{ "", "density", KEY_QUANTITY, KEY_ABOVE, "kg/m3", "7900 kg/m3 ± 500 kg/m3 rect", NULL, 0, 23000, NULL,
	  "Density, for the buoyancy: steel 7900, brass 8400, cast iron 7100 kg/m3", PIECE(density_kg_per_m3) },
};

const struct profile_table profile_actuator_table = {
	"actuators/NAME.ini",
	"The actuator under test",
	TABLE(actuator_sections, actuator_keys),
};
const struct profile_table profile_plan_table = {
	"plans/NAME.ini",
	"Which actuator is run with which loads",
	TABLE(plan_sections, plan_keys),
};
const struct profile_table profile_weights_table = {
	"weights.ini",
	"The dead weights",
	TABLE(weights_sections, weights_keys),
};
