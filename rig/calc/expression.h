/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Simple expressions over columns of numbers: one pass of each operation over a whole column, which is what a million
 * draws need. Knows + - * / ^, brackets, numbers, names and the common functions of one number; anything else is left
 * to muParser, which also stays the judge of what an expression means (see model_eval.c). */
#ifndef BRIDLE_CALC_EXPRESSION_H
#define BRIDLE_CALC_EXPRESSION_H

#include <stddef.h>

#define EXPRESSION_BLOCK 256

struct expression;

/* names[0 .. n_names - 1] are the columns that expression_run takes, in that order. NULL when the text has something
 * in it that is not known here, or when out of memory: then another evaluator must do. */
struct expression *expression_new(const char *text, const char *const *names, size_t n_names);
void expression_free(struct expression *e); /* NULL is fine */

/* ret[0 .. n - 1] from columns[k][0 .. n - 1]; n at most EXPRESSION_BLOCK. Not for two threads at once. */
void expression_run(struct expression *e, const double *const *columns, double *ret, size_t n);

#endif
