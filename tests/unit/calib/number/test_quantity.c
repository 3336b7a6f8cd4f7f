/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Expected uncertainties are worked by hand from the clause of JCGM 100:2008 (GUM) named in the row. */
#include "calib/number/quantity.h"

#include <locale.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#define PI 3.14159265358979323846

static void near_rel(double found, double expected, double rel, const char *what)
{
	double limit = rel * fabs(expected) + (fabs(expected) > 0 ? 0 : rel);

	if (!(fabs(found - expected) <= limit))
		fail_msg("%s: found %.17g, expected %.17g", what, found, expected);
}

static void reads_what_people_write(void **state)
{
	static const struct {
		const char *text, *unit;
		double value, u;
		enum dist dist;
		double dof;
	} rows[] = {
		/* value and unit alone */
		{ "250.0 mm", "m", 0.25, 0, DIST_NORMAL, INFINITY },
		{ "12 N.m", "N.m", 12, 0, DIST_NORMAL, INFINITY },
		{ "12 N\xc2\xb7m", "N.m", 12, 0, DIST_NORMAL, INFINITY },
		{ "12 N m", "N.m", 12, 0, DIST_NORMAL, INFINITY },
		{ "12 Nm", "N.m", 12, 0, DIST_NORMAL, INFINITY },
		{ "12Nm", "N\xc2\xb7m", 12, 0, DIST_NORMAL, INFINITY },
		{ "12 N*m", "Nm", 12, 0, DIST_NORMAL, INFINITY },
		{ "120 mNm", "N.m", 0.12, 0, DIST_NORMAL, INFINITY },
		{ "120 Ncm", "N.m", 1.2, 0, DIST_NORMAL, INFINITY },
		{ "1.5 kNm", "N.m", 1500, 0, DIST_NORMAL, INFINITY },
		{ "80 rpm", "rpm", 80, 0, DIST_NORMAL, INFINITY },
		{ "80 1/min", "rpm", 80, 0, DIST_NORMAL, INFINITY },
		{ "1 rev/s", "rpm", 60, 0, DIST_NORMAL, INFINITY },
		{ "60 rpm", "rad/s", 2 * PI, 0, DIST_NORMAL, INFINITY },
		{ "60 arcmin", "deg", 1, 0, DIST_NORMAL, INFINITY },
		{ "1 \xc2\xb0", "arcmin", 60, 0, DIST_NORMAL, INFINITY },
		{ "52.3 deg", "\xc2\xb0", 52.3, 0, DIST_NORMAL, INFINITY },
		{ "20 degC", "degC", 20, 0, DIST_NORMAL, INFINITY },
		{ "20 \xc2\xb0"
		  "C",
		  "K", 293.15, 0, DIST_NORMAL, INFINITY },
		{ "0.5 %", "1", 0.005, 0, DIST_NORMAL, INFINITY },
		{ "50 ppm", "1", 50e-6, 0, DIST_NORMAL, INFINITY },
		{ "0.47", "1", 0.47, 0, DIST_NORMAL, INFINITY },
		{ "1 N.m/arcmin", "N.m/rad", 180 * 60 / PI, 0, DIST_NORMAL, INFINITY }, /* 3437.747, checks 10 */
		{ "0.11 N\xc2\xb7m/A", "N.m/A", 0.11, 0, DIST_NORMAL, INFINITY },
		{ "9.81 m/s\xc2\xb2", "m/s2", 9.81, 0, DIST_NORMAL, INFINITY },
		{ "3 K\xe2\x81\xbb\xc2\xb9", "1/K", 3, 0, DIST_NORMAL, INFINITY },
		{ "\xe2\x88\x92"
		  "3 m",
		  "m", -3, 0, DIST_NORMAL, INFINITY },
		{ "1.5e-3 m", "mm", 1.5, 0, DIST_NORMAL, INFINITY },
		/* limits: rectangular, a/sqrt 3, GUM 4.3.7 */
		{ "250.0 mm \xc2\xb1 0.2 mm", "mm", 250, 0.2 / 1.7320508075688772, DIST_RECT, INFINITY },
		{ "250.0 mm +- 0.2 mm", "m", 0.25, 0.0002 / 1.7320508075688772, DIST_RECT, INFINITY },
		{ "250.0 mm +/- 200 um rect", "mm", 250, 0.2 / 1.7320508075688772, DIST_RECT, INFINITY },
		{ "12 N\xc2\xb7m \xc2\xb1 0.5 %", "N.m", 12, 0.06 / 1.7320508075688772, DIST_RECT, INFINITY },
		{ "(250.0 \xc2\xb1 0.2) mm", "mm", 250, 0.2 / 1.7320508075688772, DIST_RECT, INFINITY },
		{ "250.0 \xc2\xb1 0.2 mm", "mm", 250, 0.2 / 1.7320508075688772, DIST_RECT, INFINITY },
		/* triangular, GUM 4.3.9 */
		{ "5 kg \xc2\xb1 250 mg tri", "kg", 5, 250e-6 / 2.449489742783178, DIST_TRI, INFINITY },
		{ "5 kg \xc2\xb1 6 g trap=1", "g", 5000, 6 / 1.7320508075688772, DIST_TRAPEZOID, INFINITY },
		/* standard and expanded, GUM 4.3.3: 240 ug at three standard deviations, 80 ug */
		{ "1000.000325 g \xc2\xb1 240 ug k=3", "g", 1000.000325, 80e-6, DIST_NORMAL, INFINITY },
		{ "1 m \xc2\xb1 1 mm normal", "m", 1, 1e-3, DIST_NORMAL, INFINITY },
		{ "200 V \xc2\xb1 0.1 % k=2", "V", 200, 0.1, DIST_NORMAL, INFINITY },
		{ "\xc2\xb1 0.1 % k=2", "1", 0, 0.0005, DIST_NORMAL, INFINITY },
		{ "\xc2\xb1 50 ppm normal", "1", 0, 50e-6, DIST_NORMAL, INFINITY },
		{ "0 % \xc2\xb1 0.05 % normal", "1", 0, 0.0005, DIST_NORMAL, INFINITY },
		{ "1 \xc2\xb1 0.2 %", "1", 1, 0.002 / 1.7320508075688772, DIST_RECT, INFINITY },
		{ "2 V \xc2\xb1 2 mV k=2 dof=16", "V", 2, 1e-3, DIST_T, 16 },
		{ "2 V \xc2\xb1 2 mV dof=3", "V", 2, 2e-3 / 1.7320508075688772, DIST_RECT, 3 },
		/* brackets, GUM 7.2.2: 100.02147(35) g and (0.00035 g) */
		{ "100.02147(35) g", "g", 100.02147, 0.00035, DIST_NORMAL, INFINITY },
		{ "100.02147(0.00035) g", "g", 100.02147, 0.00035, DIST_NORMAL, INFINITY },
		{ "250.0(2) mm", "m", 0.25, 0.2e-3, DIST_NORMAL, INFINITY },
		{ "1.234(5)e-3 m", "mm", 1.234, 0.005, DIST_NORMAL, INFINITY },
		{ "20340(120) N", "N", 20340, 120, DIST_NORMAL, INFINITY },
		{ "5.00(2) V dof=9", "V", 5, 0.02, DIST_T, 9 },
		/* an offset unit shifts the value only */
		{ "20 degC \xc2\xb1 2 K", "degC", 20, 2 / 1.7320508075688772, DIST_RECT, INFINITY },
		{ "20 degC \xc2\xb1 2 degC normal", "K", 293.15, 2, DIST_NORMAL, INFINITY },
		{ "68 degF \xc2\xb1 1.8 K normal", "degC", 20, 1.8, DIST_NORMAL, INFINITY },
		/* our own output comes back */
		{ "20.34 N\xc2\xb7m \xc2\xb1 0.12 N\xc2\xb7m (k = 2.05, 95 %)", "N.m", 20.34, 0.12 / 2.05, DIST_NORMAL,
		  INFINITY },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct quantity q = { 0 };
		struct err err = { 0 };
		if (quantity_parse(rows[i].text, rows[i].unit, &q, &err) != RC_OK)
			fail_msg("%s: %s", rows[i].text, err.what);
		near_rel(q.value, rows[i].value, 1e-12, rows[i].text);
		near_rel(q.u, rows[i].u, 1e-12, rows[i].text);
		assert_int_equal(q.dist, rows[i].dist);
		assert_true(isinf(rows[i].dof) ? isinf(q.dof) : fabs(q.dof - rows[i].dof) < 1e-12);
		assert_int_equal(q.has_u, rows[i].u > 0);
	}
}

static void refuses_with_one_sentence(void **state)
{
	static const struct {
		const char *text, *unit;
		enum rc rc;
		const char *says;
	} rows[] = {
		{ "", "mm", RC_ARG, "nothing is written" },
		{ "mm", "mm", RC_ARG, "no number" },
		{ "60", "N.m", RC_ARG, "unit is missing" },
		{ "60 kg", "N.m", RC_ARG, "not a unit of the same kind" },
		{ "50 Hz", "rpm", RC_ARG, "angle" },
		{ "5 %", "deg", RC_ARG, "angle" },
		{ "5 deg", "1", RC_ARG, "angle" },
		{ "3 blorg", "mm", RC_ARG, "unknown unit \"blorg\"" },
		{ "250,0 mm", "mm", RC_ARG, "comma" },
		{ "1 000 mm", "mm", RC_ARG, "number in the unit" },
		{ "250 5 mm", "mm", RC_ARG, "number in the unit" },
		{ "nan mm", "mm", RC_ARG, "no number" },
		{ "inf mm", "mm", RC_ARG, "no number" },
		{ "1e999 mm", "mm", RC_RANGE, "too large" },
		{ "1e308 km", "mm", RC_RANGE, "too large" },
		{ "1 mm \xc2\xb1 1e308 km", "mm", RC_RANGE, "too large" },
		{ "1 mm \xc2\xb1 -0.2 mm", "mm", RC_ARG, "negative" },
		{ "1.0(-2) mm", "mm", RC_ARG, "negative" },
		{ "1 mm \xc2\xb1 0.2 kg", "mm", RC_ARG, "uncertainty: " },
		{ "1 mm \xc2\xb1", "mm", RC_ARG, "after \xc2\xb1" },
		{ "0 N \xc2\xb1 1 %", "N", RC_ARG, "percentage of zero" },
		{ "1.0(2) mm \xc2\xb1 1 mm", "mm", RC_ARG, "given twice" },
		{ "1 mm k=2", "mm", RC_ARG, "no uncertainty" },
		{ "1 mm \xc2\xb1 1 mm k=0", "mm", RC_ARG, "above 0" },
		{ "1 mm \xc2\xb1 1 mm k=2 k=3", "mm", RC_ARG, "twice" },
		{ "1 mm \xc2\xb1 1 mm k=", "mm", RC_ARG, "after k=" },
		{ "1 mm \xc2\xb1 1 mm rect k=2", "mm", RC_ARG, "expanded" },
		{ "1 mm \xc2\xb1 1 mm rect tri", "mm", RC_ARG, "only one" },
		{ "1 mm \xc2\xb1 1 mm dof=0", "mm", RC_ARG, "1 or more" },
		{ "1 mm \xc2\xb1 1 mm trap=2", "mm", RC_ARG, "between 0 and 1" },
		{ "1 mm \xc2\xb1 1 mm rect of sorts", "mm", RC_ARG, "not understood" },
		{ "1 K @ 273", "K", RC_ARG, "no place" },
		{ "1 s since 1970", "s", RC_ARG, "number in the unit" },
		{ "1 m99", "m", RC_ARG, "number in the unit" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct quantity q = { .value = 7, .u = 7 };
		struct err err = { 0 };
		enum rc rc = quantity_parse(rows[i].text, rows[i].unit, &q, &err);
		if (rc != rows[i].rc || !strstr(err.what, rows[i].says))
			fail_msg("%s: rc %d, \"%s\", expected \"%s\"", rows[i].text, (int)rc, err.what, rows[i].says);
		assert_true(fabs(q.value - 7) < 1e-15 && fabs(q.u - 7) < 1e-15);
		assert_null(strchr(err.what, '\n'));
	}
}

static void same_in_every_locale(void **state)
{
	static const char *const names[] = { "de_DE.UTF-8", "fr_FR.UTF-8", "C.UTF-8" };
	struct quantity q;
	char text[80];

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		if (!setlocale(LC_ALL, names[i]))
			continue;
		assert_int_equal(quantity_parse("250.5 mm", "mm", &q, NULL), RC_OK);
		near_rel(q.value, 250.5, 1e-15, names[i]);
		quantity_format_bracket(text, sizeof text, 20.34, 0.058, "N.m");
		assert_string_equal(text, "20.340(58) N\xc2\xb7m");
	}
	setlocale(LC_ALL, "C");
}

static void writes_the_way_of_the_gum(void **state)
{
	static const struct {
		double value, u, k, p;
		const char *unit, *text;
	} rows[] = {
		{ 20.3412, 0.0585, 2.05, 0.95, "N.m", "20.34 N\xc2\xb7m \xc2\xb1 0.12 N\xc2\xb7m (k = 2.05, 95 %)" },
		/* GUM 7.2.4: m = (100.02147 +- 0.00079) g, U = k u, u 0.35 mg, k 2.26 */
		{ 100.02147, 0.00035, 2.26, 0.95, "g", "100.02147 g \xc2\xb1 0.00079 g (k = 2.26, 95 %)" },
		/* 0.0999 rounds up to 0.10: two digits, not three */
		{ 1.23456, 0.0999, 1, 0.6827, "V", "1.23 V \xc2\xb1 0.10 V (k = 1.00, 68.27 %)" },
		{ 20344, 120, 1, 0.95, "N", "20340 N \xc2\xb1 120 N (k = 1.00, 95 %)" },
		{ 0.7123, 0.00217, 2, 0.95, "1", "0.7123 \xc2\xb1 0.0043 (k = 2.00, 95 %)" },
		{ 12.5, 0, 2, 0.95, "N.m", "12.5 N\xc2\xb7m" },
		{ 12.5, NAN, 2, 0.95, "N.m", "12.5 N\xc2\xb7m" },
		{ NAN, 1, 2, 0.95, "N.m", "not a number N\xc2\xb7m" },
		{ 23.456, 0.25, 2, 0.95, "degC",
		  "23.46 \xc2\xb0"
		  "C \xc2\xb1 0.50 \xc2\xb0"
		  "C (k = 2.00, 95 %)" },
	};
	char text[200];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		quantity_format(text, sizeof text, rows[i].value, rows[i].u, rows[i].k, rows[i].p, rows[i].unit);
		assert_string_equal(text, rows[i].text);
	}
	quantity_format_bracket(text, sizeof text, 100.02147, 0.00035, "g"); /* GUM 7.2.2 b */
	assert_string_equal(text, "100.02147(35) g");
	quantity_format_bracket(text, sizeof text, 20344, 120, "N");
	assert_string_equal(text, "20340(120) N");
	quantity_format_bracket(text, sizeof text, 20.34, 1.2, "N");
	assert_string_equal(text, "20.3(12) N");
}

/* Property: what is written reads back to within the rounding of two digits, over twelve decades. */
static void text_comes_back(void **state)
{
	char text[200], what[260];
	struct quantity q;

	(void)state;
	for (int decade = -12; decade <= 12; decade++) {
		for (double lead = 1.004; lead < 10; lead += 0.377) {
			double u = lead * pow(10, decade), value = -3.7 * u * 41;
			quantity_format_bracket(text, sizeof text, value, u, "V");
			snprintf(what, sizeof what, "%s of %.17g, %.17g", text, value, u);
			if (quantity_parse(text, "V", &q, NULL) != RC_OK)
				fail_msg("%s not read", what);
			assert_true(fabs(q.value - value) <= 0.051 * u);
			assert_true(fabs(q.u - u) <= 0.051 * u);
			quantity_format(text, sizeof text, value, u, 2, 0.95, "V");
			snprintf(what, sizeof what, "%s of %.17g, %.17g", text, value, u);
			if (quantity_parse(text, "V", &q, NULL) != RC_OK)
				fail_msg("%s not read", what);
			assert_true(fabs(q.value - value) <= 0.101 * u);
			assert_true(fabs(q.u - u) <= 0.051 * u);
		}
	}
}

static void headings(void **state)
{
	static const struct {
		const char *heading, *name, *unit;
	} rows[] = {
		{ "speed (rpm)", "speed", "rpm" }, { " torque (N m) ", "torque", "N m" }, { "series", "series", "" },
		{ "k (1/(m s))", "k", "1/(m s)" }, { "a (b) (mm)", "a (b)", "mm" },
	};
	char name[32], unit[32];
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_int_equal(quantity_heading(rows[i].heading, name, 32, unit, 32, &err), RC_OK);
		assert_string_equal(name, rows[i].name);
		assert_string_equal(unit, rows[i].unit);
	}
	assert_int_equal(quantity_heading("speed rpm)", name, 32, unit, 32, &err), RC_ARG);
	assert_int_equal(quantity_heading("speed (rpm", name, 32, unit, 32, &err), RC_ARG);
	assert_int_equal(quantity_heading("(rpm)", name, 32, unit, 32, &err), RC_ARG);
	assert_int_equal(quantity_heading("speed (rpm)", name, 3, unit, 32, &err), RC_ARG);
	assert_int_equal(quantity_heading("speed (rpm)", name, 32, unit, 3, &err), RC_ARG);
}

static void converts(void **state)
{
	double factor, offset;
	struct err err;

	(void)state;
	assert_int_equal(quantity_convert("degF", "degC", &factor, &offset, &err), RC_OK);
	near_rel(factor * 212 + offset, 100, 1e-12, "212 degF");
	assert_int_equal(quantity_convert("kgf.m", "N.m", &factor, &offset, &err), RC_OK);
	near_rel(factor, 9.80665, 1e-12, "kgf.m"); /* 3rd CGPM 1901 */
	assert_int_equal(quantity_convert("kg", "N", &factor, &offset, &err), RC_ARG);
}

static void coherent_si(void **state)
{
	static const struct {
		const char *text;
		double value, u;
		const char *like;
	} rows[] = {
		{ "250.0 mm \xc2\xb1 0.2 mm normal", 0.25, 0.0002, "m" },
		{ "12 Nm", 12, 0, "N.m" },
		{ "60 rpm", 2 * PI, 0, "rad/s" },
		{ "20 degC \xc2\xb1 1 K normal", 293.15, 1, "K" },
		{ "5 % \xc2\xb1 1 % normal", 0.05, 0.01, "1" },
		{ "7", 7, 0, "1" },
		{ "7 \xc2\xb1 10 % normal", 7, 0.7, "1" },
		{ "7 \xc2\xb1 1 mm normal", 0.007, 0.001, "m" },
		{ "\xc2\xb1 50 ppm normal", 0, 50e-6, "1" },
		{ "100 mg", 1e-4, 0, "kg" },
		{ "3 kV/mA", 3e6, 0, "ohm" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct quantity q;
		struct err err = { 0 };
		char unit[64];
		double factor = 0, offset = 0;
		if (quantity_parse_si(rows[i].text, &q, unit, sizeof unit, &err) != RC_OK)
			fail_msg("%s: %s", rows[i].text, err.what);
		near_rel(q.value, rows[i].value, 1e-12, rows[i].text);
		near_rel(q.u, rows[i].u, 1e-12, rows[i].text);
		if (quantity_convert(unit, rows[i].like, &factor, &offset, &err) != RC_OK)
			fail_msg("%s gave unit %s: %s", rows[i].text, unit, err.what);
		near_rel(factor, 1, 1e-12, rows[i].text);
		assert_true(fabs(offset) < 1e-12);
	}
	struct quantity q;
	char unit[64];
	assert_int_equal(quantity_parse_si("3 blorg", &q, unit, sizeof unit, NULL), RC_ARG);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(reads_what_people_write),
		cmocka_unit_test(refuses_with_one_sentence),
		cmocka_unit_test(same_in_every_locale),
		cmocka_unit_test(writes_the_way_of_the_gum),
		cmocka_unit_test(text_comes_back),
		cmocka_unit_test(headings),
		cmocka_unit_test(converts),
		cmocka_unit_test(coherent_si),
	};
	int failed = cmocka_run_group_tests(tests, NULL, NULL);

	quantity_cleanup();
	return failed;
}
