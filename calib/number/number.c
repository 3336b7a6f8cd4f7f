/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number.h"

#include <ctype.h>
#include <errno.h>
#include <locale.h>
#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MINUS_SIGN "\xe2\x88\x92" /* U+2212 */

static const char *skip_digits(const char *s)
{
	while (isdigit((unsigned char)*s))
		s++;
	return s;
}

/* The C locale is built into glibc: asking for it allocates nothing. */
static double to_double(const char *plain)
{
	locale_t c = newlocale(LC_ALL_MASK, "C", (locale_t)0);
	double value = c ? strtod_l(plain, NULL, c) : strtod(plain, NULL);

	if (c)
		freelocale(c);
	return value;
}

static const char *exponent_end(const char *s, int *ret_exponent)
{
	if (*s != 'e' && *s != 'E')
		return s;
	const char *digits = s + 1;
	if (*digits == '+' || *digits == '-')
		digits++;
	if (!isdigit((unsigned char)*digits))
		return s;
	long exponent = strtol(s + 1, NULL, 10);
	*ret_exponent = exponent > 9999 ? 9999 : exponent < -9999 ? -9999 : (int)exponent;
	return skip_digits(digits);
}

static const double ten[] = { 1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15 };

/* Few digits and a small power of ten: both are exact doubles, and one product or quotient of them is rounded once,
 * as strtod rounds (Clinger, PLDI 1990, 92). Ten times as fast, which a table of millions of readings needs. */
static bool exact(const char *first, const char *end, size_t n_digits, int power, bool negative, double *ret)
{
	int64_t whole = 0;

	if (n_digits > 15 || power > 15 || power < -15)
		return false;
	for (; first < end; first++)
		if (*first != '.')
			whole = 10 * whole + (*first - '0');
	double value = power < 0 ? (double)whole / ten[-power] : (double)whole * ten[power];
	*ret = negative ? -value : value;
	return true;
}

enum rc number_scan(const char *text, struct number *ret, struct err *err)
{
	struct number n = { 0 };
	char plain[80];
	const char *s = text, *sign = "";

	if (strncmp(s, MINUS_SIGN, strlen(MINUS_SIGN)) == 0) {
		sign = "-";
		s += strlen(MINUS_SIGN);
	} else if (*s == '-' || *s == '+') {
		sign = *s == '-' ? "-" : "";
		s++;
	}
	const char *first = s;
	s = skip_digits(s);
	size_t n_digits = (size_t)(s - first);
	if (*s == '.') {
		const char *point = s++;
		s = skip_digits(s);
		n.decimals = (int)(s - point - 1);
		n_digits += (size_t)n.decimals;
	}
	if (n_digits == 0)
		return err_set(err, RC_ARG, 0, "no number in \"%.40s\"", text);
	if (n_digits > 60)
		return err_set(err, RC_RANGE, 0, "\"%.40s...\" has more than 60 digits", text);
	if (*s == ',' && isdigit((unsigned char)s[1]))
		return err_set(err, RC_ARG, 0,
			       "\"%.40s\" has a comma in it; write the decimal mark as a point and no "
			       "thousands separators",
			       text);
	n.digits_end = s;
	n.end = exponent_end(s, &n.exponent);
	if (!exact(first, s, n_digits, n.exponent - n.decimals, *sign == '-', &n.value)) {
		int length = snprintf(plain, sizeof plain, "%s%.*s", sign, (int)(s - first), first);
		snprintf(plain + length, sizeof plain - (size_t)length, "e%d", n.exponent);
		n.value = to_double(plain);
	}
	if (!isfinite(n.value))
		return err_set(err, RC_RANGE, 0, "\"%.40s\" is too large for a number of this program", text);
	*ret = n;
	return RC_OK;
}

/* The commonest cell of a table, "-12.345" and nothing else, in one pass; false: look closer. */
static bool plain(const char *s, double *ret)
{
	bool negative = *s == '-';
	const char *first = s += negative, *point = NULL;
	int64_t whole = 0;

	for (; (*s >= '0' && *s <= '9') || (*s == '.' && !point); s++) {
		if (s - first > 15)
			return false;
		if (*s == '.')
			point = s;
		else
			whole = 10 * whole + (*s - '0');
	}
	size_t digits = (size_t)(s - first) - (point ? 1 : 0);
	if (*s || digits == 0 || digits > 15)
		return false;
	double value = (double)whole / ten[point ? s - point - 1 : 0];
	*ret = negative ? -value : value;
	return true;
}

enum rc number_parse(const char *text, double *ret, struct err *err)
{
	struct number n;

	if (plain(text, ret))
		return RC_OK;
	while (isspace((unsigned char)*text))
		text++;
	enum rc rc = number_scan(text, &n, err);
	if (rc)
		return rc;
	while (isspace((unsigned char)*n.end))
		n.end++;
	if (*n.end)
		return err_set(err, RC_ARG, 0, "\"%.40s\" is not a number: \"%.20s\" is left over", text, n.end);
	*ret = n.value;
	return RC_OK;
}

int number_print(char *buf, size_t size, int decimals, char conversion, double value)
{
	locale_t c = newlocale(LC_ALL_MASK, "C", (locale_t)0), old = (locale_t)0;

	if (c)
		old = uselocale(c);
	int length = conversion == 'e'   ? snprintf(buf, size, "%.*e", decimals, value)
		     : conversion == 'g' ? snprintf(buf, size, "%.*g", decimals, value)
					 : snprintf(buf, size, "%.*f", decimals, value);
	if (c) {
		uselocale(old);
		freelocale(c);
	}
	return length;
}
