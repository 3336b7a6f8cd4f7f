/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Quantities as people write them: "250.0 mm ± 0.2 mm", "250.0(2) mm",
 * "12 N·m ± 0.5 %", "± 0.1 % k=2", "5 kg ± 250 mg tri". Units by UDUNITS-2,
 * which is loaded at the first call (it takes milliseconds, so programs that
 * only print help never pay for it). Not thread-safe: readers of files only.
 *
 * How an uncertainty is read (GUM = JCGM 100:2008):
 *   v(d) u           standard uncertainty in units of the last digit (GUM 7.2.2)
 *   ± a u            limits, nothing else known: rectangular, u = a/sqrt 3 (GUM 4.3.7)
 *   ± a u rect|tri   limits: a/sqrt 3, a/sqrt 6
 *   ± a u normal     standard uncertainty a
 *   ± a u trap=B     limits, trapezoid with top B times the base: a sqrt((1 + B^2)/6) (GUM 4.3.9)
 *   ± a u k=K        expanded uncertainty, normal, u = a/K
 *   any of them may end in dof=N (default: infinite)
 * a may carry a unit of its own or be a percentage ("%", "ppm") of the value.
 * Where the value itself is written in % or ppm, or is left out ("± 50 ppm",
 * value 0), the percentage of the uncertainty is absolute. "+-" and "+/-" stand
 * for "±"; "(250.0 ± 0.2) mm" and the output of quantity_format are read too. */
#ifndef BRIDLE_CALIB_NUMBER_QUANTITY_H
#define BRIDLE_CALIB_NUMBER_QUANTITY_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

/* DIST_TWO: one of two values, u either side of the middle. It comes from arithmetic, nobody writes it. */
enum dist { DIST_NORMAL, DIST_RECT, DIST_TRI, DIST_TRAPEZOID, DIST_T, DIST_TWO };

struct quantity {
	double value;   /* in the unit that was asked for */
	double u;       /* standard uncertainty (k = 1) in the same unit; 0 when none was stated */
	double dof;     /* degrees of freedom of u; INFINITY unless stated */
	enum dist dist; /* meaningful when u > 0; DIST_T for a normal one with finite dof */
	bool has_u;     /* an uncertainty was written, even if it is 0 */
	double beta;    /* DIST_TRAPEZOID: top over base, 0 (triangle) to 1 (rectangle) */
};

/* Read text as a quantity in the given unit ("mm", "N.m", "rpm", "arcmin",
 * "degC", "1" for a bare number). "N.m" and "N·m", "N m", "Nm", "deg" and "°" are alike.
 * An offset unit (degC) takes the offset for the value and only the factor for
 * the uncertainty. A value without a unit is an error unless unit is "1".
 *
 * ret: written on success only.
 * RC_ARG    no number, unknown unit, missing unit, other dimension, negative uncertainty
 * RC_RANGE  not finite */
enum rc quantity_parse(const char *text, const char *unit, struct quantity *ret, struct err *err) MUST_CHECK;

/* As quantity_parse, in the coherent SI unit of whatever unit is written: "250.0 mm ± 0.2 mm" is 0.25 in "m",
 * "12 N·m" is 12 in "m2.kg.s-2", "80 rpm" is in "rad.s-1", a bare number in "1". Errors as above. */
enum rc quantity_parse_si(const char *text, struct quantity *ret, char *ret_unit, size_t unit_size,
			  struct err *err) MUST_CHECK;

/* The unit that a text is written in ("1" when there is none), for an answer in the same. RC_ARG, RC_RANGE as above. */
enum rc quantity_written_unit(const char *text, char *ret_unit, size_t unit_size, struct err *err) MUST_CHECK;

/* The coherent SI unit of a unit, as UDUNITS-2 spells it. */
enum rc quantity_si_unit(const char *unit, char *ret_unit, size_t unit_size, struct err *err) MUST_CHECK;

/* Value of one unit in another: factor and offset with to = from * factor + offset. RC_ARG as above. */
enum rc quantity_convert(const char *from, const char *to, double *ret_factor, double *ret_offset,
			 struct err *err) MUST_CHECK;

/* "speed (rpm)" -> name "speed", unit "rpm". A heading without a unit gives unit "". RC_ARG when too long. */
enum rc quantity_heading(const char *heading, char *ret_name, size_t name_size, char *ret_unit, size_t unit_size,
			 struct err *err) MUST_CHECK;

/* GUM-style text: U = k u with two significant digits, value rounded to match:
 * "20.34 N·m ± 0.12 N·m (k = 2.05, 95 %)". u must be >= 0 and finite; u 0 prints the value alone. */
void quantity_format(char *buf, size_t size, double value, double u, double k, double coverage, const char *unit);

/* Half-width of a bounded distribution with standard uncertainty u (u sqrt 3, u sqrt 6, ...); INFINITY for
 * normal and t, NaN for beta outside [0, 1] of a trapezoid. */
double dist_half_width(enum dist dist, double u, double beta);
/* "normal", "rect", "tri", "trap", "t". */
const char *dist_name(enum dist dist);

/* Short bracket form with the standard uncertainty, two digits: "20.340(58) N·m". */
void quantity_format_bracket(char *buf, size_t size, double value, double u, const char *unit);

/* Free what UDUNITS-2 holds (for clean leak reports). */
void quantity_cleanup(void);

#endif
