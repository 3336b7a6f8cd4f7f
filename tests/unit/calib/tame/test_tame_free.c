/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_free.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define TICK_S 0.01
#define TICKS 2000
#define FINE 200 /* steps of the motion within a tick */

struct joint {
	double kgm2, viscous_Nms, dry_Nm, delay_s;
	int pulses;
};

struct record {
	double set_s[TICKS], set_Nm[TICKS], edge_s[TICKS], edge_rad[TICKS];
};

/* What was commanded before that moment less the delay. */
static double torque_at(const struct record *r, double t_s)
{
	int at = (int)(t_s / TICK_S);

	return r->set_Nm[at < 0 ? 0 : at];
}

/* Pairs of steps about a mean, by a generator of its own; motion by the middle of fine steps; a pulse at each whole
 * part of a turn. */
static void simulate(const struct joint *j, struct record *r)
{
	double w = 3, angle = 0.01, pulse = 2 * M_PI / j->pulses, edge_s = 0, edge_rad = 0;
	unsigned random = 12345;
	int way = 1;

	for (int i = 0; i < TICKS; i++) {
		if (i % 20 == 0)
			way = (random = random * 1664525u + 1013904223u) >> 31 ? 1 : -1;
		else if (i % 10 == 0)
			way = -way;
		r->set_s[i] = 100 + i * TICK_S;
		r->set_Nm[i] = j->dry_Nm + j->viscous_Nms * 3 + way * 0.4;
		for (int k = 0; k < FINE; k++) {
			double t = i * TICK_S + (k + 0.5) * TICK_S / FINE;
			double a = (torque_at(r, t - j->delay_s) - j->dry_Nm - j->viscous_Nms * w) / j->kgm2;
			double before = angle;
			angle += TICK_S / FINE * (w + 0.5 * a * TICK_S / FINE);
			w += TICK_S / FINE * a;
			if (floor(angle / pulse) > floor(before / pulse)) {
				edge_rad = floor(angle / pulse) * pulse;
				edge_s =
					100 + i * TICK_S + (k + (edge_rad - before) / (angle - before)) * TICK_S / FINE;
			}
		}
		r->edge_s[i] = edge_s > 0 ? edge_s : 100;
		r->edge_rad[i] = edge_rad;
	}
	/* the newest pulse at a tick came before it: shift by the tick that was just simulated */
	for (int i = TICKS - 1; i > 0; i--) {
		r->edge_s[i] = r->edge_s[i - 1];
		r->edge_rad[i] = r->edge_rad[i - 1];
	}
	r->edge_s[0] = 100;
	r->edge_rad[0] = 0;
}

static enum rc find(const struct record *r, size_t n, struct tame_free *ret, struct err *err)
{
	const struct tame_pulses p = { r->set_s, r->set_Nm, r->edge_s, r->edge_rad, n, TICK_S };

	return tame_free_find(&p, ret, err);
}

/* The numbers are those that the motion was made with. */
static void inertia_friction_and_delay_are_found(void **state)
{
	static const struct joint joints[] = {
		{ 0.072, 0.07, 1.2, 0.023, 2400 },
		{ 0.3, 0.2, 2, 0, 2400 },
		{ 0.02, 0.01, 0.5, 0.0455, 1000 },
	};
	static struct record r;

	(void)state;
	for (size_t i = 0; i < sizeof joints / sizeof joints[0]; i++) {
		const struct joint *j = &joints[i];
		struct tame_free f;
		struct err err;
		simulate(j, &r);
		assert_int_equal(find(&r, TICKS, &f, &err), RC_OK);
		assert_true(fabs(f.id.rotor_kgm2.value / j->kgm2 - 1) < 0.002);
		assert_true(fabs(f.delay_s - j->delay_s) < 0.0005);
		assert_true(fabs(f.id.offset_Nm.value + 3 * f.id.viscous_Nms.value - j->dry_Nm - 3 * j->viscous_Nms) <
			    0.005 * j->dry_Nm);
		assert_true(f.id.coherence > 0.95 && f.id.ended && !f.id.two);
		assert_true(f.n > 1900 && fabs(f.mean_Nm - j->dry_Nm - 3 * j->viscous_Nms) < 0.05);
		tame_free_clear(&f);
	}
}

static void what_tells_nothing_is_refused(void **state)
{
	static struct record r;
	struct tame_free f;
	struct err err;

	(void)state;
	simulate(&(struct joint){ 0.072, 0.07, 1.2, 0.02, 2400 }, &r);
	assert_int_equal(find(&r, 150, &f, &err), RC_ARG);
	tame_free_clear(&f);
	assert_int_equal(find(&r, 0, &f, &err), RC_ARG);
	tame_free_clear(&f);
	for (int i = 0; i < TICKS; i++)
		r.edge_s[i] = 100;
	assert_int_equal(find(&r, TICKS, &f, &err), RC_ARG);
	tame_free_clear(&f);
	simulate(&(struct joint){ 0.072, 0.07, 1.2, 0.02, 2400 }, &r);
	for (int i = 0; i < TICKS; i++)
		r.set_Nm[i] = 1.4;
	assert_int_equal(find(&r, TICKS, &f, &err), RC_ARG);
	tame_free_clear(&f);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(inertia_friction_and_delay_are_found),
		cmocka_unit_test(what_tells_nothing_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
