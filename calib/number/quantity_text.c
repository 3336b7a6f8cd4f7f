/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Quantities to text, headings of columns. */
#include "calib/number/number.h"
#include "calib/number/quantity.h"
#include "calib/number/quantity_unit.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *trim(const char *s, size_t *length)
{
	while (*length && isspace((unsigned char)*s)) {
		s++;
		(*length)--;
	}
	while (*length && isspace((unsigned char)s[*length - 1]))
		(*length)--;
	return s;
}

static enum rc copy_piece(const char *s, size_t length, char *ret, size_t size, const char *heading, struct err *err)
{
	s = trim(s, &length);
	if (length >= size)
		return err_set(err, RC_ARG, 0, "the heading \"%.40s...\" is too long", heading);
	memcpy(ret, s, length);
	ret[length] = '\0';
	return RC_OK;
}

enum rc quantity_heading(const char *heading, char *ret_name, size_t name_size, char *ret_unit, size_t unit_size,
			 struct err *err)
{
	size_t length = strlen(heading);
	const char *s = trim(heading, &length), *open = NULL;
	size_t name_length = length, unit_length = 0;

	if (length && s[length - 1] == ')') {
		int depth = 0;
		for (size_t i = length; i-- > 0;) {
			depth += s[i] == ')' ? 1 : s[i] == '(' ? -1 : 0;
			if (depth == 0) {
				open = s + i;
				break;
			}
		}
		if (!open)
			return err_set(err, RC_ARG, 0, "a bracket is not opened in the heading \"%.60s\"", heading);
		name_length = (size_t)(open - s);
		unit_length = length - name_length - 2;
	} else if (memchr(s, '(', length)) {
		return err_set(err, RC_ARG, 0, "the unit in the heading \"%.60s\" must stand in brackets at its end",
			       heading);
	}
	enum rc rc = copy_piece(s, name_length, ret_name, name_size, heading, err);
	if (!rc)
		rc = copy_piece(open ? open + 1 : s, unit_length, ret_unit, unit_size, heading, err);
	if (!rc && !*ret_name)
		return err_set(err, RC_ARG, 0, "the heading \"%.60s\" has no name", heading);
	return rc;
}

/* Decimal exponent of x after rounding to two significant digits: 0.0999 counts as 0.10. */
static int exponent_of(double x)
{
	char text[32];

	number_print(text, sizeof text, 1, 'e', x);
	const char *e = strchr(text, 'e');
	return e ? atoi(e + 1) : 0;
}

/* x rounded to 10^-decimals, where decimals may be negative: 20340 for 20344, -1. The scale is printed
 * as an exponent when plain digits would be misleading or endless. */
static void print_rounded(char *buf, size_t size, double x, int decimals, int scale)
{
	char digits[400];

	if (scale) {
		number_print(digits, sizeof digits, decimals + scale > 0 ? decimals + scale : 0, 'f',
			     x * pow(10.0, -scale));
		snprintf(buf, size, "%se%d", digits, scale);
	} else if (decimals >= 0) {
		number_print(digits, sizeof digits, decimals, 'f', x);
		snprintf(buf, size, "%s", digits);
	} else {
		double step = pow(10.0, -decimals);
		number_print(digits, sizeof digits, 0, 'f', nearbyint(x / step) * step);
		snprintf(buf, size, "%s", digits);
	}
}

static int scale_for(double value, double u)
{
	double larger = fabs(value) > u ? fabs(value) : u;
	int top = exponent_of(larger), low = exponent_of(u);

	return top > 8 || low < -9 || low > 6 ? top : 0;
}

static void print_alone(char *buf, size_t size, double value, const char *space, const char *unit)
{
	char digits[40];

	if (!isfinite(value))
		snprintf(digits, sizeof digits, "not a number");
	else
		number_print(digits, sizeof digits, 10, 'g', value);
	snprintf(buf, size, "%s%s%s", digits, space, unit);
}

void quantity_format(char *buf, size_t size, double value, double u, double k, double coverage, const char *unit)
{
	char pretty[64], a[420], b[420], factor[24], percent[24];
	double expanded = k * u;

	unit_pretty(unit, pretty, sizeof pretty);
	const char *space = *pretty ? " " : "";
	if (!isfinite(value) || !isfinite(expanded) || !(expanded > 0)) {
		print_alone(buf, size, value, space, pretty);
		return;
	}
	int decimals = 1 - exponent_of(expanded), scale = scale_for(value, expanded);
	print_rounded(a, sizeof a, value, decimals, scale);
	print_rounded(b, sizeof b, expanded, decimals, scale);
	number_print(factor, sizeof factor, 2, 'f', k);
	number_print(percent, sizeof percent, 4, 'g', 100.0 * coverage);
	snprintf(buf, size, "%s%s%s \xc2\xb1 %s%s%s (k = %s, %s %%)", a, space, pretty, b, space, pretty, factor,
		 percent);
}

void quantity_format_bracket(char *buf, size_t size, double value, double u, const char *unit)
{
	char pretty[64], a[420], digits[40];

	unit_pretty(unit, pretty, sizeof pretty);
	const char *space = *pretty ? " " : "";
	if (!isfinite(value) || !isfinite(u) || !(u > 0)) {
		print_alone(buf, size, value, space, pretty);
		return;
	}
	int decimals = 1 - exponent_of(u), scale = scale_for(value, u);
	if (scale) {
		number_print(a, sizeof a, decimals + scale > 0 ? decimals + scale : 0, 'f', value * pow(10.0, -scale));
		number_print(digits, sizeof digits, 0, 'f', u * pow(10.0, decimals));
		snprintf(buf, size, "%s(%s)e%d%s%s", a, digits, scale, space, pretty);
		return;
	}
	print_rounded(a, sizeof a, value, decimals, 0);
	/* Above 1 the digits in brackets are whole units: 20340(120). */
	number_print(digits, sizeof digits, 0, 'f', decimals > 0 ? u * pow(10.0, decimals) : u);
	if (decimals < 0)
		print_rounded(digits, sizeof digits, u, decimals, 0);
	snprintf(buf, size, "%s(%s)%s%s", a, digits, space, pretty);
}

double dist_half_width(enum dist dist, double u, double beta)
{
	switch (dist) {
	case DIST_NORMAL:
	case DIST_T: return INFINITY;
	case DIST_RECT: return u * sqrt(3.0);
	case DIST_TRI: return u * sqrt(6.0);
	case DIST_TRAPEZOID: return beta >= 0 && beta <= 1 ? u * sqrt(6.0 / (1.0 + beta * beta)) : NAN;
	case DIST_TWO: return u;
	}
	return NAN;
}

const char *dist_name(enum dist dist)
{
	switch (dist) {
	case DIST_NORMAL: return "normal";
	case DIST_RECT: return "rect";
	case DIST_TRI: return "tri";
	case DIST_TRAPEZOID: return "trap";
	case DIST_T: return "t";
	case DIST_TWO: return "two values";
	}
	return "unknown";
}
