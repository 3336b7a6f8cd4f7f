/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the topics of calc share: quantities given as options. */
#ifndef BRIDLE_CALC_CALC_OPTION_H
#define BRIDLE_CALC_CALC_OPTION_H

#include "calib/number/err.h"
#include "calib/number/quantity.h"

#include <jansson.h>
#include <stdbool.h>

/* --name text as a quantity in unit. A bare number is taken in that unit when bare is true. text NULL: RC_ARG, missing.
 */
enum rc calc_option(const char *name, const char *text, const char *unit, bool bare, struct quantity *ret,
		    struct err *err) MUST_CHECK;

/* {"value": ..., "u": ..., "unit": ...} */
json_t *calc_json(double value, double u, const char *unit);

/* "NAME  20.34 N·m ± 0.12 N·m (k = 2.00, 95 %)", with k of a normal distribution for 95 %. */
void calc_print(const char *name, double value, double u, double k, const char *unit);

#endif
