/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What may be written of a quantity at its edges, and the sentence for what may not. Expected: the header's own rules
 * (GUM 4.3.7, 4.3.9, 7.2.2), worked out by hand. */
#include "calib/number/quantity.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#define R3 1.7320508075688772

static void near(const char *what, double found, double expected)
{
	if (!(fabs(found - expected) <= 1e-12 * fmax(1, fabs(expected))))
		fail_msg("%s: found %.17g, expected %.17g", what, found, expected);
}

static void is_read(void **state)
{
	static const struct {
		const char *text, *unit;
		double value, u, dof;
	} rows[] = {
		{ "12\xc2\xa0mm", "mm", 12, 0, INFINITY },
		{ "5 mm \xc2\xb1 2 mm normal dof=inf", "mm", 5, 2, INFINITY },
		{ "5 mm \xc2\xb1 2 mm k=2, dof=7;", "mm", 5, 1, 7 },
		{ "5 mm \xc2\xb1 2 mm (k = 2, 95 %)", "mm", 5, 1, INFINITY },
		{ "1.234(5)e-3 m", "m", 1.234e-3, 5e-6, INFINITY },
		{ "12(1)eV", "eV", 12, 1, INFINITY },
		{ "1.5(.2) mm", "mm", 1.5, 0.2, INFINITY },
		{ "(250.0 +- 0.3) mm k=2", "mm", 250, 0.15, INFINITY },
		{ "(5 +/- 3) mm", "mm", 5, 3 / R3, INFINITY },
		{ "10 \xc2\xb1 3", "1", 10, 3 / R3, INFINITY },
		{ "10 \xc2\xb1 3 mm", "mm", 10, 3 / R3, INFINITY },
		{ "\xc2\xb1 3 ppm", "1", 0, 3e-6 / R3, INFINITY },
		{ "1 % \xc2\xb1 0.3 %", "1", 0.01, 0.003 / R3, INFINITY },
		{ "0 mm \xc2\xb1 0 %", "mm", 0, 0, INFINITY },
		{ "200 mm \xc2\xb1 3 % ", "mm", 200, 6 / R3, INFINITY },
		{ "5 mm \xc2\xb1 2 mm trap=1", "mm", 5, 2 / R3, INFINITY },
		{ "5 mm2", "m^2", 5e-6, 0, INFINITY },
		{ "5 (mm)2", "m2", 5e-6, 0, INFINITY },
		{ "5 m-1", "1/m", 5, 0, INFINITY },
		{ "5 m^-1", "/m", 5, 0, INFINITY },
		{ "5 kNcm", "N.m", 50, 0, INFINITY },
		{ "2 \xe2\x80\xb0", "1", 0.002, 0, INFINITY },
		{ "5 Nmm", "N.m", 0.005, 0, INFINITY },
		{ "2 rad2", "rad^2", 2, 0, INFINITY },
		{ "2 1/rad", "rad-1", 2, 0, INFINITY },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct quantity q;
		struct err err = { 0 };

		if (quantity_parse(rows[i].text, rows[i].unit, &q, &err) != RC_OK)
			fail_msg("%s: %s", rows[i].text, err.what);
		near(rows[i].text, q.value, rows[i].value);
		near(rows[i].text, q.u, rows[i].u);
		if (isfinite(rows[i].dof))
			near(rows[i].text, q.dof, rows[i].dof);
		else
			assert_true(isinf(q.dof));
	}
}

static void is_refused(void **state)
{
	static const struct {
		const char *text, *unit, *says;
		enum rc rc;
	} rows[] = {
		{ "", "mm", "nothing is written", RC_ARG },
		{ " \t ", "mm", "nothing is written", RC_ARG },
		{ "wide", "mm", "", RC_ARG },
		{ "5", "mm", "the unit is missing", RC_ARG },
		{ "5 mm \xc2\xb1 2 mm (k = 2", "mm", "a bracket is not closed", RC_ARG },
		{ "1.5(2 mm", "mm", "a bracket is not closed", RC_ARG },
		{ "1.5(.) mm", "mm", "", RC_ARG },
		{ "1.5(2)e99999 mm", "mm", "", RC_RANGE },
		{ "5 mm \xc2\xb1 2 mm k=2 k=2", "mm", "k= is given twice", RC_ARG },
		{ "5 mm \xc2\xb1 2 mm k=two", "mm", "after k=: ", RC_ARG },
		{ "5 mm \xc2\xb1 2 mm k=0", "mm", "must be above 0", RC_ARG },
		{ "5 mm \xc2\xb1 2 mm rect k=2", "mm", "limits (rect, tri, trap=) have none", RC_ARG },
		{ "5 mm \xc2\xb1 2 mm rect tri", "mm", "only one of", RC_ARG },
		{ "5 mm \xc2\xb1 2 mm trap=2", "mm", "must lie between 0 and 1", RC_ARG },
		{ "5 mm \xc2\xb1 2 mm trap=-1", "mm", "must lie between 0 and 1", RC_ARG },
		{ "5 mm \xc2\xb1 2 mm dof=0.5", "mm", "must be 1 or more", RC_ARG },
		{ "5 mm \xc2\xb1 wide", "mm", "after \xc2\xb1: ", RC_ARG },
		{ "5 mm \xc2\xb1 -2 mm", "mm", "is negative", RC_ARG },
		{ "5 mm \xc2\xb1 2 s", "mm", "uncertainty: ", RC_ARG },
		{ "0 mm \xc2\xb1 2 %", "mm", "a percentage of zero is nothing", RC_ARG },
		{ "5(-1) mm", "mm", "in brackets is negative", RC_ARG },
		{ "5(1) mm \xc2\xb1 2 mm", "mm", "given twice", RC_ARG },
		{ "5(1) mm rect", "mm", "is a standard uncertainty", RC_ARG },
		{ "5(1) mm tri", "mm", "is a standard uncertainty", RC_ARG },
		{ "5(1) mm trap=0.5", "mm", "is a standard uncertainty", RC_ARG },
		{ "5(1) mm k=2", "mm", "is a standard uncertainty", RC_ARG },
		{ "5 mm rect", "mm", "there is no uncertainty", RC_ARG },
		{ "5 mm k=2", "mm", "there is no uncertainty", RC_ARG },
		{ "5 mm dof=3", "mm", "there is no uncertainty", RC_ARG },
		{ "5 mm trap=0.5", "mm", "there is no uncertainty", RC_ARG },
		{ "1e308 km", "mm", "too large in mm", RC_RANGE },
		{ "1 mm \xc2\xb1 1e308 km", "mm", "uncertainty is too large", RC_RANGE },
		{ "5 blorb", "mm", "unknown unit \"blorb\"", RC_ARG },
		{ "5 mm", "blorb", "unknown unit \"blorb\"", RC_ARG },
		{ "5 Nkm", "N.m", "unknown unit", RC_ARG },
		{ "5 Nx", "N.m", "unknown unit", RC_ARG },
		{ "5 m_m", "N.m", "unknown unit", RC_ARG },
		{ "5 m.1e-3)", "m", "there is a number in the unit", RC_ARG },
		{ "5", "1e-3)", "", RC_ARG },
		{ "5 Nmx", "N.m", "unknown unit", RC_ARG },
		{ "5 s", "mm", "not a unit of the same kind", RC_ARG },
		{ "5 N", "N.m", "not a unit of the same kind", RC_ARG },
		{ "5 1/s", "rad/s", "differ by an angle", RC_ARG },
		{ "5 m12", "m", "there is a number in the unit", RC_ARG },
		{ "5 m -2", "m", "there is a number in the unit", RC_ARG },
		{ "5 mm&", "mm", "\"&\" has no place in the unit", RC_ARG },
		{ "5 mm\x01", "mm", "\"?\" has no place in the unit", RC_ARG },
		{ "5 mm\xe2\x82\xac", "mm", "has a sign in it that is not known", RC_ARG },
		{ "5 abcdefghijklmnopqrstuvwxyzabcdefgh", "mm", "unknown unit", RC_ARG },
		{ "5 mmmmmmmmmmmmmmmmmmmmmmmmm.mmmmmmmmmmmmmmmmmmmmmmmmmmmmm.mmmmmmmmmm", "mm", "is too long", RC_ARG },
		{ "5 rpm.rpm.rpm.rpm.rpm.rpm.rpm.rpm.rpm", "rpm", "is too long", RC_ARG },
		{ "5 "
		  "\xc2\xb0.\xc2\xb0.\xc2\xb0.\xc2\xb0.\xc2\xb0.\xc2\xb0.\xc2\xb0.\xc2\xb0.\xc2\xb0.\xc2\xb0.\xc2\xb0."
		  "\xc2\xb0.\xc2\xb0",
		  "mm", "is too long", RC_ARG },
		{ "5 Ym9.Ym9", "m9.m9", "does not convert", RC_ARG },
		{ "5 m9.m9", "Ym9.Ym9", "does not convert", RC_ARG },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct quantity q = { .value = 77 };
		struct err err = { 0 };
		enum rc rc = quantity_parse(rows[i].text, rows[i].unit, &q, &err);

		if (rc != rows[i].rc || !strstr(err.what, rows[i].says))
			fail_msg("\"%s\" in %s: rc %d, \"%s\", expected rc %d, \"%s\"", rows[i].text, rows[i].unit,
				 (int)rc, err.what, (int)rows[i].rc, rows[i].says);
		assert_true(err.what[0] != '\0' && q.value > 76);
	}
}

static void what_is_too_long_is_said(void **state)
{
	char longer[1000], unit[8], name[8];
	struct quantity q;
	struct err err = { 0 };

	(void)state;
	memset(longer, '1', sizeof longer - 1);
	longer[sizeof longer - 1] = '\0';
	assert_int_equal(quantity_parse(longer, "mm", &q, &err), RC_ARG);
	assert_non_null(strstr(err.what, "longer than a quantity can be"));
	assert_int_equal(quantity_written_unit(longer, unit, sizeof unit, &err), RC_ARG);
	assert_int_equal(quantity_written_unit("wide", unit, sizeof unit, &err), RC_ARG);
	assert_int_equal(quantity_written_unit("5 N.m", unit, 3, &err), RC_RANGE);
	assert_int_equal(quantity_written_unit("5", unit, 1, &err), RC_RANGE);
	assert_int_equal(quantity_parse_si("5 N.m", &q, unit, 3, &err), RC_RANGE);
	assert_int_equal(quantity_parse_si("5 blorb", &q, unit, sizeof unit, &err), RC_ARG);
	assert_int_equal(quantity_si_unit("N.m", unit, 3, &err), RC_RANGE);
	assert_int_equal(quantity_si_unit("blorb", unit, sizeof unit, &err), RC_ARG);
	assert_int_equal(quantity_heading("a long name (mm)", name, sizeof name, unit, sizeof unit, &err), RC_ARG);
	assert_int_equal(quantity_heading("mm)", name, sizeof name, unit, sizeof unit, &err), RC_ARG);
	assert_int_equal(quantity_heading("(mm) x", name, sizeof name, unit, sizeof unit, &err), RC_ARG);
	assert_int_equal(quantity_heading("(mm)", name, sizeof name, unit, sizeof unit, &err), RC_ARG);
}

static void units_that_are_written(void **state)
{
	static const struct {
		const char *text, *unit;
	} rows[] = { { "5", "1" },
		     { "5 mm ", "mm" },
		     { "\xc2\xb1 2 mm", "mm" },
		     { "5 \xc2\xb1 2 mm", "mm" },
		     { "5 \xc2\xb1 2 %", "1" },
		     { "(5 \xc2\xb1 2) rpm", "rpm" } };
	char unit[40];
	double factor, offset;
	struct err err = { 0 };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_int_equal(quantity_written_unit(rows[i].text, unit, sizeof unit, &err), RC_OK);
		assert_string_equal(unit, rows[i].unit);
	}
	assert_int_equal(quantity_si_unit("m/m", unit, sizeof unit, &err), RC_OK);
	assert_string_equal(unit, "1");
	assert_int_equal(quantity_convert(" km ", "\tm", &factor, &offset, &err), RC_OK);
	near("km", factor, 1000);
}

/* u sqrt 3, u sqrt 6, u sqrt(6 / (1 + beta^2)): the inverse of GUM 4.3.7 and 4.3.9. */
static void half_widths_and_names(void **state)
{
	static const char *const names[] = { "normal", "rect", "tri", "trap", "t", "two values" };

	(void)state;
	for (int d = DIST_NORMAL; d <= DIST_TWO; d++)
		assert_string_equal(dist_name((enum dist)d), names[d]);
	assert_true(isinf(dist_half_width(DIST_NORMAL, 2, 0)) && isinf(dist_half_width(DIST_T, 2, 0)));
	near("rect", dist_half_width(DIST_RECT, 2, 0), 2 * R3);
	near("tri", dist_half_width(DIST_TRI, 2, 0), 2 * sqrt(6));
	near("trap", dist_half_width(DIST_TRAPEZOID, 2, 1), 2 * R3);
	near("two", dist_half_width(DIST_TWO, 2, 0), 2);
	assert_true(isnan(dist_half_width(DIST_TRAPEZOID, 2, 2)) && isnan(dist_half_width(DIST_TRAPEZOID, 2, -1)));
}

static void what_has_no_uncertainty_stands_alone(void **state)
{
	char text[120];

	(void)state;
	quantity_format_bracket(text, sizeof text, 5, 0, "N.m");
	assert_string_equal(text, "5 N\xc2\xb7m");
	quantity_format_bracket(text, sizeof text, 5, NAN, "1");
	assert_string_equal(text, "5");
	quantity_format_bracket(text, sizeof text, NAN, 1, "mm");
	assert_string_equal(text, "not a number mm");
	quantity_format_bracket(text, sizeof text, 5, 0, "N*m");
	assert_string_equal(text, "5 N\xc2\xb7m");
	quantity_format_bracket(text, sizeof text, 5, 0,
				"mmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmmm");
	assert_true(strlen(text) < 66); /* cut, not overrun */
	quantity_format_bracket(text, sizeof text, 0.5, 3, "1");
	assert_string_equal(text, "0.5(30)");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(is_read),
		cmocka_unit_test(is_refused),
		cmocka_unit_test(what_is_too_long_is_said),
		cmocka_unit_test(units_that_are_written),
		cmocka_unit_test(half_widths_and_names),
		cmocka_unit_test(what_has_no_uncertainty_stands_alone),
	};

	int ret = cmocka_run_group_tests(tests, NULL, NULL);
	quantity_cleanup();
	return ret;
}
