/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Decimal numbers as text, the same in every locale: a point is the decimal
 * mark, never a comma. No hexadecimal, no "nan", no "inf". No globals. */
#ifndef BRIDLE_CALIB_NUMBER_NUMBER_H
#define BRIDLE_CALIB_NUMBER_NUMBER_H

#include "calib/number/err.h"

#include <stddef.h>

struct number {
	double value;
	int decimals;           /* digits written after the point */
	int exponent;           /* written after e, 0 when none */
	const char *digits_end; /* end of the mantissa: where "(2)" of a bracket form would stand */
	const char *end;        /* first byte after the number */
};

/* Read the longest number at the start of text (no leading blanks). Sign +, - or U+2212.
 * ret: written on success only; its pointers point into text.
 * RC_ARG no number there, or a decimal comma; RC_RANGE too large for a double, or more than 60 digits. */
enum rc number_scan(const char *text, struct number *ret, struct err *err) MUST_CHECK;

/* The whole text, blanks around it allowed, as one number. Errors as above, and RC_ARG for anything after it. */
enum rc number_parse(const char *text, double *ret, struct err *err) MUST_CHECK;

/* snprintf of one double with a format such as "%.*f" with the point as decimal mark. */
int number_print(char *buf, size_t size, int decimals, char conversion, double value);

#endif
