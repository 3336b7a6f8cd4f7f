/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/fits_dc.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdlib.h>

/* A motor by the handbook's relations: k_t 0.05 N.m/A, I0 0.1 A, n0 3000 rev/min, stall at I = 10 A, so
 * T_stall = 0.05 (10 - 0.1) = 0.495 N.m; eta_max = (1 - sqrt(0.1/10))^2 = 0.81 (checks of the trade: I0 0.1, Is 10 ->
 * 0.81); most power at half the stall torque: 0.2475 * 1500 * pi/30 = 38.877 W. */
static struct curve *motor(double upto_frac, double u_shared)
{
	struct curve *c = calloc(1, sizeof *c);
	enum { N = 6 };

	c->ctx = unc_ctx_new();
	c->points = calloc(N, sizeof *c->points);
	c->n = N;
	c->coverage = 0.95;
	uint32_t lever = unc_source(c->ctx, "lever", DIST_NORMAL, INFINITY);
	for (int i = 0; i < N; i++) {
		double torque = 0.495 * upto_frac * i / (N - 1);
		struct curve_point *p = &c->points[i];
		p->settled = true;
		p->limit = LIMIT_NONE;
		p->torque_Nm = unc_from(c->ctx, torque, lever, torque * u_shared);
		p->speed_rpm = unc_exact(3000 * (1 - torque / 0.495));
		p->current_A = unc_exact(0.1 + torque / 0.05);
		p->voltage_V = unc_exact(12);
	}
	return c;
}

static void the_handbook_s_relations_come_back(void **state)
{
	struct curve *c = motor(0.5, 0);
	struct fits_dc f = fits_dc_of(c, false);
	(void)state;

	assert_true(f.torque_current && f.speed_torque && f.with_stall_current);
	assert_true(fabs(f.k_t_Nm_per_A.value - 0.05) < 1e-12);
	assert_true(fabs(f.no_load_A.value - 0.1) < 1e-10);
	assert_true(fabs(f.no_load_rpm.value - 3000) < 1e-8);
	assert_true(fabs(f.stall_Nm.value - 0.495) < 1e-10);
	assert_true(fabs(f.peak_efficiency.value - 0.81) < 1e-9);
	assert_true(fabs(f.max_power_W.value - 38.877) < 1e-3);
	assert_true(f.stall_extrapolated);
	assert_true(fabs(fits_dc_torque_at(c, &f, 1500).value - 0.2475) < 1e-10);
	curve_free(c);
	c = motor(1, 0);
	assert_false(fits_dc_of(c, false).stall_extrapolated);
	assert_false(fits_dc_of(c, true).speed_torque); /* the drive held the speed */
	curve_free(c);
}

/* A lever that is 1 % long makes every torque 1 % large: k_t and stall take all of it, I0 and n0 none. */
static void what_the_points_share_goes_through(void **state)
{
	struct curve *c = motor(0.5, 0.01);
	struct fits_dc f = fits_dc_of(c, false);
	(void)state;

	assert_true(fabs(unc_u(f.k_t_Nm_per_A) / f.k_t_Nm_per_A.value - 0.01) < 1e-6);
	assert_true(fabs(unc_u(f.stall_Nm) / f.stall_Nm.value - 0.01) < 1e-6);
	assert_true(unc_u(f.no_load_A) < 1e-9);
	assert_true(unc_u(f.no_load_rpm) < 1e-6);
	curve_free(c);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_handbook_s_relations_come_back),
		cmocka_unit_test(what_the_points_share_goes_through),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
