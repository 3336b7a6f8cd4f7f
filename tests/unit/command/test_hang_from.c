/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang_from.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "near.h"
#include "scratch_file.h"

static const struct hang_place arm = {
	.arm_m = { .value = 0.25, .dof = INFINITY },
	.gravity_m_per_s2 = { .value = 9.81, .dof = INFINITY },
	.air_kg_per_m3 = { .value = 1.2, .dof = INFINITY },
	.level_deg = { .dof = INFINITY },
	.one_sided = { .dof = INFINITY },
};

static enum rc read_table(const char *text, const struct hang_place *place, struct hang_table *ret, struct mistakes *m,
			  struct err *err)
{
	char path[40];

	scratch_file(path, text);
	*m = (struct mistakes){ 0 };
	*err = (struct err){ 0 };
	*ret = (struct hang_table){ 0 };
	enum rc rc = hang_table_read(path, place, ret, m, err);
	unlink(path);
	return rc;
}

static void torques_with_series_mounting_and_direction(void **state)
{
	struct hang_table t;
	struct mistakes m;
	struct err err;

	(void)state;
	assert_int_equal(read_table("series,mounting,direction,torque (N.m),u_torque (N.m),indication (mV/V)\n"
				    "1,1,up,0,0,0.001\n2,3,Falling,12.5,0.02,1.25\n",
				    NULL, &t, &m, &err),
			 RC_OK);
	assert_int_equal(t.n, 2);
	assert_string_equal(t.unit, "mV/V");
	assert_true(isnan(t.Nm_per_kg));
	assert_int_equal(t.reading[0].direction, CELLCAL_UP);
	assert_int_equal(t.reading[1].direction, CELLCAL_DOWN);
	assert_int_equal(t.reading[1].series, 2);
	assert_int_equal(t.reading[1].position, 3);
	assert_near(t.reading[1].load.torque_Nm, 12.5, 0);
	assert_near(t.reading[1].load.shift_Nm[0], 0.02, 0);
	assert_near(t.reading[1].indication, 1.25, 0);
	assert_int_equal(t.n_sources, 1);
	assert_string_equal(t.source[0].name, "reference torque");
	hang_table_free(&t);
}

static void masses_hang_on_the_arm(void **state)
{
	struct hang_table t;
	struct mistakes m;
	struct err err;

	(void)state;
	assert_int_equal(read_table("mass (kg),indication\n0,10\n2,500\n", &arm, &t, &m, &err), RC_OK);
	assert_near(t.reading[0].load.torque_Nm, 0, 0);
	assert_near(t.reading[1].load.torque_Nm, 2 * 9.81 * (1 - 1.2 / 8000) * 0.25, 1e-9); /* OIML D 28:2004, 5 */
	assert_near(t.Nm_per_kg, t.reading[1].load.torque_Nm / 2, 1e-12);
	assert_int_equal(t.reading[1].series, 1); /* not told: one series, one mounting, rising */
	assert_int_equal(t.reading[1].position, 1);
	assert_int_equal(t.reading[1].direction, CELLCAL_UP);
	hang_table_free(&t);
}

static void each_wrong_table_has_its_sentence(void **state)
{
	static const struct {
		const char *text, *says;
		const struct hang_place *place;
	} cases[] = {
		{ "indication\n1\n", "no column \"torque (N.m)\" and no column \"mass (kg)\"; expected one of them",
		  NULL },
		{ "torque (N.m),mass (kg),indication\n1,1,1\n", "both a torque and a mass column", &arm },
		{ "mass (kg),indication\n1,1\n", "masses need an arm and gravity: give --arm and --gravity", NULL },
		{ "mass (kg),indication\n-1,1\n", ":2: mass: found \"-1\", expected a mass of 0 kg or more", &arm },
		{ "torque (N.m)\n1\n", "no column \"indication\"", NULL },
		{ "torque (N.m),indication,colour\n1,1,red\n", "column \"colour\" is not known; expected series",
		  NULL },
		{ "mass (kg),u_torque (N.m),indication\n1,0.1,1\n", "goes with a column \"torque (N.m)\"", &arm },
		{ "torque (N.m),u_torque (N.m),indication\n1,-0.1,1\n",
		  ":2: u_torque: found \"-0.1\", expected a standard uncertainty of 0 N.m or more", NULL },
		{ "torque (N.m),indication,direction\n1,1,up\n2,2,sideways\n",
		  ":3: direction: found \"sideways\", expected up or down", NULL },
		{ "torque (N.m),indication,series\n1,1,1.5\n",
		  ":2: series: found \"1.5\", expected a whole number from 1 to", NULL },
		{ "torque (N.m),indication,mounting\n1,1,0\n", ":2: mounting: found \"0\", expected a whole number",
		  NULL },
	};
	struct hang_table t;
	struct mistakes m;
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		assert_int_equal(read_table(cases[i].text, cases[i].place, &t, &m, &err), RC_ARG);
		if (!strstr(err.what, cases[i].says))
			fail_msg("found \"%s\", expected \"%s\"", err.what, cases[i].says);
		assert_null(t.reading);
	}
}

static void all_mistakes_of_a_table_are_told_at_once(void **state)
{
	struct hang_table t;
	struct mistakes m;
	struct err err;

	(void)state;
	assert_int_equal(
		read_table("torque (N.m),indication,series,direction,colour\n1,x,0,up,red\n2,2,1,sideways,red\n", NULL,
			   &t, &m, &err),
		RC_ARG);
	assert_int_equal(m.n, 4);
	assert_non_null(strstr(err.what, "4 mistakes"));
	assert_non_null(strstr(m.line[0], "colour"));
	assert_non_null(strstr(m.line[1], "indication"));
	assert_non_null(strstr(m.line[2], "series"));
	assert_non_null(strstr(m.line[3], "direction"));
}

static void more_mistakes_than_fit_are_counted(void **state)
{
	char text[2000] = "torque (N.m),indication,direction\n";
	struct hang_table t;
	struct mistakes m;
	struct err err;

	(void)state;
	for (int i = 0; i < 40; i++)
		strcat(text, "1,1,sideways\n");
	assert_int_equal(read_table(text, NULL, &t, &m, &err), RC_ARG);
	assert_int_equal(m.n, 32);
	assert_int_equal(m.more, 8);
	assert_non_null(strstr(err.what, "40 mistakes"));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(torques_with_series_mounting_and_direction),
		cmocka_unit_test(masses_hang_on_the_arm),
		cmocka_unit_test(each_wrong_table_has_its_sentence),
		cmocka_unit_test(all_mistakes_of_a_table_are_told_at_once),
		cmocka_unit_test(more_mistakes_than_fit_are_counted),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
