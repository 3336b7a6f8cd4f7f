/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/play/play.h"
#include "run/seq_play.h"
#include "tests/unit/run/tiny_rig.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* 6 arcmin of play and 0.5 arcmin for each N.m: 18 degrees and more of the rotor, through 0 of its turn. */
static struct tiny_rig geared_rig(void)
{
	struct tiny_rig rig = tiny_rig_make(4);

	rig.gear_deg_per_Nm = 0.5 / 60;
	rig.gear_play_deg = 6.0 / 60;
	rig.tare_count = rig.zero_count;
	return rig;
}

static struct seq_play_config config_of(double torque_Nm, int loops)
{
	return (struct seq_play_config){ .torque_Nm = torque_Nm,
					 .slew_Nm_per_s = 1,
					 .loops = loops,
					 .lock_A = 0.8,
					 .slew_A_per_s = 1,
					 .limit_rpm = 0.2,
					 .slip_deg = 3,
					 .ratio = 36,
					 .jump_arcmin = 1 };
}

/* What no tick may do. */
struct seen {
	bool driven_unlocked, let_go_driven, jumped;
	double last_Nm, most_Nm, least_Nm;
	size_t points;
};

static void look(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct seen *s = ctx;
	bool drives = out->wish.mode != DRIVE_OFF;

	s->driven_unlocked |= drives && rig->coil_A < 0.7;
	s->let_go_driven |= fabs(s->last_Nm) > 0 && out->wish.brake_A < 0.8;
	s->jumped |= fabs(out->wish.torque_Nm - s->last_Nm) > 1 * TINY_TICK_S + 1e-9;
	s->last_Nm = out->wish.torque_Nm;
	s->most_Nm = fmax(s->most_Nm, s->last_Nm);
	s->least_Nm = fmin(s->least_Nm, s->last_Nm);
	s->points += out->event.kind == SEQ_EVENT_POINT;
	if (drives)
		assert_true(out->wish.mode == DRIVE_TORQUE && fabs(out->wish.speed_rpm - 0.2) < 1e-9);
}

/* The drive gives 0.9 of 20 N.m: 18. Lost motion at 3 % of them: 6 + 2 x 0.54 x 0.5 arcmin. */
static void the_loop_tells_play_and_stiffness(void **state)
{
	static struct seq_play s;

	(void)state;
	for (int loops = 1; loops <= 2; loops++) {
		struct tiny_rig rig = geared_rig();
		struct seq_play_config c = config_of(20, loops);
		struct seen seen = { 0 };
		struct play_loop found;
		struct err err = { 0 };
		seq_play_begin(&s, &c);
		struct seq_out out = tiny_run(&rig, seq_play_step, &s, 3 * seq_play_s(&c), look, &seen);
		assert_true(out.done && !out.stop && !out.wish.power && out.wish.brake_A <= 0);
		assert_int_equal(seen.points, 2 * loops + 2);
		assert_true(fabs(seen.most_Nm - 20) < 1e-9 && fabs(seen.least_Nm + 20) < 1e-9);
		assert_false(seen.driven_unlocked || seen.let_go_driven || seen.jumped);
		assert_true(fabs((double)rig.ticks * TINY_TICK_S - seq_play_s(&c)) < 3);
		assert_int_equal(play_loop(s.torque_Nm, s.angle_arcmin, s.n, NAN, &found, &err), RC_OK);
		assert_true(fabs(found.rated_Nm - 18) < 0.05);
		assert_true(fabs(found.lost_motion_arcmin.value - 6.54) < 0.03);
		assert_true(fabs(found.stiffness_Nm_per_arcmin.value - 2) < 0.01);
		assert_true(fabs(found.wind_up_arcmin.value - 24) < 0.1);
	}
}

/* The same rig with a gear that sticks: torque and rotor stay, and both jump at once when the command is half a newton
 * metre on. */
struct sticky {
	struct seq_play s;
	struct tiny_rig *rig;
};

static void sticky_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct sticky *k = state;
	double stuck_Nm = 0.5 * round(k->rig->held_Nm / 0.5);
	double way = stuck_Nm > 0 ? 1 : stuck_Nm < 0 ? -1 : 0;
	struct snapshot seen = *snap;

	seen.torque_Nm += stuck_Nm - k->rig->held_Nm;
	seen.rotor_deg = 36 * (stuck_Nm * k->rig->gear_deg_per_Nm + way * k->rig->gear_play_deg / 2);
	seq_play_step(&k->s, &seen, ret);
}

/* Torque and angle of one moment lie on a flank: 0.5 arcmin for each N.m behind 3 arcmin. Within the mean the command
 * makes 1 N.m/s x 0.04 s, of which the header allows three times; the noise, 0.01 N.m, likewise, and 4 x 0.005 of the
 * mean itself. The torques of before a jump with the angle after it would lie off by up to 0.19 arcmin. */
static void no_row_mixes_what_was_before_and_after_a_slip(void **state)
{
	static struct sticky k;
	struct tiny_rig rig = geared_rig();
	struct seq_play_config c = config_of(20, 1);
	struct play_loop found;
	struct err err = { 0 };
	size_t flank = 0;

	(void)state;
	k.rig = &rig;
	seq_play_begin(&k.s, &c);
	struct seq_out out = tiny_run(&rig, sticky_step, &k, 2 * seq_play_s(&c), NULL, NULL);
	assert_true(out.done && !out.stop);
	for (size_t i = 0; i < k.s.n; i++) {
		double torque_Nm = k.s.torque_Nm[i], middle = k.s.angle_arcmin[i] - k.s.angle_arcmin[0];
		if (fabs(torque_Nm) < 1)
			continue;
		flank++;
		/* the first row lies in the play, at no torque */
		double off = middle - (0.5 * torque_Nm + (torque_Nm > 0 ? 3 : -3));
		if (!(fabs(off) < 0.5 * (3 * (0.04 + 0.01) + 0.02)))
			fail_msg("row %zu of %zu: %.3f N.m at %.3f arcmin, off by %.3f", i, k.s.n, torque_Nm, middle,
				 off);
	}
	assert_true(flank > 1000);
	assert_int_equal(play_loop(k.s.torque_Nm, k.s.angle_arcmin, k.s.n, NAN, &found, &err), RC_OK);
	assert_true(fabs(found.lost_motion_arcmin.value - 6.54) < 0.03);
}

/* 100 s of loop, a row each four conversions of 10 ms: 2500. Two means of four conversions are apart by 0.14 N.m with a
 * noise of 0.2 N.m, more than three times the command's 0.04: a noise that nobody learned would drop four of ten. */
static void noise_alone_drops_no_row(void **state)
{
	static struct seq_play s;
	struct tiny_rig rig = geared_rig();
	struct seq_play_config c = config_of(20, 1);

	(void)state;
	rig.noise_Nm = 0.2;
	seq_play_begin(&s, &c);
	struct seq_out out = tiny_run(&rig, seq_play_step, &s, 2 * seq_play_s(&c), NULL, NULL);
	assert_true(out.done && !out.stop);
	assert_true(s.n > 98 * 25 && s.n <= 2500);
}

static void what_is_wrong_is_said(void **state)
{
	static const char *const says[] = { "contactor does not close", "does not tell the angle of its rotor",
					    "the brake slips" };
	static struct seq_play s;

	(void)state;
	for (int i = 0; i < 3; i++) {
		struct tiny_rig rig = geared_rig();
		struct seq_play_config c = config_of(i == 2 ? 50 : 20, 1);
		rig.contactor_fails = i == 0;
		if (i == 1)
			rig.gear_deg_per_Nm = 0;
		seq_play_begin(&s, &c);
		struct seq_out out = tiny_run(&rig, seq_play_step, &s, 60, NULL, NULL);
		assert_true(out.stop);
		assert_non_null(strstr(out.event.text, says[i]));
		assert_true(i == 2 || fabs(rig.held_Nm) < 1e-9);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_loop_tells_play_and_stiffness),
		cmocka_unit_test(no_row_mixes_what_was_before_and_after_a_slip),
		cmocka_unit_test(noise_alone_drops_no_row),
		cmocka_unit_test(what_is_wrong_is_said),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
