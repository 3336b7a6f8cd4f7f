/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of cellcal.c, shared by its files only. */
#ifndef BRIDLE_CALIB_CELL_CELLCAL_PRIVATE_H
#define BRIDLE_CALIB_CELL_CELLCAL_PRIVATE_H

#include "calib/cell/cellcal.h"
#include "calib/fit/lsq.h"

struct cellcal_work {
	const struct cellcal_input *in;
	double *y;   /* tare-corrected */
	bool *used;  /* goes into the fit */
	bool *tared; /* its series has a zero reading */
	size_t n_used;
	double max_abs_Nm;
	bool paired; /* a series holds rising and falling readings: a falling one belongs to its own series */
};

/* in must be checked. Free also after a failure. */
enum rc cellcal_work_new(const struct cellcal_input *in, struct cellcal_work *w, struct err *err) MUST_CHECK;
void cellcal_work_free(struct cellcal_work *w);

/* The source that stands for hysteresis where both branches could be fitted. */
#define CELLCAL_LOOP "reversibility of the cell"

struct poly {
	int degree;
	bool origin;
	double scale_Nm; /* the fit is done in T / scale_Nm */
	struct lsq lsq;
	struct dd inv[LSQ_TERMS][LSQ_TERMS];
	double coef[CELLCAL_COEFS], cov[CELLCAL_COEFS][CELLCAL_COEFS];
	double rss, residual_sd, dof;            /* n - p */
	double cov_dof;                          /* of the noise that cov rests on */
	double lof_F, lof_p, lof_dof1, lof_dof2; /* NaN without repeats */
	double aicc;
};

/* subset: fits only readings for which it is true (n of them); NULL all that are used. */
enum rc poly_fit_some(const struct cellcal_work *w, int degree, bool origin, const bool *subset, struct poly *ret,
		      struct err *err) MUST_CHECK;
enum rc poly_fit(const struct cellcal_work *w, int degree, bool origin, struct poly *ret, struct err *err) MUST_CHECK;
/* Shift of the coefficients for one u of a source. */
void poly_shift(const struct cellcal_work *w, const struct poly *p, size_t source, double ret_dcoef[CELLCAL_COEFS]);
double poly_value(const double coef[CELLCAL_COEFS], double torque_Nm);
double poly_slope(const double coef[CELLCAL_COEFS], double torque_Nm);
double poly_leverage(const struct poly *p, double torque_Nm);

/* Variance of one reading, freed of what zeros, mountings and hysteresis add to the scatter about the fit, with its
 * degrees of freedom: with readings of one direction and without zeros, that of the fit. */
enum rc cellcal_noise(const struct cellcal_work *w, const struct poly *p, const bool *subset, double *ret_s2,
		      double *ret_dof, struct err *err) MUST_CHECK;

/* Order of the parameters: rise[1..3], loop, friction. */
enum { COLUMN_LOOP = 3, COLUMN_FRICTION = COLUMN_LOOP + CELLCAL_LOOPS };
/* The falling branch above the rising one by each loop[j], x from 0 at zero to 1 at the turn. */
double cellcal_loop_shape(int j, double x);

/* The branches apart, with the mounting as a source; leaves them unknown where the readings do not tell. Range and
 * sources of cal are filled. */
void cellcal_branches_fit(const struct cellcal_work *w, struct cellcal *cal);
/* frac of the sensitivity; nothing when it is not above 0 or there is no room. */
void cellcal_add_mounting(struct cellcal *cal, double frac, double dof);

/* What the series show, the class, and the mounting as a source of its own. */
enum rc cellcal_evaluate(const struct cellcal_work *w, const struct poly *p, struct cellcal *cal,
			 struct err *err) MUST_CHECK;

#endif
