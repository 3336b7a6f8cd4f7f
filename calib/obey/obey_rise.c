/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/obey/obey_rise.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>

#define L OBEY_RISE_LAGS
#define P (L + 1)      /* and the mean */
#define BLOCKS 20      /* common practice, no source */
#define LEAST_ROWS 512 /* as obey_fast */
#define WITHIN \
	0.125 /* of a row, either way: where in it a command changes is not known to means (a made lag: up to 0.08) */
#define FLAT 0.05 /* of the whole: the response has to have settled within the lags */

struct sums {
	double xx[P][P], xy[P];
};

static void add_rows(struct sums *s, const double *c, const double *m, size_t from, size_t to)
{
	double x[P];

	for (size_t i = from; i < to; i++) {
		for (size_t k = 0; k < L; k++)
			x[k] = c[i - k];
		x[L] = 1;
		for (size_t j = 0; j < P; j++) {
			s->xy[j] += x[j] * m[i];
			for (size_t k = 0; k <= j; k++)
				s->xx[j][k] += x[j] * x[k];
		}
	}
}

static enum rc solve(const struct sums *all, const struct sums *less, double *ret)
{
	double a[P * P], b[P];
	gsl_matrix_view A = gsl_matrix_view_array(a, P, P);
	gsl_vector_view B = gsl_vector_view_array(b, P), X = gsl_vector_view_array(ret, P);

	for (size_t j = 0; j < P; j++) {
		b[j] = all->xy[j] - (less ? less->xy[j] : 0);
		for (size_t k = 0; k <= j; k++)
			a[j * P + k] = a[k * P + j] = all->xx[j][k] - (less ? less->xx[j][k] : 0);
	}
	gsl_error_handler_t *usual = gsl_set_error_handler_off();
	int bad = gsl_linalg_cholesky_decomp1(&A.matrix) || gsl_linalg_cholesky_solve(&A.matrix, &B.vector, &X.vector);
	gsl_set_error_handler(usual);
	return bad ? RC_SINGULAR : RC_OK;
}

/* In stretches from the step, whose middles are at 0.5, 1.5, ...; before it there is none of it. */
static double reaches(const double *h, double whole, double share)
{
	double sum = 0, before = 0;

	for (int k = 0; k < L; k++) {
		sum += h[k] / whole;
		if (sum >= share)
			return k - 0.5 + (share - before) / (sum - before);
		before = sum;
	}
	return NAN;
}

struct told {
	double delay, rise, overshoot; /* in stretches; 1 */
};

static struct told tell(const double *h)
{
	double whole = 0, sum[L], most = 0;

	for (int k = 0; k < L; k++)
		sum[k] = whole += h[k];
	double end = 0;
	for (int k = L - L / 4; k < L; k++)
		end += sum[k] / (L / 4);
	for (int k = 1; k + 1 < L; k++)
		most = fmax(most, (sum[k - 1] + sum[k] + sum[k + 1]) / 3 / end);
	if (!(end > 0) || !(fabs(whole / end - 1) < FLAT))
		return (struct told){ NAN, NAN, NAN };
	return (struct told){ reaches(h, end, 0.5), reaches(h, end, 0.9) - reaches(h, end, 0.1), fmax(most - 1, 0) };
}

static size_t changes(const double *c, size_t n)
{
	size_t count = 0;

	for (size_t i = 1; i < n; i++)
		count += fabs(c[i] - c[i - 1]) > 0;
	return count;
}

static struct obey_number number(double value, double squares, double other)
{
	double u = sqrt(squares * (BLOCKS - 1) / BLOCKS), all = hypot(u, other);

	return (struct obey_number){ value, all, u > 0 ? (BLOCKS - 1) * pow(all / u, 4) : INFINITY };
}

struct work {
	struct sums all, block[BLOCKS];
};

static enum rc find(struct work *w, double period_s, double late_s, const double *c, const double *m, size_t n,
		    struct obey_step *ret)
{
	double h[P], squares[3] = { 0 };

	for (size_t b = 0; b < BLOCKS; b++) {
		size_t from = L + (n - L) * b / BLOCKS, to = L + (n - L) * (b + 1) / BLOCKS;
		add_rows(&w->block[b], c, m, from, to);
		add_rows(&w->all, c, m, from, to);
	}
	if (solve(&w->all, NULL, h) != RC_OK)
		return RC_SINGULAR;
	struct told t = tell(h);
	for (size_t b = 0; b < BLOCKS; b++) {
		if (solve(&w->all, &w->block[b], h) != RC_OK)
			return RC_SINGULAR;
		struct told without = tell(h);
		squares[0] += pow(without.delay - t.delay, 2);
		squares[1] += pow(without.rise - t.rise, 2);
		squares[2] += pow(without.overshoot - t.overshoot, 2);
	}
	double least = sqrt(fmax(0, t.rise * t.rise - 1)), middle = (t.rise + least) / 2;
	double within_s = WITHIN * period_s / sqrt(3), half = (t.rise - least) / 2 / sqrt(3), p2 = period_s * period_s;
	ret->delay_s = number(t.delay * period_s + late_s / 2, squares[0] * p2, hypot(late_s / sqrt(12), within_s));
	ret->rise_s = number(middle * period_s, squares[1] * p2, hypot(half * period_s, within_s));
	ret->overshoot_1 = number(t.overshoot, squares[2], 0);
	ret->steps = changes(c, n);
	return isfinite(ret->delay_s.u + ret->rise_s.u) ? RC_OK : RC_SINGULAR;
}

enum rc obey_rise(double period_s, double late_s, const double *commanded_Nm, const double *measured_Nm, size_t n,
		  struct obey_step *ret, struct err *err)
{
	struct work *w = n >= LEAST_ROWS ? calloc(1, sizeof *w) : NULL;

	if (n < LEAST_ROWS)
		return err_set(err, RC_ARG, 0, "found %zu rows, expected at least %d for a step response", n,
			       LEAST_ROWS);
	if (!w)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = find(w, period_s, late_s, commanded_Nm, measured_Nm, n, ret);
	free(w);
	return rc == RC_OK
		       ? rc
		       : err_set(err, rc, 0, "the torque does not answer the steps so that a step response is seen");
}
