/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cellcal.h"
#include "calib/number/coverage.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define PIECES 5
#define READINGS_MAX 120

static unsigned long seed = 20261125;

/* --- a calibration as drawn: what the weights and the arm really are, and what the cell really says --- */
struct truth {
	double arm_frac, gravity_frac, piece_frac[PIECES]; /* true over stated, less 1 */
	double gain, bend, noise, loop_frac, mount_frac;   /* of the cell */
	double mount[4];
};

static const double stated_u[2 + PIECES] = { 6e-4, 5e-5, 2e-4, 2e-4, 2e-4, 2e-4, 2e-4 };
static const double piece_Nm = 10; /* each, as stated */

static struct truth draw(gsl_rng *r, double bend, double noise, double loop_frac, double mount_frac)
{
	struct truth t = {
		.gain = 2e4, .bend = bend, .noise = noise, .loop_frac = loop_frac, .mount_frac = mount_frac
	};

	/* rectangular limits, as tolerances are */
	t.arm_frac = gsl_ran_flat(r, -1, 1) * sqrt(3) * stated_u[0];
	t.gravity_frac = gsl_ran_gaussian(r, stated_u[1]);
	for (int k = 0; k < PIECES; k++)
		t.piece_frac[k] = gsl_ran_flat(r, -1, 1) * sqrt(3) * stated_u[2 + k];
	for (int k = 0; k < 4; k++)
		t.mount[k] = gsl_ran_gaussian(r, mount_frac);
	return t;
}

/* side -1 rising, +1 falling: the loop is joined at zero and at the heaviest load */
static double says(const struct truth *t, double torque_Nm, double side, int position)
{
	double full = PIECES * piece_Nm, x = torque_Nm / full;
	double loop = t->loop_frac * full * 4 * x * (1 - x);

	return t->gain * (1 + t->mount[position]) * (torque_Nm + t->bend * full * x * x + 0.5 * side * loop);
}

static double true_load(const struct truth *t, int n_pieces)
{
	double sum = 0;

	for (int k = 0; k < n_pieces; k++)
		sum += piece_Nm * (1 + t->piece_frac[k]);
	return sum * (1 + t->arm_frac) * (1 + t->gravity_frac);
}

static void hang(gsl_rng *r, const struct truth *t, int series, int position, int n_pieces, bool down, double zero,
		 struct cellcal_reading *ret)
{
	double stated = n_pieces * piece_Nm;

	*ret = (struct cellcal_reading){ .series = series,
					 .position = position,
					 .direction = down ? CELLCAL_DOWN : CELLCAL_UP };
	ret->load.torque_Nm = stated;
	ret->load.shift_Nm[0] = stated * stated_u[0];
	ret->load.shift_Nm[1] = stated * stated_u[1];
	for (int k = 0; k < n_pieces; k++)
		ret->load.shift_Nm[2 + k] = piece_Nm * stated_u[2 + k];
	ret->indication = zero + says(t, true_load(t, n_pieces), down ? 1 : -1, position) +
			  gsl_ran_gaussian(r, t->noise * t->gain);
}

static size_t series_up_down(gsl_rng *r, const struct truth *t, int series, int position, struct cellcal_reading *out)
{
	double zero = gsl_ran_flat(r, -5e4, 5e4);
	size_t n = 0;

	for (int k = 0; k <= PIECES; k++)
		hang(r, t, series, position, k, false, zero, &out[n++]);
	for (int k = PIECES - 1; k >= 0; k--)
		hang(r, t, series, position, k, true, zero, &out[n++]);
	return n;
}

static void name_sources(struct cellcal_source source[2 + PIECES])
{
	for (int s = 0; s < 2 + PIECES; s++) {
		snprintf(source[s].name, sizeof source[s].name, "source %d", s);
		source[s].dof = INFINITY;
		source[s].dist = s == 1 ? DIST_NORMAL : DIST_RECT;
	}
}

static bool covers(const struct cellcal *cal, double indication, double truth_Nm, double *ret_u)
{
	struct unc_ctx *ctx = unc_ctx_new();
	struct cellcal_unc reg;
	struct unc torque;
	struct err err = { 0 };

	assert_non_null(ctx);
	cellcal_unc_register(cal, ctx, &reg);
	if (cellcal_torque_unc(cal, &reg, ctx, indication, NULL, &torque, &err))
		fail_msg("%s", err.what);
	*ret_u = unc_u(torque);
	bool inside = fabs(torque.value - truth_Nm) <= unc_expanded(ctx, torque, 0.95, NULL);
	unc_ctx_free(ctx);
	return inside;
}

struct scenario {
	const char *name;
	double bend, noise_Nm, loop_frac, mount_frac;
	int series_in_first, positions;
	enum cellcal_model model;
	double arm_really; /* error of the arm as a multiple of what is stated */
	double low, high;  /* coverage to be met */
};

static double coverage(const struct scenario *s, gsl_rng *r, int trials, double *ret_mean_u)
{
	struct cellcal_source source[2 + PIECES];
	int inside = 0;

	name_sources(source);
	*ret_mean_u = 0;
	for (int i = 0; i < trials; i++) {
		struct cellcal_reading readings[READINGS_MAX];
		struct truth t = draw(r, s->bend, s->noise_Nm, s->loop_frac, s->mount_frac);
		struct cellcal cal;
		struct err err = { 0 };
		size_t n = 0;
		int series = 0;
		t.arm_frac *= s->arm_really;
		for (int k = 0; k < s->series_in_first; k++)
			n += series_up_down(r, &t, ++series, 0, readings + n);
		for (int p = 1; p < s->positions; p++)
			n += series_up_down(r, &t, ++series, p, readings + n);
		struct cellcal_input in = { readings, n, source, 2 + PIECES, s->model, 1, NULL };
		if (cellcal_fit(&in, &cal, NULL, &err))
			fail_msg("%s: %s", s->name, err.what);
		double truth_Nm = gsl_ran_flat(r, 0.1, 1) * PIECES * piece_Nm, u;
		/* later: a mounting of its own, on either branch, noise averaged away */
		double indication = says(&t, truth_Nm, gsl_rng_uniform(r) < 0.5 ? -1 : 1, 3);
		inside += covers(&cal, indication, truth_Nm, &u);
		*ret_mean_u += u / trials;
	}
	return (double)inside / trials;
}

/* 93 to 97 % of 2000 calibrations, one reading each (0.5 % standard deviation by chance). Where three mountings that
 * are alike cannot be told from mountings that are not, the interval is wider: half of them differ by chance, told with
 * hardly a degree of freedom. The last row is the control: an arm twice as wrong as stated must show. */
static void intervals_cover_the_truth(void **state)
{
	/* Noise in N·m, against u of arm and masses of some 7e-4 of 5..50 N·m. */
	static const struct scenario rows[] = {
		{ "arm and masses, little noise", 0, 0.002, 0, 0, 2, 1, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "noise large", 0, 0.05, 0, 0, 2, 1, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "noise large, one series", 0, 0.05, 0, 0, 1, 1, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "noise large, line asked for", 0, 0.05, 0, 0, 2, 1, CELLCAL_LINE, 1, 0.93, 0.97 },
		{ "noise large, through origin", 0, 0.05, 0, 0, 2, 1, CELLCAL_ORIGIN, 1, 0.93, 0.97 },
		{ "non-linear", 2e-3, 0.01, 0, 0, 2, 1, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "non-linear, noise large", 5e-3, 0.05, 0, 0, 2, 1, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "hysteresis", 0, 0.01, 1e-3, 0, 2, 1, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "hysteresis and bend", 2e-3, 0.02, 1e-3, 0, 2, 1, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "mountings", 0, 0.01, 0, 5e-4, 2, 3, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "mountings, two only", 0, 0.01, 0, 5e-4, 2, 2, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "mountings, large", 0, 0.01, 0, 2e-3, 2, 3, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "mountings alike, noise large", 0, 0.05, 0, 0, 2, 3, CELLCAL_AUTO, 1, 0.93, 0.985 },
		{ "all of it", 2e-3, 0.02, 1e-3, 5e-4, 2, 3, CELLCAL_AUTO, 1, 0.93, 0.97 },
		{ "control: arm twice as wrong", 0, 0.002, 0, 0, 2, 1, CELLCAL_AUTO, 2, 0, 0.75 },
	};
	const int trials = 2000;
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	int bad = 0;

	(void)state;
	assert_non_null(r);
	gsl_rng_set(r, seed);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		double mean_u, c = coverage(&rows[i], r, trials, &mean_u);
		bool good = c >= rows[i].low && c <= rows[i].high;
		print_message("# %-30s %.1f %% of %d covered, mean u %.4f N·m, seed %lu%s\n", rows[i].name, 100 * c,
			      trials, mean_u, seed, good ? "" : ": OUTSIDE");
		bad += !good;
	}
	gsl_rng_free(r);
	assert_int_equal(bad, 0);
}

/* --- what a calibration is --- */
static size_t plain(struct cellcal_reading *out, const double *torque_Nm, const double *indication, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		out[i] = (struct cellcal_reading){ .series = 1, .position = 1, .indication = indication[i] };
		out[i].load.torque_Nm = torque_Nm[i];
	}
	return n;
}

static void near(double got, double want, double tolerance)
{
	if (!(fabs(got - want) <= tolerance))
		fail_msg("got %.17g, want %.17g", got, want);
}

static void finds_an_exact_line_and_takes_the_tare_off(void **state)
{
	/* y = 1000 + 250 T in the first series, 1040 + 250 T in the second: the zeros differ, the line does not */
	static const double T[] = { 0, 10, 20, 30, 0 }, y1[] = { 1000, 3500, 6000, 8500, 1004 },
			    y2[] = { 1040, 3540, 6040, 8540, 1038 };
	struct cellcal_reading r[10];
	struct cellcal_point points[10];
	struct cellcal cal;
	struct err err = { 0 };
	double torque;

	(void)state;
	plain(r, T, y1, 5);
	plain(r + 5, T, y2, 5);
	for (int i = 5; i < 10; i++)
		r[i].series = 2;
	struct cellcal_input in = { r, 10, NULL, 0, CELLCAL_LINE, 5, NULL };
	assert_int_equal(cellcal_fit(&in, &cal, points, &err), RC_OK);
	near(cal.coef[0], 0, 1e-9);
	near(cal.coef[1], 250, 1e-10);
	near(cal.residual_sd, 0, 1e-9);
	near(cal.zero_return_Nm, 4.0 / 250, 1e-12);
	near(cal.resolution_Nm, 5.0 / 250, 1e-12);
	near(cal.repeatability_Nm, 0, 1e-9);
	assert_true(isnan(cal.reproducibility_Nm));
	assert_true(isnan(cal.reversibility_Nm));
	near(cal.max_Nm, 30, 0);
	near(points[1].indication, 2500, 0);
	/* Zeros are readings of their own there, and these scatter by 4 counts. */
	assert_int_equal(cellcal_torque(&cal, 5000, &torque, &err), RC_OK);
	near(torque, 20, 1.0 / 250);
	near(cellcal_slope_Nm(&cal, 20), 1 / 250.0, 1e-3 / 250.0);
}

static void chooses_the_smallest_degree_that_fits(void **state)
{
	static const struct {
		double bend, bend3;
		enum cellcal_model model;
	} rows[] = {
		{ 0, 0, CELLCAL_LINE },
		{ 1, 0, CELLCAL_QUADRATIC },
		{ 0, 0.1, CELLCAL_CUBIC },
	};

	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	gsl_rng_set(rng, 20261125);
	for (size_t k = 0; k < 3; k++) {
		struct cellcal_reading r[24];
		struct cellcal cal;
		struct err err = { 0 };
		for (size_t i = 0; i < 24; i++) {
			double T = 5 * (double)(i % 6 + 1);
			r[i] = (struct cellcal_reading){ .series = 1 + (int)(i / 6), .position = 1 };
			r[i].load.torque_Nm = T;
			r[i].indication = 7 + 1000 * T + rows[k].bend * T * T + rows[k].bend3 * T * T * T +
					  gsl_ran_gaussian(rng, 1);
		}
		struct cellcal_input in = { r, 24, NULL, 0, CELLCAL_AUTO, 0, NULL };
		assert_int_equal(cellcal_fit(&in, &cal, NULL, &err), RC_OK);
		assert_int_equal(cal.model, rows[k].model);
		assert_true(cal.lack_of_fit_p > 0.05);
	}
	gsl_rng_free(rng);
}

/* A bend that the test for lack of fit lets pass, all of it in one term: F 1.8 where 2.34 is the limit (9 and 22
 * degrees of freedom), but four standard deviations of the quadratic coefficient. */
static void sees_a_bend_that_hides_from_the_lack_of_fit(void **state)
{
	struct cellcal_reading r[33];
	struct cellcal cal;
	struct err err = { 0 };
	double q[11], sum = 0, squares = 0;

	(void)state;
	for (int i = 0; i < 11; i++)
		sum += (i - 5) * (i - 5) / 11.0;
	for (int i = 0; i < 11; i++) {
		q[i] = (i - 5) * (i - 5) - sum;
		squares += q[i] * q[i];
	}
	double bend = sqrt(1.8 * 9 / 3 / squares);
	for (int i = 0; i < 33; i++) {
		r[i] = (struct cellcal_reading){ .series = 1 + i / 11, .position = 1 };
		r[i].load.torque_Nm = 5.0 * (i % 11 + 1);
		r[i].indication = 100 + 1000 * r[i].load.torque_Nm + bend * q[i % 11] + (i / 11 - 1);
	}
	struct cellcal_input in = { r, 33, NULL, 0, CELLCAL_LINE, 0, NULL };
	assert_int_equal(cellcal_fit(&in, &cal, NULL, &err), RC_OK);
	near(cal.lack_of_fit_F, 1.8, 1e-6);
	in.model = CELLCAL_AUTO;
	assert_int_equal(cellcal_fit(&in, &cal, NULL, &err), RC_OK);
	assert_int_equal(cal.model, CELLCAL_QUADRATIC);
}

/* dcoef against the fit done again with all loads moved by a thousandth of one u of a source. */
static void source_shifts_are_those_of_a_new_fit(void **state)
{
	struct cellcal_source source[2 + PIECES];
	struct cellcal_reading r[READINGS_MAX];
	struct cellcal cal, moved;
	struct err err = { 0 };
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	const double step = 1e-3;

	(void)state;
	gsl_rng_set(rng, seed);
	name_sources(source);
	struct truth t = draw(rng, 3e-3, 0, 0, 0);
	size_t n = series_up_down(rng, &t, 1, 1, r);
	struct cellcal_input in = { r, n, source, 2 + PIECES, CELLCAL_QUADRATIC, 0, NULL };
	assert_int_equal(cellcal_fit(&in, &cal, NULL, &err), RC_OK);
	for (int s = 0; s < 2 + PIECES; s++) {
		for (size_t i = 0; i < n; i++)
			r[i].load.torque_Nm += step * r[i].load.shift_Nm[s];
		assert_int_equal(cellcal_fit(&in, &moved, NULL, &err), RC_OK);
		for (size_t i = 0; i < n; i++)
			r[i].load.torque_Nm -= step * r[i].load.shift_Nm[s];
		for (int j = 0; j <= 2; j++) {
			double scale = cal.coef[1] * pow(50, 1 - j) * 1e-3;
			near((moved.coef[j] - cal.coef[j]) / step, cal.dcoef[s][j], 1e-2 * scale);
		}
		/* At a fixed indication the torque moves with the loads: for the arm by its own share of it. */
		double torque = 30, dT = 0;
		for (int j = 0; j <= 2; j++)
			dT -= cal.dcoef[s][j] * pow(torque, j) * cellcal_slope_Nm(&cal, torque);
		if (s == 0)
			near(dT, torque * stated_u[0], 1e-6);
	}
	gsl_rng_free(rng);
}

static void the_loop_is_the_distance_of_the_branches(void **state)
{
	/* up 100 T, down 100 T + 20 T(50 - T)/625: at 25 N·m 20 counts = 0.2 N·m wide */
	struct cellcal_reading r[11];
	struct cellcal cal;
	struct err err = { 0 };

	(void)state;
	for (int i = 0; i < 11; i++) {
		double T = i <= 5 ? 10.0 * i : 10.0 * (10 - i);
		r[i] = (struct cellcal_reading){ .series = 1,
						 .position = 1,
						 .direction = i <= 5 ? CELLCAL_UP : CELLCAL_DOWN };
		r[i].load.torque_Nm = T;
		r[i].indication = 300 + 100 * T + (i > 5 ? 20 * T * (50 - T) / 625 : 0);
	}
	struct cellcal_input in = { r, 11, NULL, 0, CELLCAL_QUADRATIC, 0, NULL };
	assert_int_equal(cellcal_fit(&in, &cal, NULL, &err), RC_OK);
	near(cal.reversibility_Nm, 0.2, 0.001);

	struct unc_ctx *ctx = unc_ctx_new();
	struct cellcal_unc reg;
	struct unc torque;
	cellcal_unc_register(&cal, ctx, &reg);
	assert_int_equal(cellcal_torque_unc(&cal, &reg, ctx, 2510, NULL, &torque, &err), RC_OK);
	near(unc_u(torque), 0.1, 0.001); /* one branch or the other, half the loop away; no scatter */
	near(torque.value, 25, 0.001);
	/* At 45 N·m the loop is 7.2 counts wide. */
	assert_int_equal(cellcal_torque_unc(&cal, &reg, ctx, 4503.6, NULL, &torque, &err), RC_OK);
	near(unc_u(torque), 0.036, 0.001);
	/* Known to have come straight up, or down from 50 N·m. */
	const struct cellcal_history up = { 2500, 2500, 0 }, down = { 5000, 2520, 0 };
	assert_int_equal(cellcal_torque_unc(&cal, &reg, ctx, 2500, &up, &torque, &err), RC_OK);
	near(torque.value, 25, 1e-3);
	assert_int_equal(cellcal_torque_unc(&cal, &reg, ctx, 2520, &down, &torque, &err), RC_OK);
	near(torque.value, 25, 1e-3);
	near(unc_u(torque), 0, 1e-3);
	unc_ctx_free(ctx);
}

static void refuses_what_lies_beyond(void **state)
{
	static const double T[] = { 10, 20, 30, 40 }, y[] = { 1000, 2010, 2990, 4000 };
	struct cellcal_reading r[4];
	struct cellcal cal;
	struct err err = { 0 };
	double torque = 7;

	(void)state;
	plain(r, T, y, 4);
	struct cellcal_input in = { r, 4, NULL, 0, CELLCAL_LINE, 0, NULL };
	assert_int_equal(cellcal_fit(&in, &cal, NULL, &err), RC_OK);
	assert_int_equal(cellcal_torque(&cal, 5500, &torque, &err), RC_OK); /* beyond the weights, near */
	assert_int_equal(cellcal_torque(&cal, 8388607, &torque, &err), RC_RANGE);
	assert_int_equal(cellcal_torque(&cal, NAN, &torque, &err), RC_RANGE);
	assert_int_equal(cellcal_torque(&cal, INFINITY, &torque, &err), RC_RANGE);
	assert_true(torque > 50 && torque < 60);
}

static void says_what_is_wrong(void **state)
{
	static const struct {
		const char *name;
		double T[4], y[4];
		size_t n;
		enum cellcal_model model;
		enum rc rc;
		const char *says;
	} rows[] = {
		{ "one reading", { 1 }, { 1 }, 1, CELLCAL_LINE, RC_ARG, "at least 2 readings" },
		{ "same load",
		  { 5, 5, 5 },
		  { 1, 2, 3 },
		  3,
		  CELLCAL_LINE,
		  RC_SINGULAR,
		  "every reading has the same load" },
		{ "too few for a line", { 1, 2 }, { 1, 2 }, 2, CELLCAL_LINE, RC_ARG, "at least 3" },
		{ "too few for a cubic", { 1, 2, 3, 4 }, { 1, 2, 3, 4 }, 4, CELLCAL_CUBIC, RC_ARG, "at least 5" },
		{ "NaN", { 1, 2, NAN }, { 1, 2, 3 }, 3, CELLCAL_LINE, RC_ARG, "reading 3 of 3" },
		{ "overflow", { 1, 2, 3 }, { 1, 1e300, 3 }, 3, CELLCAL_LINE, RC_RANGE, "too large" },
		{ "dead cell", { 1, 2, 3 }, { 4, 4, 4 }, 3, CELLCAL_LINE, RC_SINGULAR, "does not change" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct cellcal_reading r[4];
		struct cellcal cal;
		struct err err = { 0 };
		memset(&cal, 0x5a, sizeof cal);
		plain(r, rows[i].T, rows[i].y, rows[i].n);
		struct cellcal_input in = { r, rows[i].n, NULL, 0, rows[i].model, 0, NULL };
		enum rc rc = cellcal_fit(&in, &cal, NULL, &err);
		if (rc != rows[i].rc || !strstr(err.what, rows[i].says))
			fail_msg("%s: rc %d \"%s\"", rows[i].name, rc, err.what);
		if (rc)
			assert_int_equal(cal.degree, 0x5a5a5a5a); /* untouched */
	}
}

static void flags_the_misread_weight(void **state)
{
	struct cellcal_reading r[12];
	struct cellcal_point points[12];
	struct cellcal cal;
	struct err err = { 0 };

	(void)state;
	for (int i = 0; i < 12; i++) {
		r[i] = (struct cellcal_reading){ .series = 1 + i / 6, .position = 1 };
		r[i].load.torque_Nm = 5.0 * (i % 6 + 1);
		r[i].indication = 1000 * r[i].load.torque_Nm + ((i * 7) % 5 - 2) + (i == 8 ? 100 : 0);
	}
	struct cellcal_input in = { r, 12, NULL, 0, CELLCAL_LINE, 0, NULL };
	assert_int_equal(cellcal_fit(&in, &cal, points, &err), RC_OK);
	for (int i = 0; i < 12; i++)
		assert_int_equal(points[i].outlier, i == 8);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(finds_an_exact_line_and_takes_the_tare_off),
		cmocka_unit_test(chooses_the_smallest_degree_that_fits),
		cmocka_unit_test(sees_a_bend_that_hides_from_the_lack_of_fit),
		cmocka_unit_test(source_shifts_are_those_of_a_new_fit),
		cmocka_unit_test(the_loop_is_the_distance_of_the_branches),
		cmocka_unit_test(refuses_what_lies_beyond),
		cmocka_unit_test(says_what_is_wrong),
		cmocka_unit_test(flags_the_misread_weight),
		cmocka_unit_test(intervals_cover_the_truth),
	};

	if (getenv("BRIDLE_SEED"))
		seed = strtoul(getenv("BRIDLE_SEED"), NULL, 10);
	return cmocka_run_group_tests(tests, NULL, NULL);
}
