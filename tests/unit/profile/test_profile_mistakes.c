/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a profile is refused for, each in its sentence, and what is none. */
#include "profile/profile.h"
#include "profile/textfile.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#include "profile_scene.h"

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
	{ PROFILE_PLAN, "speed = 85 rpm\n[steps]\ntorque = 0, 5, 10 N.m\n",
	  "drive = current\ncurrent = 8 A\n[steps]\ntorque = none\n",
	  "p.ini:6: [steps] torque: found \"none\", expected rising steps such as \"0, 5, 10 N.m\" or \"from 0 to 40 "
	  "step 5 N.m\"; expected a number" },
	{ PROFILE_RIG, "latitude = 45 deg ± 0.1 deg\nheight = 100 m ± 30 m\n", "gravity = heavy\n",
	  "rig.ini:3: [rig] gravity: found \"heavy\", expected an acceleration with its uncertainty such as "
	  "9.8125 m/s2 ± 0.0002 m/s2; no number in \"heavy\"" },
	{ PROFILE_RIG, "= shaft", "= b\xE4nk",
	  "rig.ini:9: found the byte 0xE4, expected UTF-8 text; save the file as UTF-8" },
	{ PROFILE_RIG, "= shaft", "= shaft\nmounting = b\xE4nk",
	  "rig.ini:10: found the byte 0xE4, expected UTF-8 text; save the file as UTF-8" },
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
	{ PROFILE_WEIGHTS, "nominal = 2 kg", "nominal = heavy",
	  "w.ini:4: [2kg-a] nominal: found \"heavy\", expected a mass such as 2 kg; no number in \"heavy\"" },
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
		{ "name = bench two", "name = bench two #\tnote" },
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
	text = replaced(rig_text, "bench two", "bench# two");
	assert_int_equal(profile_parse_rig(text, "rig.ini", &rig, NULL, NULL), RC_OK);
	assert_string_equal(rig.name, "bench# two");
	free(text);
}

/* More than a sentence holds ends in dots, behind a whole character. */
static void what_does_not_fit_is_marked(void **state)
{
	char name[110], whole[400],
		*text = replaced(rig_text, "500.0 mm ± 0.4 mm k=2",
				 "half of 1 m, ±2 mm or ±3 mm by the one who built it in May");
	struct mistakes m = { 0 };
	struct rig_profile rig;
	size_t cut = 0;

	(void)state;
	assert_int_equal(parse(PROFILE_RIG, text, &m, NULL), RC_ARG);
	assert_null(strstr(m.line[0], "..."));
	memset(name, 'a', sizeof name);
	for (size_t n = 8; n < 100; n++) {
		struct mistakes longer = { 0 };

		snprintf(name + n - 8, 9, "/rig.ini");
		snprintf(whole, sizeof whole, "%s%.250s", name, m.line[0] + strlen("rig.ini"));
		assert_int_equal(profile_parse_rig(text, name, &rig, &longer, NULL), RC_ARG);
		const char *told = longer.line[0], *dots = strstr(told, "...");
		if (dots ? strncmp(told, whole, (size_t)(dots - told)) != 0 || dots[3] : strcmp(told, whole) != 0)
			fail_msg("%zu: %s", n, told);
		if (dots && (dots > told + sizeof longer.line[0] - 4 || dots < told + sizeof longer.line[0] - 6))
			fail_msg("%zu: cut at %zu", n, (size_t)(dots - told));
		cut += dots != NULL;
		name[n - 8] = 'a';
		memset(name, 'a', n);
	}
	if (cut < 10)
		fail_msg("%zu of %zu", cut, strlen(m.line[0]));
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

/* By a part of the sentence; other sentences may stand beside it. */
static void lists_claims_and_orders_that_cannot_be(void **state)
{
	static const struct {
		enum profile_file which;
		const char *from, *to, *words;
	} rows[] = {
		{ PROFILE_PLAN, "0, 5, 10 N.m", "from 0 to 10 step N.m", "a number after from, to and step" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "from 0 to 10 step 5 N.m, 3", "something follows the step" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "0, 5, 10 N.m,", "a number is missing after the last comma" },
		{ PROFILE_PLAN, "85 rpm", "20, 40, 40 rpm", "a speed is there twice" },
		{ PROFILE_PLAN, "85 rpm", "0, 40 rpm", "0 does not go with other speeds" },
		{ PROFILE_PLAN, "85 rpm", "from 1 to 21 step 1 rpm", "too many speeds" },
		{ PROFILE_PLAN, "85 rpm", "85 rpm\ncurrent = 3 A", "current: goes only with drive = current" },
		{ PROFILE_PLAN, "10 N.m", "10 N.m\nfind_limit = yes\norder = shuffled",
		  "find_limit: found yes; expected it only with drive = speed and order = rising" },
		{ PROFILE_PLAN, "85 rpm\n[steps]\ntorque = 0, 5, 10 N.m",
		  "from 10 to 29 step 1 rpm\n[steps]\ntorque = from 0 to 10 step 1 N.m",
		  "found 20 speeds for 11 loads, expected at most 200 steps in all" },
		{ PROFILE_PLAN, "[steps]", "[steady]\ndwell = until 20 %\n[steps]", "dwell: found \"until 20 %\"" },
		{ PROFILE_ACTUATOR, "[claims]", "[claims]\nno_load_speed = 100 rpm @ 80 rpm",
		  "a claim of the speed without load has no speed after @" },
		{ PROFILE_RIG, "[cell]", "clock = 1 ± 50 ppm\n[cell]",
		  "clock: found \"1 ± 50 ppm\", expected an uncertainty" },
		{ PROFILE_RIG, "[cell]", "clock = 50 apples\n[cell]",
		  "clock: found \"50 apples\", expected an uncertainty" },
		{ PROFILE_RIG, "[pickup]", "[pickup]\nsign = up", "sign: found \"up\", expected + or -" },
		{ PROFILE_RIG, "run/t\n", "run/t\nbaud = fast\n", "baud: found \"fast\"" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "from 0 to 10 step 5 kg", "the unit does not fit" },
		{ PROFILE_PLAN, "winder", ".winder", "actuator: found \".winder\"" },
		{ PROFILE_RIG, "pulses = 2400", "pulses = many", "pulses: found \"many\"" },
		{ PROFILE_PLAN, "[steps]", "[steady]\ndwell = soon\n[steps]",
		  "dwell: found \"soon\", expected a time such as" },
		{ PROFILE_WEIGHTS, "[2kg-a]", "[all]", "expected a name of letters" },
		{ PROFILE_RIG, "[limits]", "[guard]\nsilent = 0.02 s\n[limits]",
		  "silent: found 0.02 s, expected at least three ticks (0.03 s at this rate)" },
		{ PROFILE_PLAN, "torque = 0, 5, 10 N.m", "down = no", "torque: is missing; expected steps such as" },
		{ PROFILE_PLAN, "85 rpm\n[steps]\ntorque = 0, 5, 10 N.m",
		  "85 rpm\nload = current\n[steps]\ntorque = 0, 5 N.m",
		  "current: is missing; expected steps such as \"0, 5, 10 A\"" },
		{ PROFILE_PLAN, "85 rpm\n[steps]\ntorque = 0, 5, 10 N.m",
		  "85 rpm\nload = current\n[steps]\ncurrent = 0, 1 A\ntorque = 0, 5 N.m",
		  "torque: does not go with [plan] load = current; give current" },
		{ PROFILE_PLAN, "speed = 85 rpm\n[steps]\ntorque = 0, 5, 10 N.m\n",
		  "drive = current\ncurrent = 8 A\n[steps]\ntorque = 5, 10 N.m\nfind_limit = yes\n",
		  "find_limit: found yes; expected it only with drive = speed" },
		{ PROFILE_PLAN, "speed = 85 rpm\n[steps]\ntorque = 0, 5, 10 N.m\n",
		  "drive = hand\n[steps]\ntorque = 5, 10 N.m\n[endurance]\ncycles = 3\n",
		  "cycles: goes only with drive = speed and load = torque" },
		{ PROFILE_PLAN, "speed = 85 rpm\n[steps]\ntorque = 0, 5, 10 N.m\n",
		  "speed = 85 rpm\nload = current\n[steps]\ncurrent = 0, 1 A\n[endurance]\ncycles = 3\n",
		  "cycles: goes only with drive = speed and load = torque" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "from 5 to 5 step 1 N.m", "an end above the start" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "from 0 till 5 step 1 N.m", "expected from ... to ... step" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "from 0 to 500 step 1 N.m", "too many steps" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "0, x N.m", "expected a number" },
		{ PROFILE_PLAN, "0, 5, 10 N.m",
		  "0, 5 newton metres written at such a length that no unit could ever need so much",
		  "the unit is too long" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "", "torque: is empty" },
		{ PROFILE_PLAN, "85 rpm", "fast", "speed: found \"fast\"" },
		{ PROFILE_PLAN, "winder", "win der", "actuator: found \"win der\"" },
		{ PROFILE_PLAN, "winder",
		  "a-winder-of-a-lock-whose-name-is-longer-than-any-actuator-of-this-bench-will-have",
		  "actuator: found \"a-winder-of-a-lock" },
		{ PROFILE_ACTUATOR, "@ 80 rpm", "@ -80 rpm", "after @ stands a speed such as 80 rpm" },
		{ PROFILE_ACTUATOR, "@ 80 rpm", "@ 80 rpm ± 1 rpm", "after @ stands a speed such as 80 rpm" },
		{ PROFILE_RIG, "[cell]", "clock = -1 ± 50 ppm\n[cell]",
		  "clock: found \"-1 ± 50 ppm\", expected an uncertainty" },
		{ PROFILE_RIG, "[cell]", "clock = ± 200 %\n[cell]", "clock: found \"± 200 %\"" },
		{ PROFILE_RIG, "[cell]", "[]\n[cell]", "expected a section such as [rig]" },
		{ PROFILE_RIG, "[cell]", "[cell\n[cell]", "expected a section such as [rig]" },
		{ PROFILE_RIG, "[cell]", "[cell] and more\n[cell]", "expected a section such as [rig]" },
		{ PROFILE_RIG, "[cell]",
		  "[a-section-whose-name-is-longer-than-any-name-that-a-piece-or-an-instrument-could-have]\n[cell]",
		  "section" },
		{ PROFILE_RIG, "[cell]", "= 5\n[cell]", "expected \"key = value\"" },
		{ PROFILE_RIG, "[cell]", "some: thing = 5\n[cell]", "expected \"key = value\"" },
		{ PROFILE_RIG, "mounting = shaft", "mounting: shaft = x", "expected \"key = value\"" },
		{ PROFILE_WEIGHTS, "class = M1", "class = M1\nmass = 2 kg ± 0.5 g", "2kg-a" },
		{ PROFILE_WEIGHTS, "class = M1", "mass = 2 kg ± 0.5 g", "[2kg-a]: expected either mass" },
		{ PROFILE_WEIGHTS, "nominal = 2 kg", "mass = 2 kg ± 0.5 g", "[2kg-a]: expected either mass" },
		{ PROFILE_WEIGHTS, "nominal = 2 kg", "", "[2kg-a]: expected either mass" },
		{ PROFILE_WEIGHTS, "[2kg-a]", "[ ]", "expected a name of letters" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "0, 5 .5 N.m", "put commas between the steps" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "0, 5 +6 N.m", "put commas between the steps" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "0, 5 -N.m", "the unit does not fit" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "0, 5 +N.m", "the unit does not fit" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "0, 5 .N.m", "the unit does not fit" },
		{ PROFILE_RIG, "[cell]", "clock = 50 ppm\n[cell]", "clock: found \"50 ppm\", expected an uncertainty" },
		{ PROFILE_RIG, "[cell]", "clock = 0 ppm\n[cell]", "clock: found \"0 ppm\", expected an uncertainty" },
		{ PROFILE_RIG, "unix:run/t", "unix:", "link: found \"unix:\", expected serial:DEVICE" },
		{ PROFILE_RIG, "[rig]", "[zoo]\n[rig]", "[zoo]: no such section; there are [rig], [tether], [" },
		{ PROFILE_RIG, "[rig]", "[zoo]\n[rig]", "[limits], [guard], [..." },
		{ PROFILE_PLAN, "[steps]", "[zoo]\n[steps]", "[zoo]: no such section; there are [plan], " },
		{ PROFILE_RIG, "[rig]", "caf\xE9\n[rig]", "rig.ini:1: found the byte 0xE9" },
		{ PROFILE_RIG, "[rig]", "[zoo]\nname = caf\xE9\n[rig]", "rig.ini:2: found the byte 0xE9" },
		{ PROFILE_WEIGHTS, "[2kg-a]\nnominal", "[two]\nnominal = 2 kg\n[2kg-a]\nnominal", "two" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		char *text = replaced(base_text(rows[i].which), rows[i].from, rows[i].to);
		struct mistakes m = { 0 };

		if (parse(rows[i].which, text, &m, NULL) != RC_ARG || !stands(&m, rows[i].words))
			fail_msg("row %zu: %zu mistakes, first \"%s\"", i, m.n, m.n ? m.line[0] : "");
		free(text);
	}
}

/* What looks odd and is none. */
static void what_is_taken(void **state)
{
	static const struct {
		enum profile_file which;
		const char *from, *to;
	} rows[] = {
		{ PROFILE_RIG, "[cell]", "[cell] ; the first one" },
		{ PROFILE_RIG, "[cell]", "#\n[cell] " },
		{ PROFILE_RIG, "name = bench two", "name = bench two #" },
		{ PROFILE_RIG, "name = bench two", "name = bench two\t# by the door" },
		{ PROFILE_RIG, "[cell]", "clock = ± 50 ppm\n[cell]" },
		{ PROFILE_RIG, "pulses = 2400", "pulses = 2400\nsign = -" },
		{ PROFILE_RIG, "pulses = 2400", "pulses = 2400\nsign = +" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "0.5, +5, .8e1 N.m" },
		{ PROFILE_PLAN, "0, 5, 10 N.m", "from 0 N.m to 10 N.m step 5 N.m " },
		{ PROFILE_PLAN, "speed = 85 rpm\n[steps]\ntorque = 0,",
		  "drive = current\ncurrent = 8 A\n[steps]\ntorque = 1," },
		{ PROFILE_PLAN, "speed = 85 rpm\n[steps]\ntorque = 0, 5, 10 N.m",
		  "load = current\nspeed = 85 rpm\n[steps]\ncurrent = 0, 0.5 A" },
		{ PROFILE_ACTUATOR, "@ 80 rpm", "@ 0 rpm" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		char *text = replaced(base_text(rows[i].which), rows[i].from, rows[i].to);
		struct mistakes m = { 0 };

		if (parse(rows[i].which, text, &m, NULL) != RC_OK)
			fail_msg("row %zu: %zu mistakes, first \"%s\"", i, m.n, m.n ? m.line[0] : "");
		free(text);
	}
}

/* Without a list the first mistake is told all the same. */
static void nobody_keeps_the_list(void **state)
{
	char *text = replaced(rig_text, "= shaft", "= wheel");
	struct err err = { 0 };

	(void)state;
	assert_int_equal(parse(PROFILE_RIG, text, NULL, &err), RC_ARG);
	assert_string_equal(err.what, "rig.ini:9: [cell] mounting: found \"wheel\", expected cradle or shaft");
	free(text);
}

static void one_piece_too_many_or_none(void **state)
{
	char text[4000];
	size_t n = (size_t)snprintf(text, sizeof text, "%s", weights_text);
	struct mistakes m = { 0 };

	(void)state;
	for (int i = 0; i <= PROFILE_PIECES; i++)
		n += (size_t)snprintf(text + n, sizeof text - n, "[w%d]\nnominal = 2 kg\nclass = M1\n", i);
	assert_int_equal(parse(PROFILE_WEIGHTS, text, &m, NULL), RC_ARG);
	assert_true(stands(&m, "is one piece too many; at most 40"));
	m = (struct mistakes){ 0 };
	struct weights_profile none;
	assert_int_equal(profile_parse_weights("# later\n", "./w.ini", &none, &m, NULL), RC_ARG);
	assert_true(stands(&m, "w.ini: holds no piece; expected a section for each"));
	assert_false(stands(&m, "./w.ini"));
}

static void write_file(const char *path, const char *bytes, size_t n)
{
	FILE *f = fopen(path, "w");

	assert_non_null(f);
	assert_int_equal(fwrite(bytes, 1, n, f), n);
	assert_int_equal(fclose(f), 0);
}

/* Too long, no text, a link to itself: refused in a sentence, and in the list of mistakes too. */
static void files_that_no_person_wrote(void **state)
{
	char folder[] = "/tmp/bridle-profile-XXXXXX", path[60], *text = NULL;
	char *long_text = malloc(TEXTFILE_MAX + 1);
	static const char *const words[] = { "has more than 262144 bytes", "is not UTF-8 text (byte 4 is 0)",
					     "is a symbolic link that leads in a circle" };
	struct rig_profile rig;

	(void)state;
	assert_non_null(long_text);
	memset(long_text, ' ', TEXTFILE_MAX + 1);
	assert_non_null(mkdtemp(folder));
	snprintf(path, sizeof path, "%s/rig.ini", folder);
	for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
		struct mistakes m = { 0 };
		struct err err = { 0 };

		if (i == 0)
			write_file(path, long_text, TEXTFILE_MAX + 1);
		else if (i == 1)
			write_file(path, "[ri\0g]\n", 7);
		else
			assert_int_equal(symlink(path, path), 0);
		assert_int_equal(profile_read_rig(path, &rig, &text, &m, &err), RC_ARG);
		if (!strstr(err.what, words[i]) || !stands(&m, words[i]))
			fail_msg("%zu: %s", i, err.what);
		assert_int_equal(unlink(path), 0);
	}
	write_file(path, long_text, TEXTFILE_MAX); /* the longest that is read; nothing is in it */
	struct mistakes m = { 0 };
	assert_int_equal(profile_read_rig(path, &rig, &text, &m, NULL), RC_ARG);
	assert_true(m.n > 0 && !stands(&m, words[0]));
	unlink(path);
	rmdir(folder);
	free(long_text);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(says_each_mistake_in_one_sentence),
		cmocka_unit_test(all_mistakes_at_once_and_nothing_written),
		cmocka_unit_test(more_mistakes_than_room_are_counted),
		cmocka_unit_test(takes_what_editors_leave),
		cmocka_unit_test(a_hash_inside_a_name_stays),
		cmocka_unit_test(a_line_too_long_is_a_mistake),
		cmocka_unit_test(what_does_not_fit_is_marked),
		cmocka_unit_test(files_that_are_none),
		cmocka_unit_test(lists_claims_and_orders_that_cannot_be),
		cmocka_unit_test(files_that_no_person_wrote),
		cmocka_unit_test(one_piece_too_many_or_none),
		cmocka_unit_test(what_is_taken),
		cmocka_unit_test(nobody_keeps_the_list),
	};

	return cmocka_run_group_tests(tests, NULL, drop_units);
}
