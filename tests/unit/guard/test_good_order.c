/* SPDX-License-Identifier: GPL-3.0-or-later */
/* I4, the other half: a long run as it really is does not stop. The rig here is written for this test alone: steps of
 * load that ring, a coil with a lag, noise, ripple of the gear, ticks late now and then. */
#include "tests/unit/guard/guard_scene.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#include "tests/unit/guard/guard_random.h"

struct rig {
	double coil_A, torque_Nm, rate_Nm_per_s, speed_rpm;
};

static double gauss(void)
{
	double sum = -6;

	for (int i = 0; i < 12; i++)
		sum += uniform(0, 1);
	return sum;
}

static void move_rig(struct rig *r, const struct wish *w, double t_s)
{
	double target_Nm = 20 * r->coil_A, w0 = 2 * M_PI * 8, zeta = 0.12; /* the lever on its cell */

	r->coil_A += (w->brake_A - r->coil_A) * (1 - exp(-SCENE_TICK_S / 0.15));
	for (int i = 0; i < 10; i++) {
		double h = SCENE_TICK_S / 10;
		r->rate_Nm_per_s += h * (w0 * w0 * (target_Nm - r->torque_Nm) - 2 * zeta * w0 * r->rate_Nm_per_s);
		r->torque_Nm += h * r->rate_Nm_per_s;
	}
	double free_rpm = w->mode == DRIVE_SPEED ? w->speed_rpm - 0.2 * r->torque_Nm : 0;
	r->speed_rpm += (free_rpm - r->speed_rpm) * (1 - exp(-SCENE_TICK_S / 0.3));
	(void)t_s;
}

static void a_run_in_good_order_is_left_alone(void **state)
{
	struct scene s;
	struct rig rig = { 0 };
	double step_at_s = 3, turned_s = 0, loaded_s = 0;

	(void)state;
	seed_from_environment();
	scene_begin(&s);
	s.want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 60, .power = true };
	for (long tick = 0; tick < 360000; tick++) { /* an hour */
		double t_s = (double)tick * SCENE_TICK_S;
		if (t_s >= step_at_s) { /* the wish jumps, up or down, every 3 to 20 s */
			s.want.brake_A = uniform(0, 0.8);
			s.want.speed_rpm = uniform(20, 60);
			step_at_s += uniform(3, 20);
		}
		scene_obey(&s);
		move_rig(&rig, &s.verdict.allowed, t_s);
		double ripple = sin(2 * M_PI * 3.1 * t_s);
		s.snap.brake_A = rig.coil_A + 0.003 * gauss();
		s.snap.torque_Nm = rig.torque_Nm + 0.1 * gauss() + 1.2 * ripple;
		s.snap.speed_rpm = rig.speed_rpm + 0.4 * gauss() + 1.5 * ripple;
		s.snap.voltage_V = 24 - 0.05 * rig.torque_Nm + 0.05 * gauss();
		s.snap.sample_age_s = uniform(0, 0.03);
		s.snap.channel[CHANNEL_CELL].age_s = uniform(0, 0.12);
		s.snap.cell_same = (uint32_t)(next_random() % 3);
		s.snap.late_ns = one_in(500) ? 12000000 : 200000;
		s.snap.temp_degC[TEMP_WINDING] = 60 + gauss();
		turned_s += rig.speed_rpm > 15 ? SCENE_TICK_S : 0;
		loaded_s += rig.torque_Nm > 2 ? SCENE_TICK_S : 0;
		scene_judge(&s);
		if (s.verdict.cause != CAUSE_NONE) {
			char message[400];
			guard_message(&s.verdict, message, sizeof message);
			fail_msg("stopped after %.2f s: %s", t_s, message);
		}
	}
	/* 20 to 60 rpm less at most 3.2; 0 to 16 N·m, of which 7 of 8 are more than 2: it did work */
	assert_true(turned_s > 3500 && loaded_s > 1800);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_run_in_good_order_is_left_alone),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
