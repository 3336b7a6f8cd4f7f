/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of calib/number/quantity.c: unit names as people spell them, and UDUNITS-2 behind one door. */
#ifndef BRIDLE_CALIB_NUMBER_QUANTITY_UNIT_H
#define BRIDLE_CALIB_NUMBER_QUANTITY_UNIT_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

#define UNIT_TEXT 96

/* to = from * factor + offset. An angle (rad, deg, turns, rpm) converts to angles only, so that Hz is not
 * taken for rpm and a percentage is not taken for degrees. */
enum rc unit_convert(const char *from, const char *to, double *ret_factor, double *ret_offset,
		     struct err *err) MUST_CHECK;

/* "mm" -> "m", "rpm" -> "rad.s-1", "degC" -> "K", "%" -> "1". RC_ARG unknown unit, RC_RANGE longer than size. */
enum rc unit_si(const char *unit, char *ret, size_t size, struct err *err) MUST_CHECK;

/* "N.m" -> "N·m", "degC" -> "°C", "deg" -> "°", "1" -> "". */
void unit_pretty(const char *unit, char *buf, size_t size);

void unit_cleanup(void);

#endif
