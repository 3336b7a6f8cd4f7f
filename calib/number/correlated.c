/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/correlated.h"
#include "calib/number/uncertain.h"

#include <gsl/gsl_eigen.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>

static enum rc check(const double *r, size_t n, struct err *err)
{
	for (size_t i = 0; i < n; i++) {
		for (size_t j = 0; j < n; j++) {
			double x = r[i * n + j];
			if (!(fabs(x) <= 1.0))
				return err_set(err, RC_ARG, 0, "a correlation of %g is not possible; expected -1 to 1",
					       x);
			if (!(fabs(x - r[j * n + i]) <= 1e-12))
				return err_set(err, RC_ARG, 0, "the correlation matrix is not symmetric: %g and %g", x,
					       r[j * n + i]);
			if (i == j && !(fabs(x - 1.0) <= 1e-12))
				return err_set(err, RC_ARG, 0, "a number's correlation with itself is %g; it must be 1",
					       x);
		}
	}
	return RC_OK;
}

static enum rc root_of(gsl_matrix *m, gsl_vector *value, gsl_matrix *vector, size_t n, double *ret, struct err *err)
{
	gsl_eigen_symmv_workspace *work = gsl_eigen_symmv_alloc(n);

	if (!work)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	int bad = gsl_eigen_symmv(m, value, vector, work);
	gsl_eigen_symmv_free(work);
	if (bad)
		return err_set(err, RC_SINGULAR, 0, "the eigenvalues of the correlation matrix cannot be found");
	for (size_t i = 0; i < n; i++)
		if (!(gsl_vector_get(value, i) >= -1e-10 * (double)n))
			return err_set(err, RC_SINGULAR, 0,
				       "these correlations contradict each other: no numbers can have "
				       "them together (eigenvalue %.3g)",
				       gsl_vector_get(value, i));
	for (size_t i = 0; i < n; i++)
		for (size_t j = 0; j < n; j++)
			ret[i * n + j] = gsl_matrix_get(vector, i, j) * sqrt(fmax(0.0, gsl_vector_get(value, j)));
	return RC_OK;
}

enum rc correlated_root(const double *r, size_t n, double *ret, struct err *err)
{
	enum rc rc = check(r, n, err);

	if (rc || n == 0)
		return rc;
	gsl_matrix *m = gsl_matrix_alloc(n, n), *vector = gsl_matrix_alloc(n, n);
	gsl_vector *value = gsl_vector_alloc(n);
	if (m && vector && value) {
		for (size_t i = 0; i < n * n; i++)
			gsl_matrix_set(m, i / n, i % n, r[i]);
		rc = root_of(m, value, vector, n, ret, err);
	} else {
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	}
	if (m)
		gsl_matrix_free(m);
	if (vector)
		gsl_matrix_free(vector);
	if (value)
		gsl_vector_free(value);
	return rc;
}

/* What one group of correlated inputs brings: its variance, and that by its degrees of freedom. */
struct component {
	double variance, variance2_by_dof;
};

static struct component component_of(const double *b, const double *dof, const double *r, size_t n, const size_t *group,
				     size_t which)
{
	double variance = 0, pull = 0, common = NAN;
	bool together = true;

	for (size_t i = 0; i < n; i++) {
		double row = 0;
		if (group[i] != which)
			continue;
		for (size_t j = 0; j < n; j++)
			if (group[j] == which)
				row += (r ? r[i * n + j] : i == j) * b[j];
		variance += b[i] * row;
		pull += fabs(b[i] * row) / sqrt(dof[i]);
		together =
			together && (isnan(common) || fabs(dof[i] - common) <= 0 || (isinf(dof[i]) && isinf(common)));
		common = dof[i];
	}
	return (struct component){ variance, together ? variance * variance / common : pull * pull };
}

/* group[i]: the least index that i is tied to by correlations. An input that brings nothing ties nobody. */
static void tie(const double *b, const double *r, size_t n, size_t *group)
{
	for (size_t i = 0; i < n; i++)
		group[i] = i;
	for (size_t i = 0; r && i < n; i++)
		for (size_t j = 0; j < i; j++) {
			if (!(fabs(r[i * n + j]) > 0) || !(fabs(b[i]) > 0) || !(fabs(b[j]) > 0) || group[i] == group[j])
				continue;
			size_t from = group[i] > group[j] ? group[i] : group[j], to = group[i] + group[j] - from;
			for (size_t k = 0; k < n; k++)
				if (group[k] == from)
					group[k] = to;
		}
}

enum rc correlated_dof(const double *b, const double *dof, const double *r, size_t n, double *ret, struct err *err)
{
	size_t *group = malloc((n ? n : 1) * sizeof *group);
	double variance = 0, sum = 0;

	if (!group)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	tie(b, r, n, group);
	for (size_t g = 0; g < n; g++) {
		if (group[g] != g)
			continue;
		struct component c = component_of(b, dof, r, n, group, g);
		variance += c.variance;
		sum += c.variance2_by_dof;
	}
	free(group);
	*ret = sum > 0 ? fmax(1, variance * variance / sum) : INFINITY;
	return RC_OK;
}
