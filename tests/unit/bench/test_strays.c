/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/strays.h"
#include "bench/draw.h"
#include "calib/number/units.h"
#include "tests/unit/bench/world_kit.h"

/* A thousand correlation times: the standard deviation of the estimate is about sd / sqrt(2 * 1000 / 2). */
static void cables_wander_as_stated(void **state)
{
	struct world_config k = kit_config(9);
	gsl_rng *rng = draw_new(9, "test.strays");
	const int n = 1000000, lag = 1000;
	double *torque = malloc((size_t)n * sizeof *torque), squares = 0, products = 0;
	struct strays s;

	(void)state;
	kit_without_strays(&k.physics);
	k.physics.lever.cable_Nm = 0.01;
	k.physics.lever.cable_s = 1;
	strays_init(&s, &k.physics, rng);
	for (int i = 0; i < n; i++) {
		strays_tick(&s, &k.physics, 0, rng);
		torque[i] = s.cradle_Nm;
		squares += torque[i] * torque[i];
		if (i >= lag)
			products += torque[i] * torque[i - lag];
	}
	assert_near(sqrt(squares / n), 0.01, 4.5 * 0.01 / sqrt(1000));
	assert_near(products / squares, exp(-1), 4.5 / sqrt(1000.0 / 2)); /* one correlation time apart */
	free(torque);
	gsl_rng_free(rng);
}

static void shafts_out_of_line_push_once_a_turn(void **state)
{
	struct world_config k = kit_config(9);
	gsl_rng *rng = draw_new(9, "test.strays");
	double sum = 0, squares = 0;
	struct strays s;

	(void)state;
	kit_without_strays(&k.physics);
	k.physics.coupling.once_Nm = 0.05;
	strays_init(&s, &k.physics, rng);
	for (int i = 0; i < 360; i++) {
		strays_tick(&s, &k.physics, i * UNITS_PI / 180, rng);
		sum += s.cradle_Nm;
		squares += s.cradle_Nm * s.cradle_Nm;
	}
	assert_near(sum, 0, 1e-12);
	assert_near(squares / 360, 0.05 * 0.05 / 2, 1e-12);
	gsl_rng_free(rng);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(cables_wander_as_stated),
		cmocka_unit_test(shafts_out_of_line_push_once_a_turn),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
