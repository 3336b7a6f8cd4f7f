/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Volts, amperes and power of a point: means of products, what the meters are known to be off, the cable. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/reports/reduce/reduced_run.h"

/* Power is the mean of products: with volts and amperes that ripple against each other it is not the product of means.
 */
static void power_is_the_mean_of_products(void **state)
{
	struct made m = plain(4);
	struct err err = { 0 };
	(void)state;

	m.perfect = true;
	m.n_steps = 1;
	/* A second run by hand: 50 V at 2 A and 40 V at 6 A in turn. Means 45 V, 4 A; product 180 W; mean of products
	 * 170 W. */
	made_run(&m);
	begin_run(&m, 0);
	made_tare(&m);
	double begin_s = m.t_s;
	for (int i = 0; i < 400; i++) {
		struct made_step s = { 10, 85, i % 2 ? 50 : 40, i % 2 ? 2 : 6, 0.3, 1, false };
		struct sample row = made_sample(&m, &s, 0, NULL);
		assert_int_equal(logbook_samples(m.lb, m.run_id, &row, 1, &err), RC_OK);
	}
	made_point(&m, 0, 0, 10, begin_s);
	made_tare(&m);
	struct curve *c = curve_of(&m);
	assert_true(fabs(c->points[0].input_power_W.value - 170) < 1e-6);
	assert_true(fabs(c->points[0].voltage_V.value - 45) < 1e-6);
	assert_true(fabs(c->points[0].current_A.value - 4) < 1e-6);
	curve_free(c);
	made_free(&m);
}

static struct unc last_power(double node_ripple_W, const char *rig_text, double *ret_u)
{
	struct made m = plain(5);

	m.perfect = true;
	m.node_ripple_W = node_ripple_W;
	m.rig_text = rig_text;
	struct curve *c = reduced(&m);
	struct unc power = c->points[3].input_power_W;
	*ret_u = unc_u(power);
	curve_free(c);
	made_free(&m);
	return power;
}

/* Faster than a sample, volts and amperes ripple against each other. A node that multiplies before it averages tells
 * what the mean power is less than the product of its averages; of one that does not the profile says how much it may
 * be. */
static void power_inside_the_averages_is_told_or_owned_up_to(void **state)
{
	const double product = 47.7 * 8.2;
	char *rig = with(made_rig, "[meter]\n", "[meter]\nripple = 0.2 % ± 0.3 % rect\n");
	double u_told, u_not, u_stated;
	(void)state;

	assert_true(fabs(last_power(-0.5, NULL, &u_told).value - (product - 0.5)) < 1e-9);
	assert_true(fabs(last_power(NAN, NULL, &u_not).value - product) < 1e-9);
	assert_true(fabs(last_power(NAN, rig, &u_stated).value - product * 0.998) < 1e-9);
	/* 0.1 % and 0.3 % as limits, on top of all else; all else is the same within the 0.2 % */
	assert_true(fabs(sqrt(u_not * u_not - u_told * u_told) - product * 0.001 / sqrt(3)) < 0.01 * product * 0.001);
	assert_true(fabs(sqrt(u_stated * u_stated - u_told * u_told) - product * 0.003 / sqrt(3)) <
		    0.01 * product * 0.003);
	free(rig);
}

/* A meter known to be off: true = gain (shown - offset). What the profile states is taken off. */
static void what_is_known_of_the_meters_is_taken_off(void **state)
{
	struct made m = plain(6);
	(void)state;

	m.perfect = true;
	m.known_gain_V = 0.02;
	m.known_gain_A = -0.01;
	m.known_offset_V = 0.3;
	m.known_offset_A = -0.2;
	char *a = with(made_rig, "voltage_gain = 1 ", "voltage_gain = 1.02 "),
	     *b = with(a, "current_gain = 1 ", "current_gain = 0.99 ");
	char *c = with(b, "voltage_offset = 0 mV", "voltage_offset = 300 mV"),
	     *d = with(c, "current_offset = 0 mA", "current_offset = -200 mA");
	m.rig_text = d;
	struct curve *curve = reduced(&m);
	for (size_t i = 0; i < curve->n; i++) {
		assert_true(fabs(curve->points[i].voltage_V.value - m.step[i].volt) < 1e-9);
		assert_true(fabs(curve->points[i].current_A.value - m.step[i].amp) < 1e-9);
		assert_true(fabs(curve->points[i].input_power_W.value - m.step[i].volt * m.step[i].amp) < 1e-7);
	}
	curve_free(curve);
	made_free(&m);
	free(a);
	free(b);
	free(c);
	free(d);
}

/* Measured at the supply with 0.1 ohm of cable: 48 V, 5 A there are 47.5 V and 237.5 W at the actuator. Its stated
 * 0.01 ohm of uncertainty is 0.05 V and 0.25 W. */
static void a_meter_at_the_supply_is_brought_to_the_actuator(void **state)
{
	struct made m = {
		.seed = 6, .n_steps = 1, .window_s = 2, .perfect = true, .step = { { 10, 85, 48, 5, 0.3, 1, false } }
	};
	(void)state;

	char *rig = with(made_rig, "plane = actuator", "plane = supply\ncable = 0.1 ohm ± 0.01 ohm normal");
	m.rig_text = rig;
	struct curve *c = reduced(&m);
	const struct curve_point *p = &c->points[0];
	assert_true(fabs(p->voltage_V.value - 47.5) < 1e-9);
	assert_true(fabs(p->input_power_W.value - 237.5) < 1e-9);
	assert_true(fabs(part_by_name(c, p->voltage_V, "cable resistance") - 0.05) < 1e-9);
	assert_true(fabs(part_by_name(c, p->input_power_W, "cable resistance") - 0.25) < 1e-9);
	curve_free(c);
	made_free(&m);
	free(rig);
}

/* Torque that fluctuates at a steady speed and input power: another window's shaft power differs by what its torque
 * differs, times the speed, and its efficiency by that over the input power. Two estimates of the same from the same
 * window, one of them from 20 stretches: alike on average within a third. */
static void scatter_of_power_is_that_of_torque_at_a_steady_speed(void **state)
{
	double torque = 0, shaft = 0, efficiency = 0;
	(void)state;

	for (unsigned long seed = 300; seed < 310; seed++) {
		struct made m = plain(seed);
		m.ripple_Nm = 0.5;
		struct curve *c = reduced(&m);
		for (size_t i = 0; i < c->n; i++) {
			const struct curve_point *p = &c->points[i];
			double omega = p->speed_rpm.value * UNITS_PI / 30;
			torque += p->scatter_Nm;
			shaft += p->scatter_shaft_W / omega;
			efficiency += p->scatter_efficiency * p->input_power_W.value / omega;
			assert_true(p->scatter_rpm < 0.01 && p->scatter_input_W < 0.1);
		}
		curve_free(c);
		made_free(&m);
	}
	assert_true(torque > 0.1);
	assert_true(fabs(shaft / torque - 1) < 0.33);
	assert_true(fabs(efficiency / torque - 1) < 0.33);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(power_is_the_mean_of_products),
		cmocka_unit_test(power_inside_the_averages_is_told_or_owned_up_to),
		cmocka_unit_test(what_is_known_of_the_meters_is_taken_off),
		cmocka_unit_test(a_meter_at_the_supply_is_brought_to_the_actuator),
		cmocka_unit_test(scatter_of_power_is_that_of_torque_at_a_steady_speed),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
