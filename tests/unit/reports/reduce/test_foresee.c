/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Foretold against reached: a run is made (tests/unit/reports/made_run.h), reduced from its samples, and its points are
 * foretold from its calibration and profiles alone. */
#include "reports/reduce/curve.h"
#include "reports/reduce/expect.h"
#include "reports/reduce/foresee.h"
#include "reports/reduce/study.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/near.h"
#include "tests/unit/reports/made_run.h"

#define STEPS 5
#define WINDOW_S 6
static const double loads[STEPS] = { 3, 8, 15, 22, 30 };

struct scene {
	struct rig_profile rig;
	struct actuator_profile actuator;
	struct plan_profile plan;
	struct cellcal cal;
};

static void read_scene(struct made *m, const char *rig, struct scene *s)
{
	struct mistakes mistakes = { 0 };
	struct err err = { 0 };
	char *kind = NULL, *json = NULL;
	int64_t wall;

	made_check(profile_parse_rig(rig, "rig.ini", &s->rig, &mistakes, &err), &err);
	made_check(profile_parse_actuator(made_actuator, "a.ini", &s->actuator, &mistakes, &err), &err);
	made_check(profile_parse_plan(made_plan, "p.ini", &s->plan, &mistakes, &err), &err);
	made_check(logbook_record_by_id(m->lb, m->calibration_id, &kind, &wall, &json, &err), &err);
	made_check(record_to_cellcal(json, &s->cal, &err), &err);
	free(kind);
	free(json);
}

/* earlier: another run of the same actuator, or NULL. */
static void foretell_after(const struct scene *s, const struct curve *earlier, const struct curve *c,
			   struct foreseen *ret)
{
	struct foresee_step step[STEPS];
	struct err err = { 0 };
	struct foresee_input in = { .rig = &s->rig,
				    .actuator = &s->actuator,
				    .plan = &s->plan,
				    .cal = &s->cal,
				    .drag_Nm = 0,
				    .turned = true,
				    .length_s = 60 };

	for (size_t i = 0; i < STEPS; i++)
		step[i] = (struct foresee_step){ c->points[i].torque_Nm.value,
						 c->points[i].speed_rpm.value,
						 c->points[i].input_power_W.value,
						 c->points[i].voltage_V.value,
						 10.0 * (double)(i + 1),
						 NAN,
						 NAN,
						 1,
						 0 };
	expect_zero(earlier, NULL, &in);
	for (size_t i = 0; earlier && i < STEPS; i++) {
		step[i].input_W = step[i].volt_V = NAN;
		expect_step(earlier, NULL, WINDOW_S, 0, &step[i]);
	}
	made_check(foresee(&in, step, STEPS, ret, &err), &err);
}

static void foretell(const struct scene *s, const struct curve *c, struct foreseen *ret)
{
	foretell_after(s, NULL, c, ret);
}

static struct curve *make(struct made *m)
{
	struct curve *c = NULL;
	struct err err = { 0 };

	m->n_steps = STEPS;
	m->window_s = WINDOW_S;
	for (size_t i = 0; i < STEPS; i++)
		m->step[i] = (struct made_step){ loads[i], 85, 48, 0.5 + 0.27 * loads[i], 0.02 * loads[i], 1, false };
	made_run(m);
	made_check(curve_from_run(m->lb, m->run_id, &c, &err), &err);
	assert_int_equal(c->n, STEPS);
	return c;
}

/* From a quarter of the range on; lighter ones hang on how the drag fluctuates while the zero is read. */
static void the_reached_one_is_near(void **state)
{
	(void)state;
	for (unsigned long seed = 1; seed <= 6; seed++) {
		struct made m = { .seed = seed };
		struct scene s;
		struct foreseen f[STEPS];
		struct curve *c = make(&m);
		read_scene(&m, made_rig, &s);
		foretell(&s, c, f);
		for (size_t i = 2; i < STEPS; i++) {
			double reached = unc_u(c->points[i].torque_Nm), eff = unc_u(c->points[i].efficiency);
			assert_near(f[i].u_torque_Nm / reached, 1, 0.15);
			assert_near(f[i].u_efficiency / eff, 1, 0.15);
		}
		curve_free(c);
		made_free(&m);
	}
}

/* A cell whose falling branch lies 0.15 N·m above the rising one: after the heaviest load the loop is part of what is
 * not known, and the sweep that falls is foretold by its history. */
static void falling_loads_have_the_loop_of_their_history(void **state)
{
	static const double order[STEPS] = { 8, 30, 22, 15, 8 };
	struct made m = { .seed = 3, .n_steps = STEPS, .window_s = WINDOW_S, .loop_Nm = 0.15 };
	struct scene s;
	struct foreseen f[STEPS];
	struct curve *c = NULL;
	struct err err = { 0 };

	(void)state;
	for (size_t i = 0; i < STEPS; i++)
		m.step[i] = (struct made_step){ order[i], 85, 48, 0.5 + 0.27 * order[i], 0.02 * order[i], 1, false };
	made_run(&m);
	made_check(curve_from_run(m.lb, m.run_id, &c, &err), &err);
	read_scene(&m, made_rig, &s);
	foretell(&s, c, f);
	for (size_t i = 1; i < STEPS; i++)
		assert_near(f[i].u_torque_Nm / unc_u(c->points[i].torque_Nm), 1, 0.15);
	assert_true(f[4].u_torque_Nm > 1.5 * f[0].u_torque_Nm);
	curve_free(c);
	made_free(&m);
}

/* The zero of a made run stands still, and half of what is explained is foretold: so much more of the i-th step's u, by
 * the rectangle whose half-width is half of that in the middle. The zeros are foretold at -10 s and 70 s. */
static double of_the_zero_to_come(const struct curve *c, size_t i)
{
	double share = (10.0 * (double)(i + 1) + 10) / 80;

	return 2 * sqrt(share * (1 - share)) * (0.5 * c->zero.u_moved_Nm / 2) / sqrt(3);
}

/* An earlier run of other noise tells noise and input power: the light steps are near then too, and nothing of this run
 * but torque and speed is needed. */
static void an_earlier_run_tells_noise_and_power(void **state)
{
	(void)state;
	for (unsigned long seed = 1; seed <= 6; seed++) {
		struct made m = { .seed = seed }, old = { .seed = seed + 100 };
		struct scene s;
		struct foreseen f[STEPS], blind[STEPS];
		struct curve *c = make(&m), *earlier = make(&old);
		read_scene(&m, made_rig, &s);
		foretell(&s, c, blind);
		foretell_after(&s, earlier, c, f);
		for (size_t i = 0; i < STEPS; i++) {
			const struct curve_point *p = &c->points[i];
			double more_Nm = of_the_zero_to_come(c, i);
			double u_efficiency =
				hypot(unc_u(p->efficiency), p->efficiency.value * more_Nm / p->torque_Nm.value);
			assert_true(f[i].u_torque_Nm > blind[i].u_torque_Nm);
			assert_near(f[i].u_torque_Nm / hypot(unc_u(p->torque_Nm), more_Nm), 1, 0.05);
			assert_near(f[i].u_efficiency / u_efficiency, 1, 0.15);
		}
		curve_free(c);
		curve_free(earlier);
		made_free(&m);
		made_free(&old);
	}
}

/* P_loss = 20 + 2 T + 0.1 T^2 + 0.5 n + 0.001 T^4, which no fit of losses.h has, by eight points of a made map at two
 * speeds: what a step at a third speed takes. Between 11 and 16 N·m by the chord: (12.1 + 14.641) and (25.6 + 65.536).
 * A step without load, below the lightest of 1 N·m, loses as much as that one. Above 16 N·m the fit holds. */
static void a_map_tells_the_power_of_another_speed(void **state)
{
	(void)state;
	struct curve_point point[8];
	struct curve map = { .ctx = unc_ctx_new(),
			     .n = 8,
			     .points = point,
			     .coverage = 0.95,
			     .zero = { .noise_Nm = 0.004, .noise_dof = 5 } };
	struct foresee_step step = { 12, 60, 1, 47, 100, NAN, NAN, 1, 0 }, idle = { 0, 60, 1, 47, 10, NAN, NAN, 1, 0 },
			    beyond = { 18, 60, 1, 47, 200, NAN, NAN, 1, 0 };
	struct foresee_input in = { .zero_noise_Nm = NAN };

	for (int i = 0; i < 8; i++) {
		double T = 1 + 5 * (i / 2), n = i % 2 ? 30 : 80, out = T * rad_per_s_from_rpm(n);
		double in_W = out + 20 + 2 * T + 0.1 * T * T + 0.5 * n + 0.001 * pow(T, 4);
		point[i] = (struct curve_point){ .step = i,
						 .direction = 1,
						 .settled = true,
						 .setpoint_rpm = n,
						 .end_s = 4,
						 .torque_Nm = unc_with(
							 map.ctx, unc_exact(T),
							 unc_source(map.ctx, "torque noise, step 1", DIST_NORMAL, 100),
							 0.001 * (i + 1)),
						 .speed_rpm = unc_exact(n),
						 .shaft_power_W = unc_exact(out),
						 .voltage_V = unc_exact(48),
						 .fluctuation_Nm = 0.01 * (i + 1),
						 .input_power_W = unc_exact(in_W) };
	}
	expect_zero(NULL, &map, &in);
	expect_step(NULL, &map, 16, 0.7, &step);
	expect_step(NULL, &map, 4, 0.7, &idle);
	assert_near(in.zero_noise_Nm, 0.004, 1e-15);
	expect_step(NULL, &map, 4, 0.7, &beyond);
	assert_near(step.input_W,
		    12 * rad_per_s_from_rpm(60) + 20 + 24 + 30 + 26.741 + (12 - 11) / 5.0 * (91.136 - 26.741), 1e-6);
	assert_near(idle.input_W, 0.7 * rad_per_s_from_rpm(60) + 20 + 2 + 0.1 + 30 + 0.001, 1e-6);
	assert_near(beyond.input_W, 18 * rad_per_s_from_rpm(60) + 20 + 36 + 32.4 + 30 + 104.976, 25);
	/* nearest: 11 N·m at 80 rpm, the fifth; a dwell four times as long halves its noise */
	assert_near(step.noise_Nm, 0.005 / 2, 1e-12);
	assert_near(step.fluctuation_Nm, 0.05, 1e-12);
	assert_near(idle.torque_Nm, 0.7, 0);
	unc_ctx_free(map.ctx);
}

/* A study whose groups differ by 3 % of the efficiency: u of each point has it beside what it has without. */
static void a_study_is_a_source_of_each_point(void **state)
{
	struct made m = { .seed = 4 };
	struct scene s;
	struct foreseen f[STEPS], without[STEPS];
	struct curve *c = make(&m);
	struct err err = { 0 };
	struct foresee_step step[STEPS];
	const struct study_source study = { .record_id = 7,
					    .by = "operator",
					    .groups = 4,
					    .n = 1,
					    .spread = {
						    { COMPARE_EFFICIENCY, 1, c->points[0].setpoint_rpm, 10, 0.03 } } };
	struct foresee_input in;

	(void)state;
	read_scene(&m, made_rig, &s);
	in = (struct foresee_input){
		.rig = &s.rig, .actuator = &s.actuator, .plan = &s.plan, .cal = &s.cal, .turned = true, .length_s = 60
	};
	for (size_t i = 0; i < STEPS; i++)
		step[i] = (struct foresee_step){
			loads[i], 85, c->points[i].input_power_W.value, 48, 10.0 * (double)(i + 1), NAN, NAN, 1, 0
		};
	made_check(foresee(&in, step, STEPS, without, &err), &err);
	in.study = &study;
	made_check(foresee(&in, step, STEPS, f, &err), &err);
	for (size_t i = 0; i < STEPS; i++) {
		double efficiency = c->points[i].efficiency.value;
		assert_near(f[i].u_efficiency / hypot(without[i].u_efficiency, 0.03 * efficiency), 1, 0.01);
		assert_near(f[i].u_torque_Nm, without[i].u_torque_Nm, 0);
	}
	curve_free(c);
	made_free(&m);
}

/* An arm that is known ten times worse carries nearly all, and is what the advice is about. */
static void the_largest_source_is_named(void **state)
{
	(void)state;
	struct made m = { .seed = 3 };
	struct scene s;
	struct foreseen f[STEPS];
	struct curve *c = make(&m);

	read_scene(&m, made_rig, &s);
	for (size_t k = 0; k < s.cal.n_sources; k++)
		for (size_t j = 0; j < CELLCAL_COEFS; j++) {
			s.cal.dcoef[k][j] *= 10;
			s.cal.branches.drise[k][j] *= 10;
		}
	foretell(&s, c, f);
	assert_string_equal(f[4].source, s.cal.source[0].name);
	assert_true(f[4].share > 0.9);
	assert_near(f[4].u_torque_Nm, 30 * 10 * MADE_U_ARM, 0.1 * 30 * 10 * MADE_U_ARM);
	assert_true(f[4].U_halved_Nm < 0.6 * f[4].U_torque_Nm);
	assert_true(f[4].advice[0] != '\0');
	curve_free(c);
	made_free(&m);
}

/* An arm of 500 mm ± 4 mm (k = 2) alone: U is 1.96 times 0.4 % of the torque, and of ± 2 mm half of that. Where rig.ini
 * states another arm than the one that the calibration knew, no length is told. */
static void advice_is_told_in_the_units_of_rig_ini(void **state)
{
	(void)state;
	struct made m = { .seed = 3 };
	struct scene s;
	struct foreseen f[STEPS];
	struct curve *c = make(&m);

	read_scene(&m, made_rig, &s);
	for (size_t j = 0; j < CELLCAL_COEFS; j++) {
		s.cal.dcoef[0][j] *= 10;
		s.cal.branches.drise[0][j] *= 10;
	}
	snprintf(s.cal.source[0].name, sizeof s.cal.source[0].name, "calibration arm");
	s.rig.arm_m.u = 0.002;
	foretell(&s, c, f);
	assert_non_null(strstr(f[4].advice, "N·m, of which calibration arm 0.78 %."));
	assert_non_null(strstr(f[4].advice, "Measure the arm's length to ± 2 mm: it would be ± 0.39 %"));
	assert_non_null(strstr(f[4].advice, "Twice the dwell would change nothing."));
	s.rig.arm_m.u = 0.0002;
	foretell(&s, c, f);
	assert_non_null(strstr(f[4].advice, "Measure the arm's length: half of it would give ± 0.39 %"));
	curve_free(c);
	made_free(&m);
}

/* What two zeros of u = 1 N·m each leave open in the middle between them: half of each, and they will differ by half
 * of sqrt 2, of which a half is the rectangle's half-width there. */
#define TWO_ZEROS hypot(sqrt(0.5), 0.25 * sqrt(2) / sqrt(3))

/* Two zeros that scatter by 1 N·m each: at the middle of the run each gives half of the variance, and the zero is what
 * has to be mended. A tenth of the torque or more is told in N·m. */
static void readings_of_the_zero_count_together(void **state)
{
	(void)state;
	struct made m = { .seed = 3 };
	struct scene s;
	struct foreseen f;
	struct err err = { 0 };
	struct curve *c = make(&m);
	const struct foresee_step step = { 10, 85, 150, 48, 30, NAN, NAN, 1, 0 };

	read_scene(&m, made_rig, &s);
	const struct foresee_input in = { .rig = &s.rig,
					  .actuator = &s.actuator,
					  .plan = &s.plan,
					  .cal = &s.cal,
					  .turned = true,
					  .length_s = 60,
					  .zero_noise_Nm = 1,
					  .zero_dof = INFINITY };
	made_check(foresee(&in, &step, 1, &f, &err), &err);
	assert_string_equal(f.source, "zero reading");
	assert_near(f.u_torque_Nm, TWO_ZEROS, 1e-3);
	assert_near(f.share, 0.5 / (TWO_ZEROS * TWO_ZEROS), 1e-3);
	assert_near(f.U_halved_Nm / f.U_torque_Nm, sqrt((0.125 + 0.125 / 3) / (0.5 + 0.125 / 3)), 0.03);
	assert_non_null(strstr(f.advice, "N·m at 10 N·m, of which zero reading"));
	curve_free(c);
	made_free(&m);
}

/* A drag that fades leaves each zero open by u = 1 N·m in the earlier run: half of each at the middle of the run. The
 * zero itself is where it was, and one at rest has none of it. */
static void drag_that_fades_is_part_of_the_zero(void **state)
{
	struct made m = { .seed = 3 };
	struct scene s;
	struct foreseen f;
	struct err err = { 0 };
	struct curve *c = make(&m);
	const struct foresee_step step = { 10, 85, 150, 48, 30, NAN, NAN, 1, 0 };
	struct foresee_input in = {
		.rig = &s.rig, .actuator = &s.actuator, .plan = &s.plan, .cal = &s.cal, .length_s = 60
	};

	(void)state;
	read_scene(&m, made_rig, &s);
	s.rig.drag_ratio.value = 1.1;
	c->zero.u_faded_Nm = 1;
	for (int turned = 0; turned < 2; turned++) {
		c->zero.turned = in.turned = turned;
		expect_zero(c, NULL, &in);
		assert_near(in.zero_u_faded_Nm, 1, 0);
		made_check(foresee(&in, &step, 1, &f, &err), &err);
		assert_string_equal(f.source, turned ? "drag that fades" : "friction locked in");
	}
	assert_near(f.u_torque_Nm, TWO_ZEROS, 1e-3);
	assert_non_null(strstr(f.advice, "Clear the brake before the zero"));
	curve_free(c);
	made_free(&m);
}

/* A cradle whose bearing has 0.1 N·m of dry friction, or none; a torque that fluctuates by 1 N·m shakes all of it
 * loose, so that both are foretold alike. */
static void a_torque_that_fluctuates_shakes_the_cradle_loose(void **state)
{
	struct made m = { .seed = 3 };
	struct scene s;
	struct err err = { 0 };
	struct curve *c = make(&m);
	const struct foresee_input in = {
		.rig = &s.rig, .actuator = &s.actuator, .plan = &s.plan, .cal = &s.cal, .turned = true, .length_s = 60
	};
	double u_Nm[2][2]; /* with friction or not, with fluctuation or not */

	(void)state;
	read_scene(&m, made_rig, &s);
	for (int rough = 0; rough < 2; rough++)
		for (int shaken = 0; shaken < 2; shaken++) {
			const struct foresee_step step = { 3, 85, 150, 48, 30, NAN, NAN, 1, shaken };
			struct foreseen f;
			s.cal.branches.friction = rough ? 0.1 / cellcal_slope_Nm(&s.cal, 0) : 0;
			made_check(foresee(&in, &step, 1, &f, &err), &err);
			u_Nm[rough][shaken] = f.u_torque_Nm;
		}
	assert_true(u_Nm[1][0] > 1.5 * u_Nm[0][0]);
	assert_near(u_Nm[1][1], u_Nm[0][1], 1e-6);
	curve_free(c);
	made_free(&m);
}

static void what_cannot_be_told_is_left_open(void **state)
{
	(void)state;
	struct made m = { .seed = 3 };
	struct scene s;
	struct foreseen f[2];
	struct err err = { 0 };
	struct curve *c = make(&m);
	const struct foresee_step steps[] = { { 1e4, 85, 100, 48, 5, NAN, NAN, 1, 0 },
					      { 10, 85, NAN, NAN, 6, NAN, NAN, 1, 0 } };

	read_scene(&m, made_rig, &s);
	const struct foresee_input in = {
		.rig = &s.rig, .actuator = &s.actuator, .plan = &s.plan, .cal = &s.cal, .drag_Nm = NAN, .length_s = NAN
	};
	made_check(foresee(&in, steps, 2, f, &err), &err);
	assert_true(isnan(f[0].u_torque_Nm));
	assert_true(f[1].u_torque_Nm > 0);
	assert_true(isnan(f[1].u_efficiency));
	curve_free(c);
	made_free(&m);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_reached_one_is_near),
		cmocka_unit_test(falling_loads_have_the_loop_of_their_history),
		cmocka_unit_test(an_earlier_run_tells_noise_and_power),
		cmocka_unit_test(a_map_tells_the_power_of_another_speed),
		cmocka_unit_test(a_study_is_a_source_of_each_point),
		cmocka_unit_test(the_largest_source_is_named),
		cmocka_unit_test(advice_is_told_in_the_units_of_rig_ini),
		cmocka_unit_test(readings_of_the_zero_count_together),
		cmocka_unit_test(drag_that_fades_is_part_of_the_zero),
		cmocka_unit_test(a_torque_that_fluctuates_shakes_the_cradle_loose),
		cmocka_unit_test(what_cannot_be_told_is_left_open),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
