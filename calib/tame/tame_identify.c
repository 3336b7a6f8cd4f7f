/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_identify_private.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_multifit.h>
#include <math.h>
#include <stdlib.h>

#define LEAST_ROWS 200
#define TERMS 5   /* of the straight fit */
#define EVEN 0.01 /* of a step */
#define FREQUENCIES 48
#define STARTS 4
#define START_DAMPING 0.03 /* of the critical one */
#define BY_CHANCE 1e-4     /* that one mass fits so much worse and is right */
#define LAGS 50

static const double shares[] = { 0.15, 0.4, 0.7, 0.9 }; /* of the inertia, in the arm */

static enum rc check(const struct tame_record *r, double *ret_step_s, struct err *err)
{
	double most = -INFINITY, least = INFINITY, worst = 0;
	size_t at = 1;

	if (r->n < LEAST_ROWS || r->n > TAME_ROWS)
		return err_set(err, RC_ARG, 0, "found %zu rows, expected %d to %d", r->n, LEAST_ROWS, TAME_ROWS);
	*ret_step_s = (r->time_s[r->n - 1] - r->time_s[0]) / (double)(r->n - 1);
	for (size_t i = 0; i < r->n; i++) {
		double off = i > 0 ? fabs(r->time_s[i] - r->time_s[i - 1] - *ret_step_s) : 0;
		if (off > worst || isnan(off)) {
			worst = off;
			at = i;
		}
		most = fmax(most, r->torque_Nm[i]);
		least = fmin(least, r->torque_Nm[i]);
	}
	if (!(worst <= EVEN * *ret_step_s))
		return err_set(err, RC_ARG, 0,
			       "the times are not even at row %zu: %g s after the row before, %g s in the mean", at + 1,
			       r->time_s[at] - r->time_s[at - 1], *ret_step_s);
	if (!(most > least))
		return err_set(err, RC_ARG, 0, "the torque is %g N·m in every row; excite by steps or a chirp", most);
	return RC_OK;
}

/* One mass by a straight fit of the angle: twice the integral of the torque over J, less b/J its own integral, less
 * offset/J t^2/2, and how it began. Integrals make little of noise. A start, no answer. */
static enum rc begin(struct tame_fit *f, struct err *err)
{
	const struct tame_record *r = f->record;
	double h = f->step_s, chi2, impulse = 0, torque = 0, integral = 0, angle = 0;
	gsl_matrix *x = gsl_matrix_alloc(r->n, TERMS), *cov = gsl_matrix_alloc(TERMS, TERMS);
	gsl_vector *y = gsl_vector_alloc(r->n), *c = gsl_vector_alloc(TERMS);
	gsl_multifit_linear_workspace *w = gsl_multifit_linear_alloc(r->n, TERMS);
	enum rc rc = x && cov && y && c && w ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", r->n);

	for (size_t i = 0; i < r->n && rc == RC_OK; i++) {
		double t = h * (double)i, row[TERMS] = { torque, -integral, -t * t / 2, t, 1 };
		for (size_t k = 0; k < TERMS; k++)
			gsl_matrix_set(x, i, k, row[k]);
		gsl_vector_set(y, i, angle);
		torque += h * (impulse + h * r->torque_Nm[i] / 2);
		impulse += h * r->torque_Nm[i];
		integral += h * angle;
		angle += h * r->speed_rad_per_s[i];
	}
	if (rc == RC_OK && (gsl_multifit_linear(x, y, c, cov, &chi2, w) || !(gsl_vector_get(c, 0) > 0)))
		rc = err_set(err, RC_SINGULAR, 0, "the speed does not follow the torque");
	if (rc == RC_OK) {
		double inertia = 1 / gsl_vector_get(c, 0);
		f->value[TF_ROTOR] = log(inertia);
		f->value[TF_VISCOUS] = fmax(gsl_vector_get(c, 1) * inertia, 1e-3 * inertia / (h * (double)r->n));
		f->value[TF_OFFSET] = gsl_vector_get(c, 2) * inertia;
		f->value[TF_SPEED] = gsl_vector_get(c, 3);
	}
	gsl_multifit_linear_free(w);
	gsl_vector_free(c);
	gsl_vector_free(y);
	gsl_matrix_free(cov);
	gsl_matrix_free(x);
	return rc;
}

static void as_two(struct tame_fit *f, double whole, double share, double hertz)
{
	double arm = share * whole, rotor = whole - arm, reduced = rotor * share, omega = 2 * M_PI * hertz;

	f->two = true;
	f->value[TF_ROTOR] = log(rotor);
	f->value[TF_ARM] = log(arm);
	f->value[TF_STIFFNESS] = log(reduced * omega * omega);
	f->value[TF_DAMPING] = 2 * START_DAMPING * reduced * omega;
}

/* The share that suits that frequency best. */
static struct tame_fit best_share(const struct tame_fit *one, double hertz, double *scratch)
{
	struct tame_fit ret = { .rss = INFINITY };

	for (size_t s = 0; s < sizeof shares / sizeof shares[0]; s++) {
		struct tame_fit f = *one;
		as_two(&f, exp(one->value[TF_ROTOR]), shares[s], hertz);
		f.rss = tame_fit_rss(&f, scratch);
		if (f.rss < ret.rss)
			ret = f;
	}
	return ret;
}

/* The best of several fits from the best places of a coarse search. */
static enum rc fit_two(const struct tame_fit *one, double *scratch, struct tame_fit *ret, struct err *err)
{
	double low = 3 / (one->step_s * (double)one->record->n), high = 0.4 / one->step_s;
	struct tame_fit best[STARTS];
	enum rc rc = RC_SINGULAR;

	for (int k = 0; k < STARTS; k++)
		best[k].rss = INFINITY;
	for (int i = 0; i < FREQUENCIES; i++) {
		struct tame_fit f = best_share(one, low * pow(high / low, (i + 0.5) / FREQUENCIES), scratch);
		for (int k = 0; k < STARTS; k++)
			if (f.rss < best[k].rss) {
				struct tame_fit pushed = best[k];
				best[k] = f;
				f = pushed;
			}
	}
	for (int k = 0; k < STARTS; k++)
		if (isfinite(best[k].rss) && tame_fit_run(&best[k], err) == RC_OK &&
		    (rc != RC_OK || best[k].rss < ret->rss)) {
			*ret = best[k];
			rc = RC_OK;
		}
	return rc;
}

/* F test: does the second mass explain more than chance? */
static bool is_better(const struct tame_fit *two, const struct tame_fit *one)
{
	double more = (double)(two->p - one->p), left = (double)(two->record->n - two->p);
	double f = (one->rss - two->rss) / more / (two->rss / left);

	return gsl_cdf_fdist_Q(f, more, left) < BY_CHANCE;
}

/* By how much neighbours that belong together widen u: sqrt(1 + 2 sum of
 * autocorrelations) while they stand out. */
static double widening(const struct tame_fit *f, double *scratch)
{
	size_t n = f->record->n;
	double square = tame_fit_rss(f, scratch), sum = 0;

	for (size_t lag = 1; lag <= LAGS && lag < n; lag++) {
		double product = 0;
		for (size_t i = lag; i < n; i++)
			product += scratch[i] * scratch[i - lag];
		if (!(product / square > 3 / sqrt((double)n)))
			break;
		sum += product / square;
	}
	return sqrt(1 + 2 * sum);
}

static struct tame_number number(const struct tame_fit *f, int i, double wide)
{
	double u = wide * sqrt(f->cov[i][i]), dof = (double)(f->record->n - f->p), value = f->value[i];

	return i <= TF_STIFFNESS ? (struct tame_number){ exp(value), exp(value) * u, dof }
				 : (struct tame_number){ value, u, dof };
}

/* omega^2 = k (1/rotor + 1/arm); its logarithm's derivatives by those of the
 * three. */
static struct tame_number resonance(const struct tame_fit *f, double wide)
{
	double rotor = exp(f->value[TF_ROTOR]), arm = exp(f->value[TF_ARM]), k = exp(f->value[TF_STIFFNESS]);
	double hertz = sqrt(k * (1 / rotor + 1 / arm)) / (2 * M_PI), of[3], variance = 0;
	static const int which[] = { TF_ROTOR, TF_ARM, TF_STIFFNESS };

	of[0] = -arm / (rotor + arm);
	of[1] = -rotor / (rotor + arm);
	of[2] = 1;
	for (int i = 0; i < 3; i++)
		for (int j = 0; j < 3; j++)
			variance += of[i] * of[j] * f->cov[which[i]][which[j]];
	return (struct tame_number){ hertz, wide * hertz / 2 * sqrt(fmax(0, variance)), (double)(f->record->n - f->p) };
}

/* Cholesky's: row by row; a number without uncertainty has a row of 0. */
static void square_root(double cov[TAME_TOGETHER][TAME_TOGETHER], double ret[TAME_TOGETHER][TAME_TOGETHER])
{
	for (int i = 0; i < TAME_TOGETHER; i++)
		for (int j = 0; j <= i; j++) {
			double rest = cov[i][j];
			for (int k = 0; k < j; k++)
				rest -= ret[i][k] * ret[j][k];
			if (i == j)
				ret[i][i] = sqrt(fmax(0, rest));
			else
				ret[i][j] = ret[j][j] > 0 ? rest / ret[j][j] : 0;
		}
}

/* Of the numbers themselves, where the fit has their logarithms. */
static void tell_together(const struct tame_fit *f, double wide, struct tame_identified *ret)
{
	static const int of[TAME_TOGETHER] = { TF_ROTOR, TF_ARM, TF_STIFFNESS, TF_DAMPING, TF_VISCOUS };
	double cov[TAME_TOGETHER][TAME_TOGETHER], slope[TAME_TOGETHER];

	for (int i = 0; i < TAME_TOGETHER; i++)
		slope[i] = wide * (of[i] <= TF_STIFFNESS ? exp(f->value[of[i]]) : 1);
	for (int i = 0; i < TAME_TOGETHER; i++)
		for (int j = 0; j < TAME_TOGETHER; j++)
			cov[i][j] = slope[i] * slope[j] * f->cov[of[i]][of[j]];
	square_root(cov, ret->root);
}

bool tame_rests(const struct tame_identified *id)
{
	return id->ended && id->coherence >= TAME_COHERENT;
}

static void tell(const struct tame_fit *f, double *scratch, struct tame_identified *ret)
{
	const struct tame_number none = { NAN, NAN, NAN };
	const struct tame_record *r = f->record;
	double wide = widening(f, scratch);

	*ret = (struct tame_identified){ .two = f->two,
					 .rotor_kgm2 = number(f, TF_ROTOR, wide),
					 .arm_kgm2 = none,
					 .stiffness_Nm_per_rad = none,
					 .damping_Nms = none,
					 .viscous_Nms = number(f, TF_VISCOUS, wide),
					 .offset_Nm = number(f, TF_OFFSET, wide),
					 .resonance_Hz = none,
					 .scatter = sqrt(f->rss / (double)(r->n - f->p)),
					 .ended = f->ended };
	tell_together(f, wide, ret);
	if (f->two) {
		ret->arm_kgm2 = number(f, TF_ARM, wide);
		ret->stiffness_Nm_per_rad = number(f, TF_STIFFNESS, wide);
		ret->damping_Nms = number(f, TF_DAMPING, wide);
		ret->resonance_Hz = resonance(f, wide);
	}
	double about = f->two ? ret->resonance_Hz.value : 0.05 / f->step_s;
	ret->coherence = tame_coherence(r->torque_Nm, r->speed_rad_per_s, r->n, f->step_s, about / 3, 1.5 * about);
}

static enum rc identify(const struct tame_record *r, bool may_be_two, struct tame_identified *ret, struct err *err)
{
	struct tame_fit one = { .record = r }, two;
	enum rc rc = check(r, &one.step_s, err);

	if (rc != RC_OK)
		return rc;
	double *scratch = calloc(r->n, sizeof *scratch);
	if (!scratch)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", r->n);
	rc = begin(&one, err);
	if (rc == RC_OK)
		rc = tame_fit_run(&one, err);
	if (rc == RC_OK) {
		bool second = may_be_two && fit_two(&one, scratch, &two, err) == RC_OK && is_better(&two, &one);
		tell(second ? &two : &one, scratch, ret);
	}
	free(scratch);
	return rc;
}

enum rc tame_identify(const struct tame_record *r, struct tame_identified *ret, struct err *err)
{
	return identify(r, true, ret, err);
}

enum rc tame_identify_one(const struct tame_record *r, struct tame_identified *ret, struct err *err)
{
	return identify(r, false, ret, err);
}
