/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/profile.h"
#include "channel/channel.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* Least files that are right. The figures are this test's own. */
static const char rig_text[] = "[rig]\n" /* 1 */
			       "name = bench two\n"
			       "latitude = 45 deg ± 0.1 deg\n"
			       "height = 100 m ± 30 m\n"
			       "[tether]\n" /* 5 */
			       "link = unix:run/t\n"
			       "[cell]\n"
			       "full_scale = 0.06 kN.m\n"
			       "mounting = shaft\n"
			       "zero_drift = 0 N.m/K ± 0.004 N.m/K normal\n" /* 10 */
			       "gain_drift = 0 1/K ± 20 ppm/K\n"
			       "creep = 0 % ± 0.02 %\n"
			       "[arm]\n"
			       "length = 500.0 mm ± 0.4 mm k=2\n"
			       "[brake]\n" /* 15 */
			       "kind = hysteresis\n"
			       "current = 1200 mA\n"
			       "torque = 50 N·m\n"
			       "slip_power = 500 W\n"
			       "slip_power_short = 1.2 kW\n" /* 20 */
			       "slip_energy = 120 kJ\n"
			       "temperature = 383.15 K\n"
			       "[supply]\n"
			       "voltage = 48 V\n"
			       "current_limit = 12 A\n" /* 25 */
			       "voltage_min = 36 V\n"
			       "voltage_max = 56 V\n"
			       "[meter]\n"
			       "plane = supply\n"
			       "voltage_gain = 1 ± 0.2 % k=2\n" /* 30 */
			       "voltage_offset = 0 mV ± 20 mV\n"
			       "current_gain = 1 ± 0.2 % k=2\n"
			       "current_offset = 0 mA ± 10 mA\n"
			       "[pickup]\n"
			       "pulses = 2400\n" /* 35 */
			       "[limits]\n"
			       "torque = 52 N.m\n"
			       "speed = 2.5 revolutions/s\n"
			       "coupling = 60 N.m\n";

static const char actuator_text[] =
	"[actuator]\nname = winder\nratio = 36\n"                                                          /* 1..3 */
	"[limits]\ntorque = 45 N.m\nspeed = 150 rpm\ncurrent = 20 A\ncase = 80 degC\nwinding = 120 degC\n" /* 4..9 */
	"[drive]\ndropout = 36 V\n"                                                                        /* 10, 11 */
	"[claims]\nrated_torque = 20 N.m @ 80 rpm\npeak_efficiency = 72 %\n";                              /* 12..14 */

static const char plan_text[] = "[plan]\nactuator = winder\nspeed = 85 rpm\n" /* 1..3 */
				"[steps]\ntorque = 0, 5, 10 N.m\n";           /* 4, 5 */

static const char weights_text[] = "[hanger]\nmass = 0.512 kg ± 0.5 g\n"    /* 1, 2 */
				   "[2kg-a]\nnominal = 2 kg\nclass = M1\n"; /* 3..5 */

static enum rc parse(enum profile_file which, const char *text, struct mistakes *m, struct err *err)
{
	static struct rig_profile rig;
	static struct actuator_profile actuator;
	static struct plan_profile plan;
	static struct weights_profile weights;

	switch (which) {
	case PROFILE_RIG: return profile_parse_rig(text, "rig.ini", &rig, m, err);
	case PROFILE_ACTUATOR: return profile_parse_actuator(text, "a.ini", &actuator, m, err);
	case PROFILE_PLAN: return profile_parse_plan(text, "p.ini", &plan, m, err);
	case PROFILE_WEIGHTS: return profile_parse_weights(text, "w.ini", &weights, m, err);
	}
	return RC_ARG;
}

static const char *base_text(enum profile_file which)
{
	static const char *const texts[] = { rig_text, actuator_text, plan_text, weights_text };

	return texts[which];
}

/* text with the first `from` replaced by `to`; malloc'ed. */
static char *replaced(const char *text, const char *from, const char *to)
{
	const char *at = strstr(text, from);
	size_t size = strlen(text) + strlen(to) + 1;
	char *ret = malloc(size);

	assert_non_null(at);
	assert_non_null(ret);
	snprintf(ret, size, "%.*s%s%s", (int)(at - text), text, to, at + strlen(from));
	return ret;
}

/* value_near: to a part in 1e12, the rounding of a few products. */
static void assert_near(double found, double expected)
{
	if (!(fabs(found - expected) <= 1e-12 * fmax(1, fabs(expected))))
		fail_msg("found %.17g, expected %.17g", found, expected);
}

static void reads_a_rig(void **state)
{
	struct rig_profile rig;
	struct mistakes m = { 0 };
	struct err err = { 0 };

	(void)state;
	if (profile_parse_rig(rig_text, "rig.ini", &rig, &m, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_int_equal(m.n, 0);
	assert_string_equal(rig.name, "bench two");
	assert_near(rig.latitude_deg.value, 45);
	assert_near(rig.latitude_deg.u, 0.1 / sqrt(3)); /* limits are rectangular: GUM 4.3.7 */
	assert_near(rig.cell_full_scale_Nm, 60);
	assert_int_equal(rig.mounting, MOUNT_SHAFT);
	assert_int_equal(rig.brake_kind, BRAKE_HYSTERESIS);
	assert_int_equal(rig.plane, PLANE_SUPPLY);
	assert_near(rig.zero_drift_Nm_per_K.u, 0.004);
	assert_near(rig.gain_drift_per_K.u, 20e-6 / sqrt(3));
	assert_near(rig.creep_frac.value, 0);
	assert_near(rig.creep_frac.u, 0.0002 / sqrt(3));
	assert_near(rig.arm_m.value, 0.5);
	assert_near(rig.arm_m.u, 0.0002);
	assert_near(rig.brake_max_A, 1.2);
	assert_near(rig.slip_power_short_W, 1200);
	assert_near(rig.slip_energy_J, 120e3);
	assert_near(rig.brake_hot_degC, 110);
	assert_near(rig.volt_gain.u, 0.001);
	assert_near(rig.volt_offset_V.u, 0.02 / sqrt(3));
	assert_near(rig.limit_speed_rpm, 150);
	assert_false(rig.is_virtual);
}

static void fills_the_defaults(void **state)
{
	struct rig_profile rig;
	struct plan_profile plan;
	struct actuator_profile actuator;

	(void)state;
	assert_int_equal(profile_parse_rig(rig_text, "rig.ini", &rig, NULL, NULL), RC_OK);
	assert_int_equal(rig.baud, 115200);
	assert_near(rig.rate_Hz, 100);
	assert_near(rig.lease_s, 0.3);
	assert_near(rig.node_clock_ppm_u, 50e-6 / sqrt(3));
	assert_near(rig.air_density_kg_per_m3.value, 1.2);
	assert_near(rig.air_density_kg_per_m3.u, 0.06 / sqrt(3));
	assert_near(rig.cell_saturation_count, 8388607);
	assert_int_equal(rig.cell_sign, 1);
	assert_near(rig.stall_s, 2);
	assert_string_equal(rig.check_piece, "");
	assert_near(rig.check_limit_frac, 0.003);
	assert_int_equal(profile_parse_plan(plan_text, "p.ini", &plan, NULL, NULL), RC_OK);
	assert_int_equal(plan.load, LOAD_TORQUE);
	assert_int_equal(plan.drive, PLAN_SPEED);
	assert_true(plan.down && plan.repeat_first && !plan.shuffle);
	assert_near(plan.confidence, 0.95);
	assert_int_equal(profile_parse_actuator(actuator_text, "a.ini", &actuator, NULL, NULL), RC_OK);
	assert_near(actuator.expect_efficiency, 0.5);
	assert_true(actuator.rated_torque_Nm.given && !actuator.rated_power_W.given);
	assert_near(actuator.rated_torque_Nm.speed_rpm, 80);
	assert_near(actuator.peak_efficiency.value, 0.72);
	assert_true(isnan(actuator.peak_efficiency.speed_rpm));
}

static void reads_weights(void **state)
{
	struct weights_profile w;

	(void)state;
	assert_int_equal(profile_parse_weights(weights_text, "w.ini", &w, NULL, NULL), RC_OK);
	assert_int_equal(w.n, 2);
	assert_int_equal(w.hanger, 0);
	assert_int_equal(profile_piece(&w, "2kg-a"), 1);
	assert_int_equal(profile_piece(&w, "3kg"), -1);
	assert_false(w.piece[0].has_class);
	assert_near(w.piece[0].mass_kg.value, 0.512);
	assert_string_equal(w.piece[1].class_name, "M1");
	/* OIML R 111-1:2004 table 1: 2 kg, M1: 100 mg */
	assert_near(w.piece[1].mass_kg.u, 100e-6 / sqrt(3));
	assert_near(w.piece[1].density_kg_per_m3, 7900);
}

/* OIML R 111-1:2004, table 1, 50 kg: E2 80 mg, F1 250, F2 800, M1 2500, M1-2 5000, M2 8000, M2-3 16000, M3 25000. */
static void every_class_of_weights_is_read(void **state)
{
	static const struct {
		const char *class;
		double tolerance_mg;
	} rows[] = {
		{ "E2", 80 },     { "F1", 250 },  { "F2", 800 },     { "M1", 2500 },
		{ "M1-2", 5000 }, { "M2", 8000 }, { "M2-3", 16000 }, { "M3", 25000 },
	};
	struct weights_profile w;
	struct err err;
	char text[80];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		snprintf(text, sizeof text, "[big]\nnominal = 50 kg\nclass = %s\n", rows[i].class);
		if (profile_parse_weights(text, "w.ini", &w, NULL, &err) != RC_OK)
			fail_msg("%s: %s", rows[i].class, err.what);
		assert_string_equal(w.piece[0].class_name, rows[i].class);
		assert_near(w.piece[0].mass_kg.u, rows[i].tolerance_mg * 1e-6 / sqrt(3));
	}
}

static void gravity_by_place_or_by_value(void **state)
{
	struct rig_profile rig;
	char *text = replaced(rig_text, "latitude = 45 deg ± 0.1 deg\nheight = 100 m ± 30 m",
			      "gravity = 9.81 m/s2 ± 0.001 m/s2 normal");

	(void)state;
	assert_int_equal(profile_parse_rig(rig_text, "rig.ini", &rig, NULL, NULL), RC_OK);
	/* GRS80 at 45 deg: 9.806199203 m/s2 (Moritz 1980); free air -3.086e-6 /s2 times 100 m */
	assert_true(fabs(profile_gravity(&rig).value - (9.806199203 - 3.086e-4)) < 2e-6);
	assert_int_equal(profile_parse_rig(text, "rig.ini", &rig, NULL, NULL), RC_OK);
	assert_near(profile_gravity(&rig).value, 9.81);
	assert_near(profile_gravity(&rig).u, 0.001);
	free(text);
}

static void reads_steps_in_every_form(void **state)
{
	static const struct {
		const char *written;
		size_t n;
		double first, last;
	} rows[] = {
		{ "0, 5, 10, 20, 30 N.m", 5, 0, 30 },
		{ "7 N.m", 1, 7, 7 },
		{ "0 N.m, 500 N.cm, 0.01 kN.m", 3, 0, 10 },
		{ "0, 5, 10 N m", 3, 0, 10 },
		{ "from 0 to 40 step 5 N.m", 9, 0, 40 },
		{ "from 0 N.m to 1 N.m step 0.1 N.m", 11, 0, 1 },
		{ "from 2 to 11 step 3 N.m", 4, 2, 11 },
		{ "from 0 to 42 step 5 N.m", 9, 0, 40 },
		{ "1e0, 2.5e1 N.m", 2, 1, 25 },
	};
	struct plan_profile plan;
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		char *text = replaced(plan_text, "0, 5, 10 N.m", rows[i].written);
		if (profile_parse_plan(text, "p.ini", &plan, NULL, &err) != RC_OK)
			fail_msg("%s: %s", rows[i].written, err.what);
		if (plan.n != rows[i].n)
			fail_msg("%s: %zu steps", rows[i].written, plan.n);
		assert_near(plan.step[0], rows[i].first);
		assert_near(plan.step[plan.n - 1], rows[i].last);
		free(text);
	}
}

static const struct bad {
	enum profile_file which;
	const char *from, *to, *mistake; /* mistake: the one sentence */
} bad[] = {
	{ PROFILE_RIG, "0.06 kN.m", "60",
	  "rig.ini:8: [cell] full_scale: found \"60\", expected a torque such as 60 N.m; "
	  "the unit is missing" },
	{ PROFILE_RIG, "0.06 kN.m", "60 kg",
	  "rig.ini:8: [cell] full_scale: found \"60 kg\", expected a torque such as "
	  "60 N.m; \"kg\" is not a unit of the same kind as \"N.m\"" },
	{ PROFILE_RIG, "0.06 kN.m", "-60 N.m",
	  "rig.ini:8: [cell] full_scale: found \"-60 N.m\", expected more than 0 and at "
	  "most 100000 N.m" },
	{ PROFILE_RIG, "0.06 kN.m", "0 N.m",
	  "rig.ini:8: [cell] full_scale: found \"0 N.m\", expected more than 0 and at "
	  "most 100000 N.m" },
	{ PROFILE_RIG, "0.06 kN.m", "60 N.m ± 1 N.m",
	  "rig.ini:8: [cell] full_scale: found \"60 N.m ± 1 N.m\", expected a "
	  "torque such as 60 N.m; no uncertainty belongs here" },
	{ PROFILE_RIG, "0.06 kN.m\nmounting", "0.06 kN.m\nfull_scale = 1 N.m\nmounting",
	  "rig.ini:9: [cell] full_scale: is given twice (first in line 8)" },
	{ PROFILE_RIG, "mounting = shaft\n", "", "rig.ini:7: [cell] mounting: is missing; expected cradle or shaft" },
	{ PROFILE_RIG, "= shaft", "= Shaft", "rig.ini:9: [cell] mounting: found \"Shaft\", expected cradle or shaft" },
	{ PROFILE_RIG, "[cell]\n", "[cell]\nfullscale = 1 N.m\n",
	  "rig.ini:8: [cell] fullscale: no such key; did you mean full_scale?" },
	{ PROFILE_RIG, "[cell]\n", "[cell]\npulses = 1\n",
	  "rig.ini:8: [cell] pulses: no such key here; it belongs in [pickup]" },
	{ PROFILE_RIG, "[pickup]\n", "[pickup]\nweather = fine\n",
	  "rig.ini:35: [pickup] weather: no such key; there are pulses, sign" },
	{ PROFILE_RIG, "[rig]\n", "[gaurd]\n[rig]\n", "rig.ini:1: [gaurd]: no such section; did you mean [guard]?" },
	{ PROFILE_RIG, "[rig]\n", "wild = 1\n[rig]\n", "rig.ini:1: wild: stands before the first [section]" },
	{ PROFILE_RIG, "[pickup]\n", "[pickup]\nplain words\n",
	  "rig.ini:35: found \"plain words\", expected \"key = value\"" },
	{ PROFILE_RIG, "[limits]\n", "[arm]\nlevel = 0 deg ± 1 deg\n[limits]\n",
	  "rig.ini:36: [arm]: stands twice (first in line 13); join the two" },
	{ PROFILE_RIG, "= bench two", "= b\xE4nch",
	  "rig.ini:2: found the byte 0xE4, expected UTF-8 text; save the file as UTF-8" },
	{ PROFILE_RIG, "length = 500.0 mm ± 0.4 mm k=2", "length = 500 mm",
	  "rig.ini:14: [arm] length: found \"500 mm\", expected a length with its uncertainty such as 500.0 mm ± 0.4 "
	  "mm k=2; "
	  "write its uncertainty after ±" },
	{ PROFILE_RIG, "height = 100 m ± 30 m\n", "",
	  "rig.ini:1: [rig] height: is missing; expected latitude and height, or gravity" },
	{ PROFILE_RIG, "unix:run/t", "com3",
	  "rig.ini:6: [tether] link: found \"com3\", expected serial:DEVICE, tcp:HOST:PORT or "
	  "unix:PATH" },
	{ PROFILE_RIG, "link = unix:run/t\n", "link = unix:run/t\nlease = 20 ms\n",
	  "rig.ini:7: [tether] lease: found 0.02 s, expected at least three ticks (0.03 s at this rate)" },
	{ PROFILE_RIG, "link = unix:run/t\n", "link = unix:run/t\nbaud = 9600.5\n",
	  "rig.ini:7: [tether] baud: found \"9600.5\", expected a whole number such as 115200" },
	{ PROFILE_RIG, "torque = 52 N.m", "torque = 61 N.m", NULL }, /* above cell and coupling: two sentences */
	{ PROFILE_RIG, "slip_power = 500 W", "slip_power = 2 kW",
	  "rig.ini:19: [brake] slip_power: found 2000 W, expected at most slip_power_short (1200 W)" },
	{ PROFILE_RIG, "voltage_max = 56 V", "voltage_max = 47 V",
	  "rig.ini:24: [supply] voltage: found 48 V, expected at most voltage_max (47 V)" },
	{ PROFILE_RIG, "[pickup]\n", "[virtual]\n[pickup]\n",
	  "rig.ini:34: [virtual] control: is missing; expected a text of 1 to 255 bytes" },

	{ PROFILE_ACTUATOR, "@ 80 rpm", "@ 80",
	  "a.ini:13: [claims] rated_torque: found \"20 N.m @ 80\", expected a torque such "
	  "as 20 N.m @ 80 rpm; after @ stands a speed such as 80 rpm" },
	{ PROFILE_ACTUATOR, "72 %", "172 %",
	  "a.ini:14: [claims] peak_efficiency: found \"172 %\", expected more than 0 and at "
	  "most 100 %" },
	{ PROFILE_ACTUATOR, "ratio = 36", "ratio = 36 rpm",
	  "a.ini:3: [actuator] ratio: found \"36 rpm\", expected a number such "
	  "as 36; \"rpm\" is not a unit of the same kind as \"1\"" },
	{ PROFILE_ACTUATOR, "peak_efficiency = 72 %", "peak_torque = 5 N.m",
	  "a.ini:13: [claims] rated_torque: found 20 N.m, expected at most peak_torque (5 N.m)" },

	{ PROFILE_RIG, "pulses = 2400", "pulses = 2400.5",
	  "rig.ini:35: [pickup] pulses: found \"2400.5\", expected a number such as 2400; only a whole "
	  "number can be counted" },
	{ PROFILE_RIG, "500.0 mm ± 0.4 mm k=2", "500 mm ± 700 mm",
	  "rig.ini:14: [arm] length: found \"500 mm ± 700 mm\", expected a length "
	  "with its uncertainty such as 500.0 mm ± 0.4 mm k=2; what stands after ± is as large as the value itself" },
	{ PROFILE_RIG, "500.0 mm ± 0.4 mm k=2", "500 mm ± 300 mm normal",
	  "rig.ini:14: [arm] length: found \"500 mm ± 300 mm normal\", "
	  "expected a length with its uncertainty such as 500.0 mm ± 0.4 mm k=2; what stands after ± is as large as "
	  "the value itself" },
	{ PROFILE_PLAN, "0, 5, 10 N.m", "0 5 10 15 N.m",
	  "p.ini:5: [steps] torque: found \"0 5 10 15 N.m\", expected rising steps such as "
	  "\"0, 5, 10 N.m\" or \"from 0 to 40 step 5 N.m\"; put commas between the steps" },
	{ PROFILE_PLAN, "0, 5, 10 N.m", "0, 5 10, 15 N.m",
	  "p.ini:5: [steps] torque: found \"0, 5 10, 15 N.m\", expected rising steps such as "
	  "\"0, 5, 10 N.m\" or \"from 0 to 40 step 5 N.m\"; put commas between the steps" },
	{ PROFILE_PLAN, "0, 5, 10 N.m", "0, 5, 5 N.m",
	  "p.ini:5: [steps] torque: found \"0, 5, 5 N.m\", expected rising steps such "
	  "as \"0, 5, 10 N.m\" or \"from 0 to 40 step 5 N.m\"; each step must be "
	  "above the one before" },
	{ PROFILE_PLAN, "0, 5, 10 N.m", "0, 5, N.m",
	  "p.ini:5: [steps] torque: found \"0, 5, N.m\", expected rising steps such as "
	  "\"0, 5, 10 N.m\" or \"from 0 to 40 step 5 N.m\"; expected a number" },
	{ PROFILE_PLAN, "0, 5, 10 N.m", "0, 5, 10",
	  "p.ini:5: [steps] torque: found \"0, 5, 10\", expected rising steps such as "
	  "\"0, 5, 10 N.m\" or \"from 0 to 40 step 5 N.m\"; the unit is missing" },
	{ PROFILE_PLAN, "0, 5, 10 N.m", "-5, 5 N.m",
	  "p.ini:5: [steps] torque: found \"-5, 5 N.m\", expected 0 to 100000 N.m" },
	{ PROFILE_PLAN, "0, 5, 10 N.m", "from 0 to 40 step 0 N.m",
	  "p.ini:5: [steps] torque: found \"from 0 to 40 step 0 N.m\", expected rising steps such as \"0, 5, 10 N.m\" "
	  "or \"from 0 "
	  "to 40 step 5 N.m\"; expected a step above 0 and an end above the start" },
	{ PROFILE_PLAN, "0, 5, 10 N.m", "from 0 to 40 step 0.1 N.m",
	  "p.ini:5: [steps] torque: found \"from 0 to 40 step 0.1 N.m\", expected rising steps such as \"0, 5, 10 "
	  "N.m\" or \"from 0 "
	  "to 40 step 5 N.m\"; too many steps" },
	{ PROFILE_PLAN, "torque = 0, 5, 10 N.m", "current = 0, 1 A", NULL }, /* wrong one given, right one missing */
	{ PROFILE_PLAN, "torque =", "down = ja\ntorque =", "p.ini:5: [steps] down: found \"ja\", expected yes or no" },
	{ PROFILE_PLAN, "speed = 85 rpm", "drive = current",
	  "p.ini: [plan] current: is missing; drive = current needs a current "
	  "such as 8 A" },
	{ PROFILE_PLAN, "speed = 85 rpm", "drive = current\ncurrent = 8 A",
	  "p.ini:6: [steps] torque: begins at 0, where nothing but the brake's drag holds an actuator with drive = "
	  "current; begin above 0" },
	{ PROFILE_PLAN, "speed = 85 rpm", "drive = hand\nspeed = 85 rpm",
	  "p.ini:4: [plan] speed: goes only with drive = speed" },
	{ PROFILE_PLAN, "actuator = winder", "actuator = ../winder",
	  "p.ini:2: [plan] actuator: found \"../winder\", expected a name "
	  "of letters, digits, '-', '_' and '.', such as example" },
	{ PROFILE_PLAN, "[steps]", "[steady]\ntimeout = 1 s\n[steps]",
	  "p.ini:5: [steady] timeout: found 1 s, expected at least the window (3 s)" },

	{ PROFILE_WEIGHTS, "class = M1\n", "",
	  "w.ini:3: [2kg-a]: expected either mass with its uncertainty, or nominal and class" },
	{ PROFILE_WEIGHTS, "class = M1", "class = M7",
	  "w.ini:5: [2kg-a] class: found \"M7\", expected E2, F1, F2, M1, M1-2, M2, M2-3 or M3" },
	{ PROFILE_WEIGHTS, "nominal = 2 kg", "nominal = 3 kg", NULL }, /* not a nominal mass of the standard */
	{ PROFILE_WEIGHTS, "[2kg-a]", "[hanger]",
	  "w.ini:3: [hanger]: stands twice (first in line 1); give each piece its own name" },
	{ PROFILE_WEIGHTS, "[2kg-a]", "[2 kg]",
	  "w.ini:3: [2 kg]: expected a name of letters, digits, '-', '_' and '.', and not "
	  "\"all\"" },
	{ PROFILE_WEIGHTS, "mass = 0.512 kg ± 0.5 g", "mass = 0.512 kg", NULL },
};

static void says_each_mistake_in_one_sentence(void **state)
{
	(void)state;
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
		char *text = replaced(base_text(bad[i].which), bad[i].from, bad[i].to);
		struct mistakes m = { 0 };
		struct err err = { 0 };
		if (parse(bad[i].which, text, &m, &err) != RC_ARG)
			fail_msg("row %zu was taken: %s", i, bad[i].to);
		assert_int_not_equal(m.n, 0);
		if (bad[i].mistake) {
			assert_string_equal(m.line[0], bad[i].mistake);
			if (m.n != 1)
				fail_msg("row %zu: also \"%s\"", i, m.line[1]);
			assert_string_equal(err.what, bad[i].mistake);
		}
		free(text);
	}
}

static void all_mistakes_at_once_and_nothing_written(void **state)
{
	struct rig_profile rig, before;
	struct mistakes m = { 0 };
	struct err err = { 0 };
	char *text = replaced(rig_text, "0.06 kN.m", "60"), *more = replaced(text, "= shaft", "= wheel");

	(void)state;
	memset(&rig, 0x5A, sizeof rig);
	before = rig;
	free(text);
	text = replaced(more, "[pickup]", "[pick_up]");
	assert_int_equal(profile_parse_rig(text, "./bench/rig.ini", &rig, &m, &err), RC_ARG);
	assert_int_equal(m.n, 4); /* the fourth: pulses is missing */
	assert_string_equal(err.what, "bench/rig.ini has 4 mistakes");
	assert_string_equal(m.line[2], "bench/rig.ini:34: [pick_up]: no such section; did you mean [pickup]?");
	assert_memory_equal(&rig, &before, sizeof rig);
	free(text);
	free(more);
}

static void more_mistakes_than_room_are_counted(void **state)
{
	char text[8192] = "[rig]\n";
	struct mistakes m = { 0 };
	struct err err;

	(void)state;
	for (int i = 0; i < 100; i++)
		snprintf(text + strlen(text), sizeof text - strlen(text), "x%d = 1\n", i);
	assert_int_equal(parse(PROFILE_RIG, text, &m, &err), RC_ARG);
	assert_int_equal(m.n, 32);
	assert_true(m.more >= 68);
}

static void takes_what_editors_leave(void **state)
{
	static const struct {
		const char *from, *to;
	} rows[] = {
		{ "[rig]", "\xEF\xBB\xBF[rig]" },                    /* byte order mark */
		{ "[rig]\n", "[rig]\r\n" },                          /* CRLF */
		{ "name = bench two", "  name   =   bench two\t " }, /* blanks */
		{ "name = bench two", "name = bench two ; note" },   /* comments */
		{ "name = bench two", "name = bench two # note" },
		{ "[rig]", "\n\n# x\n; y\n\n[rig]" },
		{ "[rig]", "[rig] # the rig" },
		{ "N·m", "N m" },
	};
	struct rig_profile rig;
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		char *text = replaced(rig_text, rows[i].from, rows[i].to);
		if (profile_parse_rig(text, "rig.ini", &rig, NULL, &err) != RC_OK)
			fail_msg("row %zu: %s", i, err.what);
		assert_string_equal(rig.name, "bench two");
		free(text);
	}
}

static void a_hash_inside_a_name_stays(void **state)
{
	struct rig_profile rig;
	char *text = replaced(rig_text, "bench two", "bench #2");

	(void)state;
	assert_int_equal(profile_parse_rig(text, "rig.ini", &rig, NULL, NULL), RC_OK);
	assert_string_equal(rig.name, "bench #2");
	free(text);
}

static void a_line_too_long_is_a_mistake(void **state)
{
	char line[3000], *text;
	struct mistakes m = { 0 };

	(void)state;
	memset(line, 'a', sizeof line - 1);
	line[sizeof line - 1] = '\0';
	memcpy(line, "name = ", 7);
	text = replaced(rig_text, "name = bench two", line);
	assert_int_equal(parse(PROFILE_RIG, text, &m, NULL), RC_ARG);
	assert_non_null(strstr(m.line[0], "rig.ini:2: found a line of 2999 bytes, expected at most "));
	free(text);
}

static void templates_read_without_mistakes(void **state)
{
	(void)state;
	for (int which = PROFILE_RIG; which <= PROFILE_WEIGHTS; which++) {
		char *text = profile_template((enum profile_file)which, true);
		struct mistakes m = { 0 };
		struct err err = { 0 };
		assert_non_null(text);
		if (parse((enum profile_file)which, text, &m, &err) != RC_OK)
			fail_msg("template %d: %s: %s", which, err.what, m.line[0]);
		free(text);
	}
}

static bool stands(const struct mistakes *m, const char *what)
{
	for (size_t i = 0; i < m->n; i++)
		if (strstr(m->line[i], what))
			return true;
	return false;
}

/* No figure of an invented rig can get into a result unread: every one has to be given. */
static void what_is_the_owners_starts_empty(void **state)
{
	static const struct {
		enum profile_file which;
		const char *asked;
	} rows[] = {
		{ PROFILE_RIG, "[arm] length: is empty; expected a length" },
		{ PROFILE_RIG, "[brake] torque: is empty" },
		{ PROFILE_RIG, "[cell] full_scale: is empty" },
		{ PROFILE_RIG, "[cell] zero_drift: is empty" },
		{ PROFILE_RIG, "[brake] drag_ratio: is empty" },
		{ PROFILE_ACTUATOR, "[actuator] ratio: is empty" },
		{ PROFILE_ACTUATOR, "[limits] torque: is empty" },
		{ PROFILE_PLAN, "[steps] torque: is empty" },
		{ PROFILE_WEIGHTS, "[hanger] mass: found \"\"" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		char *text = profile_template(rows[i].which, false);
		struct mistakes m = { 0 };
		assert_non_null(text);
		assert_int_equal(parse(rows[i].which, text, &m, NULL), RC_ARG);
		if (!stands(&m, rows[i].asked))
			fail_msg("not asked for: %s (%zu mistakes, first %s)", rows[i].asked, m.n,
				 m.n ? m.line[0] : "none");
		free(text);
	}
}

static void read_instruments(const char *sections, struct rig_profile *ret, struct mistakes *m, enum rc want)
{
	char *head = profile_template(PROFILE_RIG, true), *text = malloc(strlen(head) + strlen(sections) + 1);

	assert_non_null(text);
	strcpy(text, head);
	strcat(text, sections);
	assert_int_equal(profile_parse_rig(text, "rig.ini", ret, m, NULL), want);
	free(text);
	free(head);
}

static void instruments_are_read(void **state)
{
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };

	(void)state;
	read_instruments(
		"\n[instrument psu]\nkind = supply\nlink = tcp:localhost:5025\nroles = meter\nperiod = 0.25 s\n"
		"[instrument other]\nkind = supply\nlink = unix:x\nroles = \n",
		&rig, &m, RC_ARG); /* a role must stand there */
	m = (struct mistakes){ 0 };
	read_instruments(
		"\n[instrument psu]\nkind = supply\nlink = tcp:localhost:5025\nroles = meter\nperiod = 0.25 s\n", &rig,
		&m, RC_OK);
	assert_int_equal(rig.n_instruments, 1);
	assert_string_equal(rig.instrument[0].name, "psu");
	assert_string_equal(rig.instrument[0].kind, "supply");
	assert_string_equal(rig.instrument[0].link, "tcp:localhost:5025");
	assert_int_equal(rig.instrument[0].baud, 9600);
	assert_true(rig.instrument[0].roles == ROLE_METER && rig.instrument[0].period_s > 0.249 &&
		    rig.instrument[0].period_s < 0.251);
}

/* All of them at once, each in a sentence of its own. */
static void instruments_that_cannot_be(void **state)
{
	static const char text[] = "\n[instrument a]\nkind = supply\nlink = unix:a\nroles = meter\n"
				   "[instrument b]\nkind = supply\nlink = unix:b\nroles = meter\n"
				   "[instrument c]\nkind = toaster\nlink = unix:c\nroles = meter\n"
				   "[instrument d]\nkind = relay\nlink = unix:d\nroles = power\nopen = 01\nclose = xx\n"
				   "[instrument e]\nkind = supply\nlink = unix:e\nroles = cell\n"
				   "[instrument f]\nkind = supply\nlink = unix:f\nroles = sieve\n"
				   "[instrument a]\nkind = supply\nlink = unix:a\nroles = meter\n"
				   "[instrument two words]\n"
				   "[instrument g]\nkind = supply\nroles = meter\nspeed = 3\n";
	static const char *const told[] = {
		"[instrument b] roles: [instrument a] has the role meter already",
		"[instrument c] kind: found \"toaster\", expected supply",
		"[instrument d] roles: an output of a relay has no lease",
		"[instrument d] close: found \"xx\", expected 1 to 48 bytes",
		"[instrument e] roles: found \"cell\", but a supply cannot",
		"[instrument f] roles: found \"sieve\"",
		"[instrument a]: stands twice",
		"[instrument two words]: expected a name",
		"[instrument g] link: is missing",
		"[instrument g] speed: no such key",
	};
	struct rig_profile rig = { .n_instruments = 77 };
	struct mistakes m = { 0 };

	(void)state;
	read_instruments(text, &rig, &m, RC_ARG);
	for (size_t i = 0; i < sizeof told / sizeof told[0]; i++)
		if (!stands(&m, told[i]))
			fail_msg("not told: %s (%zu mistakes, first %s)", told[i], m.n, m.n ? m.line[0] : "none");
	assert_int_equal(rig.n_instruments, 77); /* nothing is taken of a file with mistakes */
}

/* Two on one line need an address each, and one speed. */
static void instruments_on_one_line(void **state)
{
#define ON_LINE(name, role, more) "[instrument " name "]\nkind = supply\nlink = unix:a\nroles = " role "\n" more
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };

	(void)state;
	read_instruments("\n" ON_LINE("a", "voltage", "address = 1\n") ON_LINE("b", "current", "address = 2\n"), &rig,
			 &m, RC_OK);
	assert_true(rig.n_instruments == 2 && rig.n_lines == 1 && rig.instrument[1].line == 0);
	assert_true(rig.instrument[0].roles == ROLE_VOLTAGE && rig.instrument[1].roles == ROLE_CURRENT);
	assert_ptr_equal(instruments_line(&rig, 0), &rig.instrument[0]);
	read_instruments("\n" ON_LINE("a", "meter, power", "address = 1\n"), &rig, &m, RC_ARG);
	assert_true(stands(&m, "[instrument a] address: does not go with an output"));
	m = (struct mistakes){ 0 };
	read_instruments("\n" ON_LINE("a", "voltage", "address = 1\n") ON_LINE("b", "current", ""), &rig, &m, RC_ARG);
	assert_true(stands(&m, "[instrument b] address: [instrument a] has the same link"));
	m = (struct mistakes){ 0 };
	read_instruments("\n" ON_LINE("a", "voltage", "address = 2\n") ON_LINE("b", "current", "address = 2\n"), &rig,
			 &m, RC_ARG);
	assert_true(stands(&m, "[instrument b] address: [instrument a] has the same link"));
	m = (struct mistakes){ 0 };
	read_instruments("\n" ON_LINE("a", "voltage", "address = 1\n")
				 ON_LINE("b", "meter", "address = 2\nbaud = 19200\n"),
			 &rig, &m, RC_ARG);
	assert_true(stands(&m, "[instrument b] baud: found 19200, but [instrument a] on the same link has 9600"));
	assert_true(stands(&m, "[instrument a] has the role voltage already"));
}

/* Every key of a template that stands as a comment is taken too, one at a time. */
static void commented_keys_of_templates_read_without_mistakes(void **state)
{
	int tried = 0;

	(void)state;
	for (int which = PROFILE_RIG; which <= PROFILE_PLAN; which++) {
		char *text = profile_template((enum profile_file)which, true),
		     *named = strstr(text, "\n#[instrument NAME]");
		/* sections of their own: their keys go only with their heads */
		char *after = named ? strstr(named, "\n#[virtual]") : NULL;
		for (char *at = text; (at = strstr(at, "\n#")); at++) {
			if (named && at > named && at < after)
				continue;
			if (at[2] == ' ' || at[2] == '[' || strncmp(at, "\n#control", 9) == 0 ||
			    strncmp(at, "\n#current = 0,", 14) == 0 || strncmp(at, "\n#current = 8 A", 15) == 0)
				continue; /* words; and keys that only go with another choice */
			at[1] = ' ';
			struct mistakes m = { 0 };
			if (parse((enum profile_file)which, text, &m, NULL) != RC_OK)
				fail_msg("%.40s: %s", at, m.line[0]);
			at[1] = '#';
			tried++;
		}
		free(text);
	}
	assert_true(tried > 25);
}

static void files_that_are_none(void **state)
{
	struct rig_profile rig;
	struct err err = { 0 };
	char *text = NULL;

	(void)state;
	assert_int_equal(profile_read_rig("/nowhere/rig.ini", &rig, &text, NULL, &err), RC_ARG);
	assert_string_equal(err.what, "there is no file /nowhere/rig.ini");
	assert_int_equal(profile_read_rig("/dev/zero", &rig, &text, NULL, &err), RC_ARG);
	assert_string_equal(err.what, "/dev/zero is not a plain file");
	assert_int_equal(profile_read_rig("/", &rig, &text, NULL, &err), RC_ARG);
	assert_null(text);
}

static void the_example_reads_without_mistakes(void **state)
{
	static const char dir[] = SOURCE_ROOT "/docs/examples/heron-lock/";
	struct rig_profile rig;
	struct actuator_profile actuator;
	struct plan_profile plan;
	struct weights_profile weights;
	char path[500], *text = NULL;
	struct err err = { 0 };

	(void)state;
	snprintf(path, sizeof path, "%srig.ini", dir);
	if (profile_read_rig(path, &rig, &text, NULL, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_non_null(strstr(text, "Heron Lock bench"));
	assert_true(rig.is_virtual);
	free(text);
	snprintf(path, sizeof path, "%sactuators/paddle-winder.ini", dir);
	if (profile_read_actuator(path, &actuator, NULL, NULL, &err) != RC_OK)
		fail_msg("%s", err.what);
	snprintf(path, sizeof path, "%sweights.ini", dir);
	if (profile_read_weights(path, &weights, NULL, NULL, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_true(profile_piece(&weights, rig.check_piece) >= 0);
	for (int i = 0; i < 2; i++) {
		snprintf(path, sizeof path, "%splans/%s.ini", dir, i ? "gentle" : "lock-sweep");
		if (profile_read_plan(path, &plan, NULL, NULL, &err) != RC_OK)
			fail_msg("%s", err.what);
		assert_string_equal(plan.actuator, "paddle-winder");
		assert_true(plan.step[plan.n - 1] <= actuator.limit_torque_Nm);
	}
}

static int drop_units(void **state)
{
	(void)state;
	quantity_cleanup();
	return 0;
}

/* 20 N·m at 80 rpm, 40 N·m, 165 W at 90 rpm: 20.4, 40.8 and 1.02 x 165 x 30/(90 pi) = 17.857 N·m join the steps in
 * order; the peak is left out where a limit of 40 N·m forbids it, and a step that is there already is not put in twice.
 */
static void a_plan_serves_its_claims(void **state)
{
	struct plan_profile plan = { .serve_claims = true,
				     .load = LOAD_TORQUE,
				     .drive = PLAN_SPEED,
				     .n_speeds = 1,
				     .speed_rpm = { 90 },
				     .n = 4,
				     .step = { 0, 10, 20, 30 } };
	const struct rig_profile rig = { .cell_full_scale_Nm = 60, .limit_torque_Nm = 52, .coupling_Nm = 60 };
	struct actuator_profile a = { .limit_torque_Nm = 45,
				      .rated_torque_Nm = { true, 20, 80 },
				      .peak_torque_Nm = { true, 40, NAN },
				      .rated_power_W = { true, 165, NAN } };
	static const double expect[] = { 0, 10, 17.857, 20, 20.4, 30, 40.8 };
	(void)state;

	struct plan_profile same = plan;
	plan_serve_claims(&plan, &a, &rig);
	assert_int_equal(plan.n, 7);
	for (size_t i = 0; i < 7; i++)
		assert_true(fabs(plan.step[i] - expect[i]) < 1e-3);
	assert_true(plan.for_claim[2] && plan.for_claim[4] && plan.for_claim[6] && !plan.for_claim[3]);
	size_t n = plan.n;
	plan_serve_claims(&plan, &a, &rig);
	assert_int_equal(plan.n, n);
	a.limit_torque_Nm = 40;
	same.drive = PLAN_DRIVE_CURRENT;
	plan_serve_claims(&same, &a, &rig);
	assert_int_equal(same.n, 5);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_plan_serves_its_claims),
		cmocka_unit_test(reads_a_rig),
		cmocka_unit_test(fills_the_defaults),
		cmocka_unit_test(reads_weights),
		cmocka_unit_test(every_class_of_weights_is_read),
		cmocka_unit_test(gravity_by_place_or_by_value),
		cmocka_unit_test(reads_steps_in_every_form),
		cmocka_unit_test(says_each_mistake_in_one_sentence),
		cmocka_unit_test(all_mistakes_at_once_and_nothing_written),
		cmocka_unit_test(more_mistakes_than_room_are_counted),
		cmocka_unit_test(takes_what_editors_leave),
		cmocka_unit_test(a_hash_inside_a_name_stays),
		cmocka_unit_test(a_line_too_long_is_a_mistake),
		cmocka_unit_test(templates_read_without_mistakes),
		cmocka_unit_test(what_is_the_owners_starts_empty),
		cmocka_unit_test(commented_keys_of_templates_read_without_mistakes),
		cmocka_unit_test(instruments_are_read),
		cmocka_unit_test(instruments_that_cannot_be),
		cmocka_unit_test(instruments_on_one_line),
		cmocka_unit_test(files_that_are_none),
		cmocka_unit_test(the_example_reads_without_mistakes),
	};

	return cmocka_run_group_tests(tests, NULL, drop_units);
}
