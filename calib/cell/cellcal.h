/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Calibration of the torque cell: indication (converter counts, mV/V, anything)
 * against known torque, and its use the other way round with uncertainty.
 *
 * The fit is indication = sum coef[j] T^j, T in N·m (errors in the indication;
 * what is uncertain in T is common to many points and carried by source, see
 * below). The torque of a later reading solves that polynomial.
 *
 * Ordinary least squares over every reading under load; the zero that a series is tared with says nothing more and
 * stays out. AUTO takes the lowest degree, with a constant, that passes the test for lack of fit at 5 % and whose next
 * term is not significant at 5 %; without repeats the corrected information criterion decides.
 *
 * Pure arithmetic: no I/O, no clock, no globals. */
#ifndef BRIDLE_CALIB_CELL_CELLCAL_H
#define BRIDLE_CALIB_CELL_CELLCAL_H

#include "calib/number/err.h"
#include "calib/number/uncertain.h"

#include <stdbool.h>
#include <stddef.h>

struct torque_table;

#define CELLCAL_COEFS 4 /* up to a cubic */
#define CELLCAL_SOURCES 32

enum cellcal_direction { CELLCAL_UP, CELLCAL_DOWN };

/* One dead weight or a set hung together: torque on the cell with what is uncertain in it. */
struct cellcal_load {
	double torque_Nm;
	/* Shift of this torque for one standard uncertainty of each common source, N·m; the sources
	 * are those of struct cellcal_input. A source that does not touch this load has 0. */
	double shift_Nm[CELLCAL_SOURCES];
};

struct cellcal_reading {
	int series;   /* 1, 2, ...: one mounting position may hold several series */
	int position; /* mounting position, 1, 2, ... */
	enum cellcal_direction direction;
	struct cellcal_load load;
	double indication;   /* as read, not tare-corrected */
	double u_indication; /* standard error of the mean of this reading; 0 when unknown */
};

enum cellcal_model { CELLCAL_AUTO, CELLCAL_ORIGIN, CELLCAL_LINE, CELLCAL_QUADRATIC, CELLCAL_CUBIC };

struct cellcal_source {
	char name[48];
	double dof;
	enum dist dist;
};

struct cellcal_input {
	const struct cellcal_reading *readings; /* borrowed; in the order of taking; a zero torque reading opens a
						 * series and, when present again, closes it (zero return) */
	size_t n;
	const struct cellcal_source *sources; /* common sources: arm, gravity, each weight, ... */
	size_t n_sources;
	enum cellcal_model model;
	double resolution;                /* of the indication; 0 when unknown */
	const struct torque_table *table; /* classes, calib/cell/torquecal.h; NULL: the table that the program brings */
};

struct cellcal_point {
	int series, position;
	enum cellcal_direction direction;
	double torque_Nm, indication; /* tare-corrected when the series has a zero reading */
	double residual;              /* indication minus fit */
	double studentised;
	bool outlier; /* flagged, never removed */
};

/* The cell's two branches, as a tare-corrected reading uses them; x = T / full_Nm, all in units of the indication:
 *
 *   rising   P(T) - f           P(T) = sum rise[j] T^j, rise[0] = 0
 *   falling  P(T) + D(T) + f    from the turn at full_Nm
 *   D = loop[0] x (1 - x) + loop[1] (x (1 - x))^2 + loop[2] x (1 - x) (2 x - 1), joined at the turn and at zero
 *
 * f is dry friction: it has the sign of the motion and does not grow with the load. Fitted to
 * every reading, the zeros among them, by least squares with a zero of its own for each series and a sensitivity of its
 * own for each mounting. An empty arm was loaded before, so that its friction is that of a falling load, and it has a
 * constant of its own besides: weights swing when they are lowered, an empty arm does not. So the curve is the cell's
 * alone: what the tare was read with is not in it. The degree is the one asked for, or with AUTO the highest that the
 * loads carry (quadratic from four on, cubic from six); the bend of the loop by Schwarz's criterion.
 *
 * A sweep that turns at a lower torque has a smaller loop. Its limits: a memory that reaches as far as the range, where
 * the loop is as the square of its length (Rayleigh, Phil. Mag. 23 (1887) 225), and one that is short beside it, where
 * the loop opens from either end as the whole one does from its nearer end (Madelung's rules; Krasnosel'skii and
 * Pokrovskii, Systems with Hysteresis, 1989, for the sum of play elements, of which both are cases). Rising again
 * inside a loop takes back the loop of the stretch that is risen. */
#define CELLCAL_LOOPS 3
#define CELLCAL_PARAMS (CELLCAL_COEFS - 1 + CELLCAL_LOOPS + 1) /* rise[1..3], loop, friction (the last) */
struct cellcal_branches {
	bool known; /* false: an older record, or a series without a zero reading; then the plain fit is used */
	int degree;
	double full_Nm; /* heaviest load */
	double rise[CELLCAL_COEFS], loop[CELLCAL_LOOPS], friction;
	double cov[CELLCAL_PARAMS][CELLCAL_PARAMS];
	double repeat_sd; /* of one loading about the branches: what a later loading scatters by */
	double dof;       /* of repeat_sd and cov */
	double drise[CELLCAL_SOURCES][CELLCAL_COEFS]; /* shift of rise per 1 u of each source */
};

/* A calibration as it is stored and used. Plain data. */
struct cellcal {
	enum cellcal_model model;   /* never AUTO here */
	int degree;                 /* 1, 2 or 3 */
	double coef[CELLCAL_COEFS]; /* lowest power first */
	/* From the scatter (type A). The scatter of one reading is taken free of what tares, mountings and hysteresis
	 * add to the residuals, and the noise of each tare is added as what it is, a shift of its whole series; with
	 * readings of one direction and no zeros this is residual_sd^2 (X'X)^-1. */
	double cov[CELLCAL_COEFS][CELLCAL_COEFS];
	double dof;                          /* of that scatter; n - p in the plain case */
	double residual_sd;                  /* indication, about the fit, n - p */
	double lack_of_fit_F, lack_of_fit_p; /* NaN without repeats */
	double lack_of_fit_dof1, lack_of_fit_dof2;
	/* The common sources of the input, then those that the series themselves show, while there is room: "mounting
	 * of the cell" (a later mounting differs from the mean of these) and, where the branches are not known apart,
	 * "reversibility of the cell" (somewhere between them, rectangular). */
	size_t n_sources;
	struct cellcal_source source[CELLCAL_SOURCES];
	double dcoef[CELLCAL_SOURCES][CELLCAL_COEFS]; /* shift of the coefficients per 1 u of the source */
	/* What the series show, in N·m; NaN when the series are too few to tell. */
	double repeatability_Nm, reproducibility_Nm, reversibility_Nm, zero_return_Nm;
	double resolution_Nm;
	double max_Nm, min_Nm; /* torques covered by the weights; beyond is extrapolation */
	struct cellcal_branches branches;
	double class_value;   /* worst class met, e.g. 0.5; NaN when none or series too few */
	char class_note[300]; /* which figure decided, or what is missing for a class */
};

/* Fit and evaluate. ret_points (n of them, may be NULL) and ret are written on success only.
 * RC_ARG       too few readings for the model, a value not finite, a series without two loads
 * RC_SINGULAR  every load the same */
enum rc cellcal_fit(const struct cellcal_input *in, struct cellcal *ret, struct cellcal_point *ret_points,
		    struct err *err) MUST_CHECK;

/* What the cell carried since its zero was read; indications, tare-corrected. */
struct cellcal_history {
	double turn;   /* the largest of them */
	double low;    /* the smallest since the largest */
	double ripple; /* amplitude of the fluctuation during the reading: it shakes the cradle's bearing loose. Dry
			* friction builds up over a travel (Dahl, AIAA J. 14 (1976) 1675); a third of the ripple is
			* taken off it (common practice, no source) */
};

/* Torque of a tare-corrected indication, in the middle between the branches. RC_RANGE when there is no solution near
 * the range. */
enum rc cellcal_torque(const struct cellcal *cal, double indication, double *ret_Nm, struct err *err) MUST_CHECK;

/* Interpolation equation the other way round, as certificates print it: T = sum coef[j] x^j for a tare-corrected
 * indication x. Of a straight line exactly; of a bent one the cubic that comes nearest over the torques covered, with
 * the most that it departs there from the solved polynomial. RC_SINGULAR, RC_RANGE where the polynomial cannot be
 * solved. */
struct cellcal_equation {
	int degree;
	double coef[CELLCAL_COEFS]; /* N·m per power of the indication */
	double worst_Nm;
};
enum rc cellcal_equation(const struct cellcal *cal, struct cellcal_equation *ret, struct err *err) MUST_CHECK;

/* dT/d(indication) at a torque: N·m per unit of indication. */
double cellcal_slope_Nm(const struct cellcal *cal, double torque_Nm);

/* The sources of a calibration inside an uncertainty context: register once, use for every point. */
struct cellcal_unc {
	uint32_t common[CELLCAL_SOURCES];
	uint32_t fit[CELLCAL_COEFS];                   /* a square root of cov, so that they are independent */
	double fit_root[CELLCAL_COEFS][CELLCAL_COEFS]; /* by coefficient and source */
	uint32_t branch[CELLCAL_PARAMS];               /* the same of the branches */
	double branch_root[CELLCAL_PARAMS][CELLCAL_PARAMS];
	uint32_t reversibility, friction, partial_loop;
};
void cellcal_unc_register(const struct cellcal *cal, struct unc_ctx *ctx, struct cellcal_unc *ret);

/* Torque with its parts by source: the common ones, the fit's covariance, the branch and the friction. With a history
 * the reading is on the branch that this leads to; the friction then is that branch's own or, shaken loose, none (two
 * values), as far as the ripple leaves it. history NULL: the reading is on one branch or the other, two values, half
 * the loop away from the middle, and has the friction of either. The caller adds the parts of the reading itself:
 * noise, repeatability (below), zero, drift, temperature, creep. For an interval that covers what it says take
 * unc_expanded (calib/number/coverage.h). */
enum rc cellcal_torque_unc(const struct cellcal *cal, const struct cellcal_unc *reg, struct unc_ctx *ctx,
			   double indication, const struct cellcal_history *history, struct unc *ret,
			   struct err *err) MUST_CHECK;

/* torque with one more part, a new source of that name: what a loading scatters by. Once for every loading; it does not
 * average within a window. Nothing where the calibration has no repeats to tell. */
struct unc cellcal_with_repeatability(const struct cellcal *cal, const struct cellcal_unc *reg, struct unc_ctx *ctx,
				      struct unc torque, const char *name);

#endif
