/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang_loads.h"

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

#define IN_AIR (1 - 1.2 / 8000) /* of a conventional mass in air of 1.2 kg/m3: OIML D 28:2004, 5 */

static struct hang_place place(void)
{
	return (struct hang_place){
		.arm_m = { .value = 0.25, .u = 1e-4, .dof = INFINITY, .has_u = true },
		.gravity_m_per_s2 = { .value = 9.81, .dof = INFINITY },
		.air_kg_per_m3 = { .value = 1.2, .dof = INFINITY },
		.level_deg = { .dof = INFINITY },
		.one_sided = { .dof = INFINITY },
	};
}

static void add(struct weights_profile *w, const char *name, double kg, double u_kg)
{
	struct weight_piece *p = &w->piece[w->n++];

	snprintf(p->name, sizeof p->name, "%s", name);
	p->mass_kg = (struct quantity){ .value = kg, .u = u_kg, .dof = INFINITY, .has_u = true };
	p->density_kg_per_m3 = 7900;
}

/* Four pieces after a hanger that stands third in the file. */
static struct weights_profile five(void)
{
	struct weights_profile w = { .hanger = 2 };

	add(&w, "a", 1, 1e-5);
	add(&w, "b", 2, 2e-5);
	add(&w, "hanger", 0.5, 5e-6);
	add(&w, "c", 4, 4e-5);
	add(&w, "d", 8, 8e-5);
	return w;
}

static void a_load_for_each_piece_with_the_hanger_below_all(void **state)
{
	static const double kg[] = { 0, 1.5, 3.5, 7.5, 15.5 };
	const struct hang_place at = place();
	const struct weights_profile w = five();
	struct hang_loads loads;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(hang_loads_make(&at, &w, 0, &loads, &err), RC_OK);
	assert_int_equal(loads.n, 4);
	assert_int_equal(loads.order[0], 2);
	assert_int_equal(loads.upto[0], 0);
	for (size_t k = 0; k <= 4; k++) {
		assert_near(loads.mass_kg[k], kg[k], 1e-12);
		assert_near(loads.load[k].torque_Nm, kg[k] * 9.81 * IN_AIR * 0.25, 1e-9);
	}
}

static void fewer_steps_end_with_every_piece(void **state)
{
	const struct hang_place at = place();
	const struct weights_profile w = five();
	struct hang_loads loads;
	struct err err = { 0 };

	(void)state;
	for (size_t steps = 1; steps <= 4; steps++) {
		assert_int_equal(hang_loads_make(&at, &w, steps, &loads, &err), RC_OK);
		assert_int_equal(loads.n, steps);
		assert_int_equal(loads.upto[steps], 5);
		for (size_t k = 1; k <= steps; k++)
			assert_true(loads.upto[k] > loads.upto[k - 1]);
		assert_near(loads.mass_kg[steps], 15.5, 1e-12);
	}
}

/* JCGM 100:2008, 5.1.2: arm and masses are independent factors of each load. */
static void u_of_a_load_is_that_of_arm_and_masses(void **state)
{
	const struct hang_place at = place();
	const struct weights_profile w = five();
	struct hang_loads loads;
	struct err err = { 0 };
	double per_kg = 9.81 * IN_AIR * 0.25, masses = sqrt(1 + 4 + 0.25 + 16 + 64) * 1e-5;

	(void)state;
	assert_int_equal(hang_loads_make(&at, &w, 0, &loads, &err), RC_OK);
	assert_near(loads.u_Nm[0], 0, 0);
	assert_near(loads.u_Nm[4], hypot(15.5 * per_kg * 1e-4 / 0.25, per_kg * masses), 1e-6);
	assert_string_equal(loads.source[0].name, "calibration arm");
}

/* With more sources than there is room for, the small ones go together and none is lost. */
static void no_source_is_lost_where_there_are_many(void **state)
{
	const struct hang_place at = place();
	struct weights_profile w = { .hanger = -1 };
	struct hang_loads loads;
	struct err err = { 0 };
	double sum = 0, per_kg = 9.81 * IN_AIR * 0.25;
	char name[16];

	(void)state;
	for (size_t i = 0; i < PROFILE_PIECES; i++) {
		snprintf(name, sizeof name, "p%zu", i);
		add(&w, name, 0.5, 1e-5 * (double)(i + 1));
		sum += 1e-10 * (double)((i + 1) * (i + 1));
	}
	assert_true(PROFILE_PIECES + 1 > CELLCAL_SOURCES);
	assert_int_equal(hang_loads_make(&at, &w, 4, &loads, &err), RC_OK);
	assert_int_equal(loads.n_sources, CELLCAL_SOURCES);
	assert_string_equal(loads.source[CELLCAL_SOURCES - 1].name, "further small sources");
	assert_near(loads.u_Nm[4], hypot(0.5 * PROFILE_PIECES * per_kg * 1e-4 / 0.25, per_kg * sqrt(sum)), 1e-6);
}

static void masses_by_hand_have_the_torque_of_the_place(void **state)
{
	static const double kg[] = { 0, 2.5, 10 };
	const struct hang_place at = place();
	struct cellcal_load load[3];
	struct cellcal_source source[CELLCAL_SOURCES];
	size_t n;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(hang_masses_make(&at, kg, 3, load, source, &n, &err), RC_OK);
	assert_int_equal(n, 1);
	for (size_t i = 0; i < 3; i++) {
		assert_near(load[i].torque_Nm, kg[i] * 9.81 * IN_AIR * 0.25, 1e-9);
		assert_near(fabs(load[i].shift_Nm[0]), load[i].torque_Nm * 1e-4 / 0.25, 1e-9);
	}
}

static void what_cannot_hang_is_refused(void **state)
{
	const struct weights_profile w = five(), none = { .hanger = -1 };
	struct weights_profile bare = { .hanger = 0 };
	struct hang_place at = place();
	struct hang_loads loads;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(hang_loads_make(&at, &none, 0, &loads, &err), RC_ARG);
	assert_string_equal(err.what, "weights.ini: found no weight to hang, expected a section for each piece");
	add(&bare, "hanger", 0.5, 0);
	assert_int_equal(hang_loads_make(&at, &bare, 0, &loads, &err), RC_ARG);
	assert_int_equal(hang_loads_make(&at, &w, 5, &loads, &err), RC_ARG);
	assert_string_equal(err.what, "--steps: found 5, but weights.ini has 4 pieces beside the hanger");
	at.gravity_m_per_s2.value = NAN;
	assert_int_equal(hang_loads_make(&at, &w, 0, &loads, &err), RC_ARG);
	assert_non_null(strstr(err.what, "gravity"));
	at = place();
	at.arm_m.value = NAN;
	assert_int_equal(hang_loads_make(&at, &w, 0, &loads, &err), RC_ARG);
	assert_non_null(strstr(err.what, "arm"));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_load_for_each_piece_with_the_hanger_below_all),
		cmocka_unit_test(fewer_steps_end_with_every_piece),
		cmocka_unit_test(u_of_a_load_is_that_of_arm_and_masses),
		cmocka_unit_test(no_source_is_lost_where_there_are_many),
		cmocka_unit_test(masses_by_hand_have_the_torque_of_the_place),
		cmocka_unit_test(what_cannot_hang_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
