/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_probe.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#include <cmocka.h>

#include "tests/unit/near.h"

static struct seq_out look(struct probe *p, int tick, double torque_Nm, bool fresh)
{
	static struct snapshot snap;
	struct seq_out out = { 0 };

	if (tick == 0)
		snap = snapshot_blank();
	snap.now.ns = 1000000000 + tick * 10000000LL;
	snap.sample_total = (uint32_t)tick;
	snap.torque_Nm = torque_Nm;
	snap.indication = 100 * torque_Nm;
	snap.voltage_V = 24 + tick;
	snap.speed_rpm = 7;
	if (fresh)
		for (int c = 0; c < CHANNEL_COUNT; c++)
			snap.channel[c].fresh++;
	probe_step(p, &snap, &out);
	return out;
}

/* Mean, scatter and extremes of 1, 2, 4, 9: 4, sqrt(38/3), 1, 9 by hand. What is read twice counts once, what is no
 * number not at all, and nothing before the first sample. */
static void only_fresh_readings_count(void **state)
{
	static const double torque[] = { 1, 2, 4, 9 };
	struct probe p = { .length_s = 0.10 };
	int tick = 1;

	(void)state;
	look(&p, 0, 77, true);
	assert_false(p.started);
	look(&p, tick++, NAN, false); /* the first look compares with itself: no reading yet */
	for (int i = 0; i < 4; i++) {
		look(&p, tick++, torque[i], true);
		assert_false(look(&p, tick++, torque[i], false).done);
	}
	look(&p, tick++, NAN, true);
	assert_true(p.started);
	assert_int_equal(p.sum[PROBE_TORQUE].n, 4);
	assert_near(p.sum[PROBE_TORQUE].mean, 4, 1e-12);
	assert_near(probe_sd(&p.sum[PROBE_TORQUE]), sqrt(38.0 / 3), 1e-12);
	assert_near(p.sum[PROBE_TORQUE].min, 1, 0);
	assert_near(p.sum[PROBE_TORQUE].max, 9, 0);
	assert_near(p.sum[PROBE_CELL].mean, 400, 1e-9);
	assert_int_equal(p.sum[PROBE_VOLTAGE].n, 5);
	assert_near(p.sum[PROBE_VOLTAGE].mean, 24 + (2 + 4 + 6 + 8 + 10) / 5.0, 1e-12); /* of the fresh ones */
	assert_int_equal(p.sum[PROBE_SPEED].n, 10);                                     /* of the fast samples each */
	assert_int_equal(p.sum[PROBE_TEMP_BRAKE].n, 0);
	assert_true(isnan(probe_sd(&p.sum[PROBE_TEMP_BRAKE])));
}

/* L5, I6: it wants nothing, and ends after its time. */
static void wants_nothing_and_ends(void **state)
{
	struct probe p = { .length_s = 0.5 };
	struct seq_out out = { 0 };
	int tick = 1;

	(void)state;
	for (; !out.done && tick < 100; tick++) {
		out = look(&p, tick, 1, true);
		assert_true(out.wish.mode == DRIVE_OFF && !out.wish.power && out.wish.brake_A <= 0);
		assert_near(out.remaining_s, 0.5 - 0.01 * (tick - 1), 1e-9);
		assert_near(out.progress_frac, 0.02 * (tick - 1), 1e-9);
	}
	assert_int_equal(tick, 52);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(only_fresh_readings_count),
		cmocka_unit_test(wants_nothing_and_ends),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
