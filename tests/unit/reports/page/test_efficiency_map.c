/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The map of efficiency on a plane, where triangles interpolate exactly: 40 % + 0.2 % a rpm + 0.5 % a N·m. */
#include "reports/page/figures_private.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static double plane(double rpm, double Nm)
{
	return 40 + 0.2 * rpm + 0.5 * Nm;
}

/* Speeds 20, 40, 60 rpm (the first n of them), loads 5 to 25 N·m, one of them missing at the highest speed. */
static size_t fill_points(struct curve_point *p, size_t speeds, int way)
{
	size_t n = 0;

	for (size_t k = 0; k < speeds; k++)
		for (int i = 0; i < (k == 2 ? 4 : 5); i++) {
			double rpm = 20.0 * (double)(k + 1), Nm = 5.0 * (i + 1);
			p[n++] = (struct curve_point){ .step = i,
						       .direction = 1,
						       .settled = true,
						       .efficiency_valid = true,
						       .setpoint_rpm = way * rpm,
						       .speed_rpm.value = way * rpm,
						       .torque_Nm.value = way * Nm,
						       .efficiency.value = plane(rpm, Nm) / 100 };
		}
	return n;
}

static char *drawn(size_t speeds, int way)
{
	static struct report report;
	struct curve_point points[20];
	struct curve curve = { .points = points, .n = fill_points(points, speeds, way) };
	struct figures list = { 0 };
	char *text = NULL;
	size_t size;

	report = (struct report){ .curve = &curve };
	struct script s = { .f = open_memstream(&text, &size), .r = &report, .list = &list };
	assert_non_null(s.f);
	efficiency_map_draw(&s);
	fclose(s.f);
	assert_int_equal(list.n, speeds < 3 ? 0 : 1);
	return text;
}

/* Twice the area of the polygons of a block, and the place behind it. */
static const char *area_of(const char *at, double *ret)
{
	double x[16], y[16];
	int n = 0;

	for (at = strchr(strchr(at, '\n') + 1, '\n') + 1; strncmp(at, "EOD", 3) != 0; at = strchr(at, '\n') + 1) {
		if (sscanf(at, "%lf,%lf", &x[n], &y[n]) == 2 && isfinite(x[n]) && *at != '\n') {
			n++;
			assert_true(n < 16);
			continue;
		}
		double sum = 0;
		for (int i = 0; i + 1 < n; i++)
			sum += x[i] * y[i + 1] - x[i + 1] * y[i];
		*ret += fabs(sum);
		n = 0;
	}
	return at;
}

/* From 20 to 40 rpm the loads make a rectangle of 20 rpm x 20 N·m, from 40 to 60 rpm a shape that ends 5 N·m lower on
 * one side: (20 + 15)/2 x 20. All of it is filled, nothing twice, nothing beyond. */
static void fills_what_lies_between_the_points(void **state)
{
	(void)state;
	for (int way = 1; way >= -1; way -= 2) {
		char *text = drawn(3, way);
		double area = 0;
		for (const char *at = strstr(text, "$band"); at && strncmp(at, "$band", 5) == 0;
		     at = strchr(at, '\n') + 1)
			at = area_of(at, &area);
		assert_true(fabs(area / 2 - (20 * 20 + 17.5 * 20)) < 1e-3);
		free(text);
	}
}

static void lines_lie_where_the_plane_has_their_value(void **state)
{
	char *text = drawn(3, 1);
	const char *at = strstr(text, "$iso");
	double rpm, Nm;
	size_t n = 0;

	(void)state;
	assert_non_null(at);
	for (at = strchr(strchr(at, '\n') + 1, '\n') + 1; strncmp(at, "EOD", 3) != 0; at = strchr(at, '\n') + 1) {
		if (*at == '\n' || sscanf(at, "%lf,%lf", &rpm, &Nm) != 2 || isnan(rpm))
			continue;
		double steps = plane(rpm, Nm) / 2.5; /* the levels of 46.5 to 72 % are 2.5 % apart */
		assert_true(fabs(steps - round(steps)) < 1e-3);
		assert_true(rpm > 20 - 1e-9 && rpm < 60 + 1e-9 && Nm > 5 - 1e-9 && Nm < 25 + 1e-9);
		n++;
	}
	assert_true(n >= 10);
	free(text);
}

static void two_speeds_are_no_map(void **state)
{
	char *text = drawn(2, 1);

	(void)state;
	assert_null(strstr(text, "efficiency-map"));
	free(text);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(fills_what_lies_between_the_points),
		cmocka_unit_test(lines_lie_where_the_plane_has_their_value),
		cmocka_unit_test(two_speeds_are_no_map),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
