/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Of which kind an expression's value is: metres and kilograms cannot be added, and a product of volts and amperes is
 * no torque.
 *
 * What a bare number is cannot be known: 9.81 may be an acceleration. Beside a + or - it is taken to be of the kind of
 * what it stands with; a factor that is a small whole number or a quarter of one (2, 0.5, pi) counts, any other makes
 * the kind of the product unknown. Unknown kinds agree with everything, so that what is refused is wrong for certain.
 * Angles count as numbers (a radian is one metre by one metre). */
#ifndef BRIDLE_CALC_DIMENSION_H
#define BRIDLE_CALC_DIMENSION_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

#define DIMENSION_BASES 7

struct dimension {
	bool known;
	double power[DIMENSION_BASES]; /* m, kg, s, A, K, mol, cd */
};

/* Of a coherent SI unit as quantity_si_unit spells it, "m2.kg.s-2"; unknown when a part is not of the SI. */
struct dimension dimension_of_unit(const char *si_unit);
bool dimension_same(struct dimension a, struct dimension b);     /* true when one of them is unknown */
void dimension_text(struct dimension d, char *buf, size_t size); /* "m2·kg·s-2"; "a plain number" */

/* Kind of an expression of those names. RC_ARG when it adds or compares what is not alike, or takes the sine,
 * exponential or power of what has a unit. What this reader does not understand is unknown: whether an expression is
 * one, others judge. */
enum rc dimension_of_expression(const char *text, const char *const *names, const struct dimension *dims, size_t n,
				struct dimension *ret, struct err *err) MUST_CHECK;

#endif
