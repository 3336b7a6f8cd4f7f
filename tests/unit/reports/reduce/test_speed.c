/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Discs with misplaced edges and eccentricity on shafts that turn evenly in one window of a run and unevenly in
 * another: does the u of the speed hold its error, and is it no larger than that takes? The truth is the mean of the
 * simulated speed. */
#include "reports/reduce/speed.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#define RIGS 200
#define STEP_s 2e-4
#define ROW_s 0.01

static const unsigned long seed = 20261126;

struct rig {
	int per_rev, period; /* edges lie wrong with that period: 4 phases of a quadrature, every tooth */
	double place[2400], wobble, phase;
	gsl_rng *rng;
};

struct motion {
	double rpm, ripple_rpm, ripple_Hz, length_s;
};

struct turning {
	double angle, edge_s, ripple_phase;
	long last;
	int64_t pulses;
};

static void pass_edges(struct rig *r, struct turning *at, double from, double t_s)
{
	for (;;) {
		long e = at->last + 1;
		double place = (double)e + r->place[e % r->period] +
			       r->wobble * sin(2 * M_PI * (double)e / r->per_rev + r->phase);
		if (place > at->angle)
			return;
		double late = 3e-6 * gsl_rng_uniform(r->rng),
		       when = t_s - STEP_s * (at->angle - place) / (at->angle - from) + late;
		at->edge_s = round(when * 1e6) * 1e-6;
		at->last = e;
		at->pulses++;
	}
}

/* One window; returns the true mean speed, rpm. */
static double turn(struct rig *r, const struct motion *m, struct window *w)
{
	double begin = 1, end = begin + m->length_s, t = begin - 0.2, next = t + gsl_rng_uniform(r->rng) * ROW_s,
	       sum = 0;
	struct turning at = { .angle = gsl_ran_flat(r->rng, r->per_rev, 2 * r->per_rev),
			      .ripple_phase = gsl_ran_flat(r->rng, 0, 2 * M_PI) };
	uint32_t no = 0;
	size_t n = 0;

	at.last = (long)at.angle;
	for (; t < end; t += STEP_s) {
		double rpm = m->rpm + m->ripple_rpm * sin(2 * M_PI * m->ripple_Hz * t + at.ripple_phase),
		       from = at.angle;
		at.angle += rpm / 60 * r->per_rev * STEP_s;
		pass_edges(r, &at, from, t + STEP_s);
		if (t >= begin) {
			sum += rpm;
			n++;
		}
		if (t < next)
			continue;
		next += ROW_s;
		no++;
		struct sample s = { .node_us = (uint64_t)((t + STEP_s) * 1e6),
				    .sample_no = no,
				    .cell_conversions = no,
				    .pulses = at.pulses,
				    .edge_time_s = at.pulses ? at.edge_s : NAN,
				    .speed_rpm = rpm,
				    .lines = 7,
				    .voltage_V = 48,
				    .current_A = 1 };
		if (t >= begin)
			window_inside(w, &s);
		else
			window_before(w, &s);
	}
	return sum / (double)n;
}

struct row {
	const char *name;
	int per_rev, period;
	double place, wobble;
	struct motion even, uneven;
};

static void u_holds_the_error_of_the_speed(void **state)
{
	static const struct row rows[] = {
		{ "quadrature, evenly loaded", 2400, 4, 0.06, 0.15, { 20, 0, 1, 12 }, { 85, 0.05, 3, 3 } },
		{ "quadrature, whole pulses a row", 2400, 4, 0.06, 0.15, { 20, 0.01, 1, 12 }, { 90.003, 0, 3, 3 } },
		{ "quadrature, heavily loaded", 2400, 4, 0.06, 0.15, { 20, 0.02, 1, 12 }, { 82.1, 0.5, 5, 3 } },
	};
	const struct motion between = { 87.3, 0.1, 2, 3 };
	const struct window_rig limits = { 48, 12, 0, 8388607, false };
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	int bad = 0;

	(void)state;
	gsl_rng_set(rng, seed);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		double squares = 0, inside = 0;
		for (int k = 0; k < RIGS; k++) {
			struct rig r = { .per_rev = rows[i].per_rev,
					 .period = rows[i].period,
					 .wobble = rows[i].wobble,
					 .phase = gsl_ran_flat(rng, 0, 2 * M_PI),
					 .rng = rng };
			struct window even, uneven, third;
			struct disc seen[3];
			for (int e = 0; e < r.period; e++)
				r.place[e] = gsl_ran_gaussian(rng, rows[i].place);
			window_open(&even, &limits);
			window_open(&uneven, &limits);
			window_open(&third, &limits);
			(void)turn(&r, &rows[i].even, &even);
			(void)turn(&r, &between, &third);
			double truth = turn(&r, &rows[i].uneven, &uneven);
			(void)window_speed(&even, r.per_rev, rows[i].even.length_s, &seen[0]);
			struct mean speed = window_speed(&uneven, r.per_rev, rows[i].uneven.length_s, &seen[1]);
			(void)window_speed(&third, r.per_rev, between.length_s, &seen[2]);
			const struct disc *run[] = { &seen[1], &seen[0], &seen[2] }, disc = disc_of(run, 3);
			speed_take_disc(&speed, &seen[1], &disc);
			double off = (speed.value - truth) / speed.u;
			squares += off * off / RIGS;
			inside += fabs(off) <= 1.96 ? 100.0 / RIGS : 0;
			window_free(&even);
			window_free(&uneven);
			window_free(&third);
		}
		print_message("# %-32s %.1f %% covered, u by rms error %.2f, seed %lu\n", rows[i].name, inside,
			      1 / sqrt(squares), seed);
		bad += !(inside >= 93 - 3) || !(1 / sqrt(squares) <= 1.3); /* 3: two deviations of 200 */
	}
	gsl_rng_free(rng);
	assert_int_equal(bad, 0);
}

int main(void)
{
	static const struct CMUnitTest tests[] = { cmocka_unit_test(u_holds_the_error_of_the_speed) };

	return cmocka_run_group_tests(tests, NULL, NULL);
}
