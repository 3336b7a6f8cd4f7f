/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/claimed_csv.h"
#include "profile/profile.h"

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

static void put(const char *path, const char *text)
{
	FILE *f = fopen(path, "w");

	assert_non_null(f);
	assert_true(fputs(text, f) >= 0);
	assert_int_equal(fclose(f), 0);
}

static enum rc read_text(const char *text, struct claimed_curve *ret, struct mistakes *m, struct err *err)
{
	char path[] = "/tmp/bridle-sheet-XXXXXX";
	int fd = mkstemp(path);

	assert_true(fd >= 0);
	close(fd);
	put(path, text);
	enum rc rc = claimed_csv_read(path, ret, m, err);
	unlink(path);
	return rc;
}

static void columns_come_in_any_order_and_unit(void **state)
{
	struct claimed_curve c;
	struct err err = { 0 };

	(void)state;
	if (read_text("# a sheet\nspeed (rad/s),efficiency (%),torque (N.m)\n10,0,0\n9,60,2\n0,0,20\n", &c, NULL,
		      &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_true(c.n == 3 && c.has_efficiency && !c.has_current);
	assert_true(fabs(c.speed_rpm[0] - 300 / M_PI) < 1e-9 && fabs(c.speed_rpm[2]) < 1e-12);
	assert_true(fabs(c.torque_Nm[1] - 2) < 1e-12 && fabs(c.efficiency[1] - 0.6) < 1e-12);
	assert_int_equal(read_text("torque (N.m),speed (rpm),current (mA)\n0,9,10\n1,8,500\n", &c, NULL, &err), RC_OK);
	assert_true(!c.has_efficiency && c.has_current && fabs(c.current_A[1] - 0.5) < 1e-12);
}

static void what_is_no_curve_is_refused(void **state)
{
	static const struct {
		const char *text, *words;
	} rows[] = {
		{ "torque (N.m),speed (rpm)\n0,9\n1,\n", "\"speed\" is empty" },
		{ "torque (N.m),speed (rpm)\n0,9\n1,nan\n", "\"speed\"" },
		{ "torque (N.m),speed (rpm)\n0,9\n", "1 row, expected the 2 to 64 points" },
		{ "torque (N.m)\n0\n1\n", "no column \"speed\"" },
		{ "speed (rpm)\n0\n1\n", "no column \"torque\"" },
		{ "torque (N.m),speed (rpm)\n0,9\n2,8\n1,7\n", ":4: torque 1 N.m after 2 N.m" },
		{ "torque (N.m),speed (rpm)\n0,9\n0,8\n", ":3: torque 0 N.m after 0 N.m" },
		{ "torque (N.m),speed (rpm)\n-1,9\n2,8\n", ":2: torque is -1 N.m" },
		{ "torque (N.m),speed (rpm)\n0,9\n2,-8\n", ":3: speed is -8 rpm" },
		{ "torque (N.m),speed (rpm),efficiency (%)\n0,9,0\n2,8,120\n",
		  ":3: efficiency is 1.2, expected 0 to 1" },
		{ "torque (N.m),speed (N.m)\n0,9\n2,8\n", "speed" },
		{ "torque,speed (rpm)\n0,9\n2,8\n", "torque" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct claimed_curve c = { .n = 77 };
		struct mistakes m = { 0 };
		struct err err = { 0 };

		if (read_text(rows[i].text, &c, &m, &err) != RC_ARG || c.n != 77)
			fail_msg("row %zu was taken", i);
		const char *said = m.n > 0 ? m.line[0] : err.what;
		if (strstr(said, rows[i].words) == NULL)
			fail_msg("row %zu: \"%s\" does not say \"%s\"", i, said, rows[i].words);
	}
}

/* The table stands beside the actuator's file; the text that a run keeps is read without it. */
static void an_actuator_names_its_sheet(void **state)
{
	static const char ini[] =
		"[actuator]\nname = w\nratio = 3\n[limits]\ntorque = 5 N.m\nspeed = 9 rpm\ncurrent = 1 A\n"
		"case = 80 degC\nwinding = 90 degC\n[drive]\ndropout = 30 V\n[claims]\ncurve = s.csv\n";
	char folder[] = "/tmp/bridle-sheet-XXXXXX", path[64], sheet[64], far[PROFILE_PATH * 2 + 8];
	struct actuator_profile a;
	struct mistakes m = { 0 };
	struct err err = { 0 };

	(void)state;
	assert_non_null(mkdtemp(folder));
	snprintf(path, sizeof path, "%s/a.ini", folder);
	snprintf(sheet, sizeof sheet, "%s/s.csv", folder);
	put(path, ini);
	assert_int_equal(profile_read_actuator(path, &a, NULL, &m, &err), RC_ARG);
	assert_int_equal(m.n, 1);
	assert_non_null(strstr(m.line[0], "[claims] curve: "));
	put(sheet, "torque (N.m),speed (rpm)\n0,fast\n1,8\n");
	m = (struct mistakes){ 0 };
	assert_int_equal(profile_read_actuator(path, &a, NULL, &m, &err), RC_ARG);
	assert_int_equal(m.n, 1); /* the table's own line, and none of the key's beside it */
	assert_non_null(strstr(m.line[0], "s.csv:2: \"speed\": no number in \"fast\""));
	assert_int_equal(profile_read_actuator(path, &a, NULL, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, "no number in \"fast\""));
	put(sheet, "torque (N.m),speed (rpm)\n0,9\n1,8\n");
	if (profile_read_actuator(path, &a, NULL, NULL, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_int_equal(a.claimed.n, 2);
	assert_int_equal(profile_parse_actuator(ini, "kept", &a, NULL, &err), RC_OK);
	assert_int_equal(a.claimed.n, 0);
	assert_int_equal(chdir(folder), 0); /* a name without a folder: the sheet is here too */
	assert_int_equal(profile_read_actuator("a.ini", &a, NULL, NULL, &err), RC_OK);
	assert_int_equal(a.claimed.n, 2);
	for (size_t i = 0; i < PROFILE_PATH; i++)
		memcpy(far + 2 * i, "./", 2);
	strcpy(far + (size_t)PROFILE_PATH * 2, "a.ini");
	assert_int_equal(profile_read_actuator(far, &a, NULL, NULL, &err), RC_ARG);
	assert_non_null(strstr(err.what, ": the path of its curve is too long"));
	unlink(path);
	unlink(sheet);
	rmdir(folder);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(columns_come_in_any_order_and_unit),
		cmocka_unit_test(what_is_no_curve_is_refused),
		cmocka_unit_test(an_actuator_names_its_sheet),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
