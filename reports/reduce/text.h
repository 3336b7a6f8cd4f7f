/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Numbers and words for pages: value and expanded uncertainty rounded together
 * (two significant digits of U, GUM 7.2.6), and text made safe for HTML. */
#ifndef BRIDLE_REPORTS_REDUCE_TEXT_H
#define BRIDLE_REPORTS_REDUCE_TEXT_H

#include "reports/reduce/curve.h"

#include <stdio.h>

/* "20.34 ± 0.12"; without a stated uncertainty (U 0 or NaN) "20.3 indicated"; not finite: "–". unit may be NULL. */
void text_pm(char *buf, size_t size, double value, double U, const char *unit);
/* The value alone, rounded as text_pm rounds it. */
void text_value(char *buf, size_t size, double value, double U);
/* U alone with two significant digits; "" when there is none. */
void text_U(char *buf, size_t size, double U);
/* A part of an uncertainty, with one digit more than the whole shows: parts of one sum have the same decimals, and none
 * an exponent. The whole must be above 0. */
void text_part(char *buf, size_t size, double u, double whole);
/* An uncertain number at the curve's coverage. */
void text_unc(char *buf, size_t size, const struct curve *curve, struct unc x, const char *unit);
/* The same with the larger of U and what another window would differ by: digits that another run keeps. */
void text_repeatable(char *buf, size_t size, const struct curve *curve, struct unc x, double scatter, double scale,
		     const char *unit);
/* The same in percent. */
void text_unc_percent(char *buf, size_t size, const struct curve *curve, struct unc x);

/* text with each from replaced by to; cut where buf ends. */
void text_swap(char *buf, size_t size, const char *text, const char *from, const char *to);

/* Escapes & < > " ' ; bytes that are not UTF-8 or are control characters become "?". */
void text_html(FILE *to, const char *text);
/* The same, and a value stays on one line with its unit and its uncertainty. */
void text_html_kept(FILE *to, const char *text);
/* n bytes of text as they are, but a hyphen that is the sign of a number becomes a minus (U+2212): before a digit,
 * behind a blank, a bracket, a quotation mark or nothing. */
void text_signs(FILE *to, const char *text, size_t n);
/* "2026-03-14 09:26 UTC" of nanoseconds since 1970. */
void text_time(char *buf, size_t size, int64_t wall_ns);

#endif
