/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Expected values: by hand from play_setup.h; the angle comes every 0.2 s, one in between is lost, so the rotor turns
 * less than 90° in 0.4 s at a sixth of the speed that this makes in degrees a second. */
#include "run/play_setup.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "tests/unit/near.h"

/* 50 N·m at 1.2 A: the brake locks against 20 N·m with 1.25 of it, 0.6 A, in 1 s. */
static void the_loop_of_a_gear(void **state)
{
	struct session *s = calloc(1, sizeof *s);

	(void)state;
	assert_non_null(s);
	s->rig.brake_max_A = 1.2;
	s->rig.brake_rated_Nm = 50;
	s->actuator.gear_ratio = 50;
	struct seq_play_config c = play_setup(s, 20, 3);
	assert_near(c.torque_Nm, 20, 0);
	assert_near(c.slew_Nm_per_s, 20.0 / PLAY_UP_S, 1e-12);
	assert_near(c.lock_A, 0.6, 1e-12);
	assert_near(c.slew_A_per_s, 0.6, 1e-12);
	assert_near(c.ratio, 50, 0);
	assert_int_equal(c.loops, 0);                               /* the caller's */
	assert_near(c.limit_rpm, 0.2, 0);                           /* the flanks meet softly */
	assert_near(play_setup(s, 20, 0.1).limit_rpm, 0.1, 0);      /* the guard allows less */
	assert_near(play_setup_u_arcmin(s), 0.02 * 60 / 50, 1e-12); /* 0.02° of the rotor */
	s->actuator.gear_ratio = 500;                               /* 90° / 0.4 s / 6 = 37.5 rpm of the rotor */
	assert_near(play_setup(s, 20, 3).limit_rpm, 37.5 / 500, 1e-12);
	free(s);
}

int main(void)
{
	const struct CMUnitTest tests[] = { cmocka_unit_test(the_loop_of_a_gear) };

	return cmocka_run_group_tests(tests, NULL, NULL);
}
