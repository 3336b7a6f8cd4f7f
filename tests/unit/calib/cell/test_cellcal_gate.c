/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cellcal_gate.h"

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

#include "tests/unit/near.h"

/* A hanger of 0.5 kg and six pieces of 2 kg (the last one 1 kg) on 0.5 m: 56.4 N·m. */
#define PIECES 7
#define LOADS 6
#define SERIES 3
#define READINGS (SERIES * (2 * LOADS + 1))

static unsigned long seed = 20261125;

/* What the rig is, and which weight is on the arm where another should be. */
struct rig {
	double gain;               /* counts per N·m */
	double noise_Nm, bow_frac; /* bow at half scale, of full scale */
	double loop_frac;          /* falling less rising at half scale, of the step there */
	double mount_frac[SERIES];
	double zero_frac;          /* zero return, of the largest torque */
	double friction_Nm;        /* dry: against the way that it came from */
	double piece_true[PIECES]; /* torque of each piece by its stated one */
	int series, load;          /* series and load of one slip (rising), 0: none */
	double slip_Nm;
};

struct scene {
	struct cellcal_reading reading[READINGS];
	uint64_t pieces[READINGS];
	double piece_Nm[PIECES];
	size_t n;
	struct cellcal_input in;
	struct cellcal_gate_input g;
};

static double full_Nm(const struct scene *s)
{
	double sum = 0;

	for (int p = 0; p < PIECES; p++)
		sum += s->piece_Nm[p];
	return sum;
}

static void put(struct scene *s, gsl_rng *r, const struct rig *rig, int series, int load, bool down, bool last)
{
	double stated = 0, torque = 0, full = full_Nm(s);
	uint64_t mask = load ? ((uint64_t)1 << (load + 1)) - 1 : 0;

	for (int p = 0; p < PIECES; p++) {
		stated += mask >> p & 1 ? s->piece_Nm[p] : 0;
		torque += mask >> p & 1 ? s->piece_Nm[p] * rig->piece_true[p] : 0;
	}
	if (series == rig->series && load == rig->load && !down && load > 0)
		torque += rig->slip_Nm;
	double x = torque / full, seen = torque + rig->bow_frac * 4 * full * x * (1 - x);
	seen += (down ? 0.5 : -0.5) * rig->loop_frac * torque * 2 * (1 - x) * (load > 0);
	seen += (down ? 1 : -1) * rig->friction_Nm + (last ? rig->zero_frac * full : 0);
	s->pieces[s->n] = mask;
	s->reading[s->n++] = (struct cellcal_reading){
		.series = series,
		.position = series < 3 ? 1 : series - 1,
		.direction = down ? CELLCAL_DOWN : CELLCAL_UP,
		.load.torque_Nm = stated,
		.indication = 12000 + rig->gain * (1 + rig->mount_frac[series - 1]) *
					      (seen + gsl_ran_gaussian(r, rig->noise_Nm)),
	};
}

static struct rig good(void)
{
	struct rig rig = { .gain = 116000, .noise_Nm = 0.004, .bow_frac = 1e-4, .loop_frac = 5e-4 };

	for (int p = 0; p < PIECES; p++)
		rig.piece_true[p] = 1;
	return rig;
}

static void take(struct scene *s, gsl_rng *r, const struct rig *rig)
{
	static const double kg[PIECES] = { 0.5, 2, 2, 2, 2, 2, 1 };

	*s = (struct scene){ .n = 0 };
	for (int p = 0; p < PIECES; p++)
		s->piece_Nm[p] = kg[p] * 9.81 * 0.5;
	for (int series = 1; series <= SERIES; series++) {
		for (int load = 0; load <= LOADS; load++)
			put(s, r, rig, series, load, false, false);
		for (int load = LOADS - 1; load >= 0; load--)
			put(s, r, rig, series, load, true, load == 0);
	}
	s->in = (struct cellcal_input){ .readings = s->reading, .n = s->n };
	s->g = (struct cellcal_gate_input){ .in = &s->in,
					    .pieces = s->pieces,
					    .n_pieces = PIECES,
					    .piece_Nm = s->piece_Nm,
					    .full_scale_Nm = 60,
					    .full_scale_count = NAN,
					    .most_count = 8388607,
					    .must_rise = true };
}

static struct cellcal_gate judge(const struct scene *s)
{
	struct cellcal_gate gate;
	struct err err;

	assert_int_equal(cellcal_gate(&s->g, &gate, &err), RC_OK);
	return gate;
}

static bool failed(const struct cellcal_gate *gate, enum gate_check check)
{
	for (size_t i = 0; i < gate->n; i++)
		if (gate->finding[i].check == check)
			return true;
	return false;
}

static struct cellcal_gate judge_rig(const struct rig *rig)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	struct scene s;

	gsl_rng_set(r, seed);
	take(&s, r, rig);
	gsl_rng_free(r);
	return judge(&s);
}

static void a_good_rig_passes(void **state)
{
	struct rig rig = good();
	struct cellcal_gate gate = judge_rig(&rig);

	(void)state;
	assert_true(gate.usable);
	assert_int_equal(gate.n, 0);
	assert_near(gate.sensitivity, 116000, 60);
}

/* Everything at or beyond what class 5 allows (calib/data/torque_classes.csv: repeatability 2.5 %, reproducibility 5 %,
 * reversibility 6.25 %, zero return 1.25 %), a bow of 2 %, friction in the bearing of the cradle up to 30 mN·m: poor,
 * but a calibration. */
static void a_poor_but_honest_rig_passes(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	gsl_rng_set(r, seed);
	for (int k = 0; k < 400; k++) {
		struct rig rig = good();
		struct scene s;
		rig.gain = pow(10, gsl_ran_flat(r, 1.2, 5)); /* 16 counts per N·m: a bare cell on a coarse input */
		rig.noise_Nm = gsl_ran_flat(r, 0, 0.003 * 56);
		rig.bow_frac = gsl_ran_flat(r, -0.02, 0.02);
		rig.loop_frac = gsl_ran_flat(r, 0, 0.0625);
		rig.zero_frac = gsl_ran_flat(r, -0.0125, 0.0125);
		rig.friction_Nm = gsl_ran_flat(r, 0, 0.03);
		for (int j = 0; j < SERIES; j++)
			rig.mount_frac[j] = gsl_ran_flat(r, -0.025, 0.025);
		rig.mount_frac[1] = rig.mount_frac[0];
		take(&s, r, &rig);
		struct cellcal_gate gate = judge(&s);
		if (!gate.usable)
			fail_msg("seed %lu, rig %d: %s, %g against %g", seed, k, gate_word(gate.finding[0].check),
				 gate.finding[0].value, gate.finding[0].limit);
	}
	gsl_rng_free(r);
}

/* Enter at each prompt with nothing on the arm: the noise alone. */
static void nothing_hung_is_no_calibration(void **state)
{
	(void)state;
	for (unsigned long k = 0; k < 200; k++) {
		struct rig rig = good();
		rig.gain = 1;
		rig.noise_Nm = 465;
		for (int p = 0; p < PIECES; p++)
			rig.piece_true[p] = 0;
		seed += 1;
		struct cellcal_gate gate = judge_rig(&rig);
		assert_false(gate.usable);
		assert_true(failed(&gate, GATE_SENSITIVITY));
	}
}

static void one_wrong_weight_is_named(void **state)
{
	struct rig rig = good();

	(void)state;
	rig.series = 2;
	rig.load = 3;
	rig.slip_Nm = -9.81 * 0.5; /* 1 kg too little */
	struct cellcal_gate gate = judge_rig(&rig);
	assert_false(gate.usable);
	assert_true(failed(&gate, GATE_SLIP));
	assert_int_equal(gate.slip.series, 2);
	assert_int_equal(gate.slip.reading, 13 + 3);
	assert_int_equal(gate.slip.piece, -1);
	assert_int_equal(gate.slip.n_readings, 1);
	/* should be hanger and three pieces: 6.5 kg; fits 5.5 kg; the 1 kg piece, of which this is the torque, is the
	 * last one */
	assert_near(gate.slip.stated_Nm, 6.5 * 9.81 * 0.5, 1e-9);
	assert_near(gate.slip.fits_Nm, 5.5 * 9.81 * 0.5, 0.05);
	assert_int_equal(gate.slip.like_piece, 6);
}

static void a_small_slip_is_found_in_a_quiet_rig(void **state)
{
	struct rig rig = good();

	(void)state;
	rig.series = 3;
	rig.load = 6;
	rig.slip_Nm = 0.6; /* 1.06 % of 56.4 N·m */
	struct cellcal_gate gate = judge_rig(&rig);
	assert_true(failed(&gate, GATE_SLIP));
	assert_false(failed(&gate, GATE_RESIDUAL));
	assert_false(gate.doubt.found);
	rig.slip_Nm = 0.5;
	gate = judge_rig(&rig);
	assert_true(gate.usable);
	assert_true(gate.doubt.found);
	assert_int_equal(gate.doubt.piece, -1);
	assert_int_equal(gate.doubt.series, 3);
}

/* A hanger that weighs a tenth of a kilogram more than weights.ini says: 0.49 N·m at each load, 0.87 % of the
 * largest. */
static void a_hanger_that_is_a_little_heavier_is_doubted(void **state)
{
	struct rig rig = good();

	(void)state;
	rig.piece_true[0] = 1.2;
	struct cellcal_gate gate = judge_rig(&rig);
	assert_true(gate.usable);
	assert_true(gate.doubt.found);
	assert_int_equal(gate.doubt.piece, 0);
	assert_int_equal(gate.doubt.series, 0);
	assert_near(gate.doubt.fits_Nm, 0.6 * 9.81 * 0.5, 0.03);
}

/* What a sound rig has: friction of 30 mN·m, a bow of 0.1 %, a loop of 0.1 %, mountings that differ by 0.05 %. */
static void a_sound_rig_is_not_doubted(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	gsl_rng_set(r, seed);
	for (int k = 0; k < 400; k++) {
		struct rig rig = good();
		struct scene s;
		rig.noise_Nm = gsl_ran_flat(r, 0, 0.02);
		rig.bow_frac = gsl_ran_flat(r, -0.001, 0.001);
		rig.loop_frac = gsl_ran_flat(r, 0, 0.001);
		rig.friction_Nm = gsl_ran_flat(r, 0, 0.03);
		for (int j = 0; j < SERIES; j++)
			rig.mount_frac[j] = gsl_ran_flat(r, -5e-4, 5e-4);
		take(&s, r, &rig);
		struct cellcal_gate gate = judge(&s);
		if (gate.doubt.found)
			fail_msg("seed %lu, rig %d: piece %d, series %d, %g fits %g N·m", seed, k, gate.doubt.piece,
				 gate.doubt.series, gate.doubt.stated_Nm, gate.doubt.fits_Nm);
	}
	gsl_rng_free(r);
}

/* The third piece is of 1 kg and not of 2 kg, in every series: it hangs from load 2 on. */
static void a_piece_that_is_another_is_named(void **state)
{
	struct rig rig = good();

	(void)state;
	rig.piece_true[2] = 0.5;
	struct cellcal_gate gate = judge_rig(&rig);
	assert_true(failed(&gate, GATE_SLIP));
	assert_int_equal(gate.slip.piece, 2);
	assert_int_equal(gate.slip.series, 0);
	assert_near(gate.slip.fits_Nm, 9.81 * 0.5, 0.05);
}

static void a_hanger_left_out_of_the_sum_is_named(void **state)
{
	struct rig rig = good();

	(void)state;
	rig.piece_true[0] = 0;
	struct cellcal_gate gate = judge_rig(&rig);
	assert_true(failed(&gate, GATE_SLIP));
	assert_int_equal(gate.slip.piece, 0);
	assert_near(gate.slip.fits_Nm, 0, 0.05);
}

static void counts_beyond_the_converter_fail(void **state)
{
	struct rig rig = good();

	(void)state;
	rig.gain = 1e12 / 56.4;
	struct cellcal_gate gate = judge_rig(&rig);
	assert_int_equal(gate.finding[0].check, GATE_RANGE);
	assert_true(failed(&gate, GATE_SPAN));
	/* at its end already: 56.4 N·m make 8388607 counts, where the converter cuts off */
	rig = good();
	rig.gain = 8388607 / 56.4;
	gate = judge_rig(&rig);
	assert_int_equal(gate.n, 1);
	assert_int_equal(gate.finding[0].check, GATE_RANGE);
}

static void a_falling_indication_fails(void **state)
{
	struct rig rig = good();

	(void)state;
	rig.gain = -rig.gain;
	struct cellcal_gate gate = judge_rig(&rig);
	assert_int_equal(gate.n, 1);
	assert_int_equal(gate.finding[0].check, GATE_SIGN);
}

/* 60 N·m are to fill a converter of 24 bits by a ten-thousandth at least, and by no more than half as much again as it
 * has. */
static void full_scale_and_converter_agree(void **state)
{
	static const struct {
		double gain;
		bool usable;
	} rows[] = {
		{ 8388607e-4 / 60 * 1.1, true },
		{ 8388607e-4 / 60 * 0.9, false },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct rig rig = good();
		rig.gain = rows[i].gain;
		struct cellcal_gate gate = judge_rig(&rig);
		assert_int_equal(gate.usable, rows[i].usable);
		assert_int_equal(failed(&gate, GATE_SPAN), !rows[i].usable);
	}
}

/* 60 N·m at 116000 counts per N·m are 6.96e6. */
static void full_scale_and_its_stated_counts_agree(void **state)
{
	static const struct {
		double stated;
		bool usable;
	} rows[] = { { 6.96e6, true }, { 4.65e6, true },  { 4.63e6, false },
		     { 10.4e6, true }, { 10.5e6, false }, { NAN, true } };
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	const struct rig rig = good();
	struct scene s;

	(void)state;
	gsl_rng_set(r, seed);
	take(&s, r, &rig);
	gsl_rng_free(r);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		s.g.full_scale_count = rows[i].stated;
		struct cellcal_gate gate = judge(&s);
		if (gate.usable != rows[i].usable || failed(&gate, GATE_AGREE) == rows[i].usable)
			fail_msg("%g counts stated", rows[i].stated);
	}
}

/* 16 bits: 56.4 N·m make 45 counts, or 35. */
static void too_few_counts_fail(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	gsl_rng_set(r, seed);
	for (int few = 0; few < 2; few++) {
		struct rig rig = good();
		struct scene s;
		rig.gain = (few ? 35 : 45) / 56.4;
		take(&s, r, &rig);
		s.g.most_count = 32767;
		struct cellcal_gate gate = judge(&s);
		assert_int_equal(gate.n, few);
		assert_int_equal(failed(&gate, GATE_COUNTS), few);
	}
	gsl_rng_free(r);
}

/* A bow of 15 % at half scale: far from a line, and no load alone is to blame. */
static void what_is_no_line_fails(void **state)
{
	struct rig rig = good();

	(void)state;
	rig.bow_frac = 0.15;
	struct cellcal_gate gate = judge_rig(&rig);
	assert_int_equal(gate.n, 1);
	assert_int_equal(gate.finding[0].check, GATE_RESIDUAL);
}

static void a_zero_that_does_not_come_back_fails(void **state)
{
	struct rig rig = good();

	(void)state;
	rig.zero_frac = 0.06;
	struct cellcal_gate gate = judge_rig(&rig);
	assert_true(failed(&gate, GATE_ZERO));
	rig.zero_frac = 0.04;
	gate = judge_rig(&rig);
	assert_false(failed(&gate, GATE_ZERO));
}

static void more_than_the_cell_s_full_scale_fails(void **state)
{
	struct rig rig = good();
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	struct scene s;

	(void)state;
	gsl_rng_set(r, seed);
	take(&s, r, &rig);
	s.g.full_scale_Nm = 50;
	struct cellcal_gate gate = judge(&s);
	gsl_rng_free(r);
	assert_int_equal(gate.n, 1);
	assert_int_equal(gate.finding[0].check, GATE_OVERLOAD);
}

/* mV/V of an indicator: no converter to compare with, and a cell that is pressed may well count downwards. */
static void an_indicator_in_mV_per_V_is_judged_by_its_line_alone(void **state)
{
	struct rig rig = good();
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	struct scene s;

	(void)state;
	gsl_rng_set(r, seed);
	rig.gain = -2.0 / 60;
	take(&s, r, &rig);
	s.g = (struct cellcal_gate_input){ .in = &s.in, .full_scale_Nm = NAN, .most_count = NAN };
	struct cellcal_gate gate = judge(&s);
	assert_true(gate.usable);
	gsl_rng_free(r);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_good_rig_passes),
		cmocka_unit_test(a_poor_but_honest_rig_passes),
		cmocka_unit_test(nothing_hung_is_no_calibration),
		cmocka_unit_test(one_wrong_weight_is_named),
		cmocka_unit_test(a_small_slip_is_found_in_a_quiet_rig),
		cmocka_unit_test(a_hanger_that_is_a_little_heavier_is_doubted),
		cmocka_unit_test(a_sound_rig_is_not_doubted),
		cmocka_unit_test(a_piece_that_is_another_is_named),
		cmocka_unit_test(a_hanger_left_out_of_the_sum_is_named),
		cmocka_unit_test(counts_beyond_the_converter_fail),
		cmocka_unit_test(a_falling_indication_fails),
		cmocka_unit_test(full_scale_and_converter_agree),
		cmocka_unit_test(full_scale_and_its_stated_counts_agree),
		cmocka_unit_test(too_few_counts_fail),
		cmocka_unit_test(what_is_no_line_fails),
		cmocka_unit_test(a_zero_that_does_not_come_back_fails),
		cmocka_unit_test(more_than_the_cell_s_full_scale_fails),
		cmocka_unit_test(an_indicator_in_mV_per_V_is_judged_by_its_line_alone),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
