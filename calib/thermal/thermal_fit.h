/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The two stores of thermal_model.h found from a record of temperatures, with intervals. A hold, a cooling curve and
 * several holds one after the other are the same problem: the equations are followed through the record and fitted by
 * nonlinear least squares (gsl_multifit_nlinear, Levenberg-Marquardt with geodesic acceleration, from several starts).
 *
 * What a record can tell:
 *   loss known           resistances in K/W
 *   only torque known    the same with the loss in units of R_w (watts are then kelvins): all forecasts at a torque
 * hold
 *   neither              a constant loss; only forecasts at that same load
 * The loss beyond a fixed part goes with the square of the torque; the fixed part is there while there is torque (more
 * than 1 % of the largest), and is fitted only when the loaded torques differ by a tenth.
 * A row's torque and loss hold until the next row; the ambient goes straight from row to row.
 *
 * Uncertainty: the fit's, widened by the residuals' autocorrelation (calib/fit/stats.h: stats_mean_shy), degrees of
 * freedom by the effective count. Allocates for the length of a call; no I/O. */
#ifndef BRIDLE_CALIB_THERMAL_THERMAL_FIT_H
#define BRIDLE_CALIB_THERMAL_THERMAL_FIT_H

#include "calib/number/err.h"
#include "calib/thermal/thermal_model.h"

#define THERMAL_HOLDS 12
#define THERMAL_PARAMS (8 + 2 * THERMAL_HOLDS)

/* All columns n long, borrowed; NULL when not measured, but time, ambient and one of winding and case_. */
struct thermal_record {
	size_t n;
	const double *time_s, *winding_degC, *case_degC, *ambient_degC, *torque_Nm, *loss_W;
	const double *hold; /* a number of each hold: where it changes, another record begins; NULL: one */
	/* Heat that is known to come to the case past the winding while there is load: of a drive on the actuator, say.
	 * Only with both temperatures and the loss, which it is no part of. */
	double beside_W;
};

struct thermal_fit {
	struct thermal_model model;
	struct thermal_loss loss;
	bool watts;      /* resistances are K/W */
	bool torque;     /* loss goes by torque, so forecasts at other torques hold */
	bool fixed;      /* a fixed part was fitted */
	double beside_W; /* as in the record; the law of a loss by torque has it as the fixed watts that warm the
			    winding as much in the end */
	size_t holds;
	double start_degC[THERMAL_HOLDS][THERMAL_STORES]; /* fitted, at the first row of each hold */
	double u_tau_s[THERMAL_STORES], u_resistance_K_per_W[THERMAL_STORES]; /* NaN without spare readings */
	double dof;                                                           /* 0 without spare readings */
	double residual_sd_K[THERMAL_STORES];
	/* Lack of fit: means of 20 stretches of the residuals against the scatter of neighbours. lack_p is the chance
	 * of such means without any lack, NaN for records under 60 rows; lack_K the largest mean. */
	double lack_p, lack_K;
	/* For draws: parameters as the fit has them and a lower triangle L with cov = L L'. */
	size_t p;
	double param[THERMAL_PARAMS], root[THERMAL_PARAMS][THERMAL_PARAMS];
};

/* ret written on success only. RC_ARG times that do not rise, too few rows; RC_SINGULAR the record does not tell (too
 * short, no change of temperature). */
enum rc thermal_fit(const struct thermal_record *r, struct thermal_fit *ret, struct err *err) MUST_CHECK;

/* Model and loss with each parameter moved by root z, z p numbers of a normal or Student's distribution. */
void thermal_fit_moved(const struct thermal_fit *fit, const double *z, struct thermal_model *ret_model,
		       struct thermal_loss *ret_loss);

/* A number that follows from model and loss, with u by the fit's covariance (central differences along root) and the
 * interval of 95 % by n_draws draws; high INFINITY where more than 2.5 % of the draws give that. NaN low, high and u
 * without spare readings. */
struct thermal_answer {
	double value, u, low, high;
	double u_fit; /* as u, and stays so where a caller adds other parts to u */
};
struct thermal_answer thermal_answer(const struct thermal_fit *fit,
				     double (*f)(const struct thermal_model *, const struct thermal_loss *, void *),
				     void *ctx);

#endif
