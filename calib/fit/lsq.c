/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/lsq.h"

#include <string.h>

#define SINE_LIMIT 1e-12

void lsq_begin(struct lsq *fit, size_t p)
{
	memset(fit, 0, sizeof *fit);
	fit->p = p;
}

static void rotate(struct dd *a, struct dd *b, struct dd c, struct dd s)
{
	struct dd new_a = dd_add(dd_mul(c, *a), dd_mul(s, *b));

	*b = dd_sub(dd_mul(c, *b), dd_mul(s, *a));
	*a = new_a;
}

void lsq_add(struct lsq *fit, const struct dd *row, struct dd y)
{
	struct dd v[LSQ_TERMS + 1];

	memcpy(v, row, fit->p * sizeof *row);
	v[fit->p] = y;
	fit->n++;
	for (size_t j = 0; j < fit->p; j++) {
		if (dd_is_zero(v[j]))
			continue;
		struct dd h = dd_sqrt(dd_add(dd_mul(fit->r[j][j], fit->r[j][j]), dd_mul(v[j], v[j])));
		if (dd_is_zero(h))
			continue; /* both underflow: nothing to turn */
		struct dd c = dd_div(fit->r[j][j], h), s = dd_div(v[j], h);
		for (size_t k = j; k <= fit->p; k++)
			rotate(&fit->r[j][k], &v[k], c, s);
	}
}

size_t lsq_deficient_term(const struct lsq *fit)
{
	for (size_t j = 0; j < fit->p; j++) {
		double norm = 0;
		for (size_t i = 0; i <= j; i++)
			norm = hypot(norm, fit->r[i][j].hi);
		if (!(fabs(fit->r[j][j].hi) > SINE_LIMIT * norm))
			return j;
	}
	return LSQ_FULL_RANK;
}

void lsq_solve(const struct lsq *fit, struct dd *ret_coef)
{
	for (size_t j = fit->p; j-- > 0;) {
		struct dd sum = fit->r[j][fit->p];
		for (size_t k = j + 1; k < fit->p; k++)
			sum = dd_sub(sum, dd_mul(fit->r[j][k], ret_coef[k]));
		ret_coef[j] = dd_div(sum, fit->r[j][j]);
	}
}

void lsq_inverse(const struct lsq *fit, struct dd ret_inv[LSQ_TERMS][LSQ_TERMS])
{
	memset(ret_inv, 0, sizeof(struct dd[LSQ_TERMS][LSQ_TERMS]));
	for (size_t col = 0; col < fit->p; col++)
		for (size_t j = col + 1; j-- > 0;) {
			struct dd sum = dd_of(j == col ? 1 : 0);
			for (size_t k = j + 1; k <= col; k++)
				sum = dd_sub(sum, dd_mul(fit->r[j][k], ret_inv[k][col]));
			ret_inv[j][col] = dd_div(sum, fit->r[j][j]);
		}
}

double lsq_leverage(const struct lsq *fit, const struct dd *row)
{
	struct dd v[LSQ_TERMS], total = dd_of(0);

	for (size_t j = 0; j < fit->p; j++) {
		v[j] = row[j];
		for (size_t i = 0; i < j; i++)
			v[j] = dd_sub(v[j], dd_mul(fit->r[i][j], v[i]));
		v[j] = dd_div(v[j], fit->r[j][j]);
		total = dd_add(total, dd_mul(v[j], v[j]));
	}
	return dd_to(total);
}
