/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Against a joint whose numbers are known, and the covariance against what it is for. */
#include "calib/tame/tame_identify.h"
#include "made_joint.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define DRAWS 20000

/* Resonance: sqrt(2000 (1/0.05 + 1/0.3))/(2 pi) = 34.38 Hz, near 12 rows a period. */
static const struct made_joint known = { 0.05, 0.3, 2000, 0.4, 0.5, 0.4, 0.0024, 0.02, 7 };
static struct made_record rows;

static void within(struct tame_number found, double truth)
{
	assert_true(found.u > 0 && found.u < 0.2 * truth);
	assert_near(found.value, truth, 4 * found.u);
}

static void a_known_joint_is_found(void **state)
{
	(void)state;
	struct tame_record r = made_record(&known, &rows);
	struct tame_identified id;

	assert_int_equal(tame_identify(&r, &id, NULL), RC_OK);
	assert_true(id.two && id.ended && tame_rests(&id));
	within(id.rotor_kgm2, known.rotor);
	within(id.arm_kgm2, known.arm);
	within(id.stiffness_Nm_per_rad, known.stiffness);
	within(id.damping_Nms, known.damping);
	within(id.viscous_Nms, known.viscous);
	within(id.offset_Nm, known.offset);
	assert_near(id.scatter, known.noise, 0.1 * known.noise);
}

/* The root's rows have each number's u as their length, and draws through it have the spread of the resonance that the
 * fit tells: in independent draws it would be another. */
static void the_root_is_the_covariance(void **state)
{
	(void)state;
	struct tame_record r = made_record(&known, &rows);
	struct tame_identified id;
	uint64_t seed = 3;
	double sum = 0, square = 0, independent = 0;

	assert_int_equal(tame_identify(&r, &id, NULL), RC_OK);
	const struct tame_number n[] = { id.rotor_kgm2, id.arm_kgm2, id.stiffness_Nm_per_rad, id.damping_Nms,
					 id.viscous_Nms };
	for (int i = 0; i < TAME_TOGETHER; i++) {
		double length = 0;
		for (int k = 0; k < TAME_TOGETHER; k++)
			length += id.root[i][k] * id.root[i][k];
		assert_near(sqrt(length), n[i].u, 1e-9 * n[i].u);
	}
	for (int d = 0; d < DRAWS; d++) {
		double z[TAME_TOGETHER], x[3];
		for (int k = 0; k < TAME_TOGETHER; k++)
			z[k] = made_normal(&seed);
		for (int i = 0; i < 3; i++) {
			x[i] = n[i].value;
			for (int k = 0; k < TAME_TOGETHER; k++)
				x[i] += id.root[i][k] * z[k];
		}
		double hertz = sqrt(x[TAME_STIFFNESS] * (1 / x[TAME_ROTOR] + 1 / x[TAME_ARM])) / (2 * M_PI);
		sum += hertz - id.resonance_Hz.value;
		square += pow(hertz - id.resonance_Hz.value, 2);
	}
	double u = sqrt((square - sum * sum / DRAWS) / (DRAWS - 1));
	assert_near(u, id.resonance_Hz.u, 0.05 * id.resonance_Hz.u);
	double rotor = n[0].value, arm = n[1].value;
	independent = hypot(hypot(n[0].u / rotor * arm / (rotor + arm), n[1].u / arm * rotor / (rotor + arm)),
			    n[2].u / n[2].value);
	assert_true(fabs(id.resonance_Hz.value / 2 * independent / id.resonance_Hz.u - 1) > 0.3);
}

static void noise_alone_is_nothing_to_rest_on(void **state)
{
	(void)state;
	struct made_joint noisy = known;
	struct tame_identified id;

	noisy.noise = 20;
	struct tame_record r = made_record(&noisy, &rows);
	if (tame_identify(&r, &id, NULL) == RC_OK)
		assert_false(tame_rests(&id));
	/* what is not known is nothing to rest on either */
	struct tame_identified none = { .ended = true, .coherence = NAN };
	assert_false(tame_rests(&none));
	none.coherence = TAME_COHERENT;
	assert_true(tame_rests(&none));
	none.ended = false;
	assert_false(tame_rests(&none));
}

static void records_that_cannot_be(void **state)
{
	(void)state;
	struct tame_record r = made_record(&known, &rows);
	struct tame_identified id;
	struct err err = { 0 };

	r.n = 199;
	assert_int_equal(tame_identify(&r, &id, &err), RC_ARG);
	r.n = MADE_ROWS;
	for (int i = 77; i < MADE_ROWS; i++)
		rows.time[i] += 0.5 * known.row_s;
	assert_int_equal(tame_identify(&r, &id, &err), RC_ARG);
	assert_non_null(strstr(err.what, "row 78"));
	rows.time[77] = NAN;
	assert_int_equal(tame_identify(&r, &id, &err), RC_ARG);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_known_joint_is_found),
		cmocka_unit_test(the_root_is_the_covariance),
		cmocka_unit_test(noise_alone_is_nothing_to_rest_on),
		cmocka_unit_test(records_that_cannot_be),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
