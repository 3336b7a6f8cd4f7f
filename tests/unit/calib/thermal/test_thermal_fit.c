/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Records made by small steps of the heat balance (joules and watts), which the fit does not know: does it find what
 * was put in, and do its intervals hold it? */
#include "calib/thermal/thermal_fit.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define ROWS 160
#define DT 30.0

static double past_W; /* into the case, while there is load */
static double t[ROWS], winding[ROWS], box[ROWS], air[ROWS], torque[ROWS], loss[ROWS];

/* tau 90 s and 1500 s, 1.5 K/W and 2.5 K/W, loss 4 W + 0.06 W/Nm2 (1 + copper (T - 20)). */
static void make(gsl_rng *rng, double noise, double copper)
{
	double C_w = 90 / 1.5, C_c = 1500 / 2.5, T[2] = { 22, 22 };

	for (size_t i = 0; i < ROWS; i++) {
		t[i] = DT * (double)i;
		torque[i] = i < 50 ? 12 : i < 110 ? 20 : 0;
		air[i] = 22 + 0.01 * (double)i;
		winding[i] = T[0] + gsl_ran_gaussian(rng, noise);
		box[i] = T[1] + gsl_ran_gaussian(rng, noise);
		loss[i] = 0;
		for (int k = 0; k < 300; k++) {
			double dt = DT / 300;
			double P = i < 110 ? 4 + 0.06 * torque[i] * torque[i] * (1 + copper * (T[0] - 20)) : 0;
			double between = (T[0] - T[1]) / 1.5, out = (T[1] - air[i] - 0.01 * k / 300) / 2.5;
			T[0] += dt * (P - between) / C_w;
			T[1] += dt * (between - out + (i < 110 ? past_W : 0)) / C_c;
			loss[i] += P / 300;
		}
		loss[i] += gsl_ran_gaussian(rng, noise / 10);
	}
}

static struct thermal_record whole(void)
{
	return (struct thermal_record){ ROWS, t, winding, box, air, torque, loss, NULL, 0 };
}

static void finds_what_was_put_in(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct thermal_fit f;
	struct err err;

	(void)state;
	make(rng, 1e-4, 0.003);
	struct thermal_record r = whole();
	if (thermal_fit(&r, &f, &err))
		fail_msg("%s", err.what);
	assert_near(f.model.tau_s[0], 90, 0.5);
	assert_near(f.model.tau_s[1], 1500, 3);
	assert_near(f.model.resistance_K_per_W[0], 1.5, 0.005);
	assert_near(f.model.resistance_K_per_W[1], 2.5, 0.005);
	assert_near(thermal_loss_W(&f.loss, 20, 60), 4 + 0.06 * 400 * (1 + 0.003 * 40), 0.1);
	assert_near(f.loss.fixed_W, 4, 0.2);
	/* the same, told in watts or not */
	r.loss_W = NULL;
	make(rng, 1e-4, 0);
	if (thermal_fit(&r, &f, &err))
		fail_msg("%s", err.what);
	assert_false(f.watts);
	assert_near(thermal_steady_degC(&f.model, &f.loss, 15, 25), 25 + 4.0 * (4 + 0.06 * 225), 0.1);
	/* one store */
	struct thermal_record one = { 5, t, winding, NULL, air, NULL, NULL, NULL, 0 };
	for (int i = 0; i < 5; i++)
		winding[i] = 22 + 40 * (1 - exp(-t[i] / 77.0)), air[i] = 22;
	if (thermal_fit(&one, &f, &err))
		fail_msg("%s", err.what);
	assert_near(f.model.tau_s[0], 77, 1e-3);
	gsl_rng_free(rng);
}

/* 4 W past the winding are 4 * 2.5 K in the case and in the winding, in the end. The plain model, which leads all heat
 * through the winding, finds the case's time constant too small; with these watts told it finds what was put in. */
static void heat_past_the_winding_counts(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct thermal_fit f;
	struct err err;

	(void)state;
	past_W = 4;
	make(rng, 1e-3, 0);
	past_W = 0;
	struct thermal_record r = whole();
	assert_int_equal(thermal_fit(&r, &f, &err), RC_OK);
	assert_true(f.model.tau_s[1] < 1450);
	r.beside_W = 4;
	if (thermal_fit(&r, &f, &err))
		fail_msg("%s", err.what);
	assert_near(f.model.tau_s[0], 90, 0.5);
	assert_near(f.model.tau_s[1], 1500, 3);
	assert_near(f.model.resistance_K_per_W[0], 1.5, 0.005);
	assert_near(f.model.resistance_K_per_W[1], 2.5, 0.01);
	assert_near(thermal_steady_degC(&f.model, &f.loss, 15, 25), 25 + 4.0 * (4 + 0.06 * 225) + 4 * 2.5, 0.1);
	gsl_rng_free(rng);
}

/* A structure that the model does not have is told. */
static void tells_a_lack_of_fit(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct thermal_fit f;
	struct err err;

	(void)state;
	make(rng, 0.1, 0);
	struct thermal_record r = whole();
	if (thermal_fit(&r, &f, &err))
		fail_msg("%s", err.what);
	assert_true(f.lack_p > 0.01);
	r.case_degC = NULL; /* two stores told by one */
	if (thermal_fit(&r, &f, &err))
		fail_msg("%s", err.what);
	assert_true(f.lack_p < 1e-6 && f.lack_K > 0.5);
	gsl_rng_free(rng);
}

static double case_tau(const struct thermal_model *m, const struct thermal_loss *l, void *ctx)
{
	(void)l;
	(void)ctx;
	return m->tau_s[1];
}
static double limit_torque(const struct thermal_model *m, const struct thermal_loss *l, void *ctx)
{
	(void)ctx;
	return thermal_continuous_Nm(m, l, 25, 110);
}
static double limit_time(const struct thermal_model *m, const struct thermal_loss *l, void *ctx)
{
	static const double cold[2] = { 25, 25 };

	(void)ctx;
	return thermal_time_to_s(m, l, 25, cold, 25, 110);
}

/* 200 records: of 600 intervals of 95 % between 90 and 99.5 % hold the truth (three answers of one record go together,
 * so the binomial limits are those of 200: 91 to 98 %, and the widening by autocorrelation adds some). */
static void intervals_hold_the_truth(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	double (*const f[])(const struct thermal_model *, const struct thermal_loss *,
			    void *) = { case_tau, limit_torque, limit_time };
	struct thermal_model m = { true, { 90, 1500 }, { 1.5, 2.5 } };
	struct thermal_loss l = { 4, 0.06, 0, 0 };
	int held[3] = { 0 }, by_u[3] = { 0 };
	struct thermal_fit fit;
	struct err err;

	(void)state;
	gsl_rng_set(rng, 20260926);
	for (int i = 0; i < 200; i++) {
		make(rng, 0.3, 0);
		struct thermal_record r = whole();
		if (thermal_fit(&r, &fit, &err))
			fail_msg("%s", err.what);
		for (int k = 0; k < 3; k++) {
			struct thermal_answer a = thermal_answer(&fit, f[k], NULL);
			double truth = f[k](&m, &l, NULL);
			held[k] += a.low <= truth && truth <= a.high;
			by_u[k] += fabs(a.value - truth) <= gsl_cdf_tdist_Pinv(0.975, fit.dof) * a.u;
		}
	}
	print_message("# of 200: tau %d %d, continuous torque %d %d, time to the limit %d %d\n", held[0], by_u[0],
		      held[1], by_u[1], held[2], by_u[2]);
	for (int k = 0; k < 3; k++) {
		assert_in_range(held[k], 180, 199);
		assert_in_range(by_u[k], 180, 199);
	}
	gsl_rng_free(rng);
}

static void refuses(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct thermal_fit f;
	struct err err;

	(void)state;
	make(rng, 0.1, 0);
	struct thermal_record r = whole();
	t[7] = t[6];
	assert_int_equal(thermal_fit(&r, &f, &err), RC_ARG);
	assert_non_null(strstr(err.what, "row 8"));
	t[7] = 7 * DT;
	r.n = 2;
	r.hold = NULL;
	assert_int_not_equal(thermal_fit(&r, &f, &err), RC_OK);
	r.n = ROWS;
	for (int i = 0; i < ROWS; i++)
		winding[i] = 22;
	assert_int_equal(thermal_fit(&r, &f, &err), RC_SINGULAR);
	assert_non_null(strstr(err.what, "0.5 K"));
	for (int i = 0; i < ROWS; i++)
		winding[i] = 22 + 0.1 * i; /* a straight line has no time constant */
	r.case_degC = NULL;
	r.torque_Nm = r.loss_W = NULL;
	assert_int_equal(thermal_fit(&r, &f, &err), RC_SINGULAR);
	gsl_rng_free(rng);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(finds_what_was_put_in),
		cmocka_unit_test(heat_past_the_winding_counts),
		cmocka_unit_test(tells_a_lack_of_fit),
		cmocka_unit_test(intervals_hold_the_truth),
		cmocka_unit_test(refuses),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
