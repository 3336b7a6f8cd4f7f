/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cellcal_private.h"

#include <math.h>
#include <string.h>

/* Beyond half as much again as the weights covered, a polynomial says nothing. */
#define BEYOND 1.5
/* The loop of hysteresis opens over this share of the range, where the branches are not known apart. */
#define OPENING 0.2
/* A bearing's friction builds up over a travel that takes about three times the friction in torque. */
#define SHAKEN 3.0

static double reach_Nm(const struct cellcal *cal)
{
	return fmax(fabs(cal->max_Nm), fabs(cal->min_Nm));
}

static enum rc solve(const struct cellcal *cal, const double coef[CELLCAL_COEFS], double indication, double *ret_Nm,
		     struct err *err)
{
	double limit = BEYOND * reach_Nm(cal), direction = poly_slope(coef, 0.5 * (cal->max_Nm + cal->min_Nm));
	double torque = (indication - coef[0]) / poly_slope(coef, 0);

	if (!isfinite(indication) || !isfinite(torque))
		return err_set(err, RC_RANGE, 0,
			       "indication %g is not a number that the calibration can turn into torque", indication);
	torque = fmin(fmax(torque, -limit), limit);
	for (int i = 0; i < 30; i++) {
		double step = (poly_value(coef, torque) - indication) / poly_slope(coef, torque);
		torque = fmin(fmax(torque - step, -2 * limit), 2 * limit);
		if (!(fabs(step) > 1e-14 * limit))
			break;
	}
	double miss = fabs(poly_value(coef, torque) - indication);
	if (!(fabs(torque) <= limit) || !(miss <= 1e-9 * fabs(direction) * limit) ||
	    !(direction * poly_slope(coef, torque) > 0))
		return err_set(err, RC_RANGE, 0, "indication %g is beyond the calibration, which covers %g to %g N·m",
			       indication, cal->min_Nm, cal->max_Nm);
	*ret_Nm = torque;
	return RC_OK;
}

/* --- where in the loop a reading lies --- */

/* Indication above the rising branch by each loop[j]: the middle of two limits and half of what they differ by. */
struct stretch {
	double by[CELLCAL_LOOPS], doubt[CELLCAL_LOOPS];
};

double cellcal_loop_shape(int j, double x)
{
	double both = x * (1 - x);

	return j == 0 ? both : j == 1 ? both * both : both * (2 * x - 1);
}

static struct stretch stretch_of(const struct cellcal_branches *b, double torque_Nm, double from_Nm, double to_Nm)
{
	double length = (to_Nm - from_Nm) / b->full_Nm, x = (torque_Nm - from_Nm) / (to_Nm - from_Nm);
	struct stretch ret = { .by = { 0 } };

	if (!(length > 0) || !(x > 0) || !(x < 1))
		return ret;
	double near = x < 0.5 ? fmin(x * length, 0.5) : fmax(1 - (1 - x) * length, 0.5);
	for (int j = 0; j < CELLCAL_LOOPS; j++) {
		double far_reaching = length * length * cellcal_loop_shape(j, x),
		       short_one = cellcal_loop_shape(j, near);
		ret.by[j] = (far_reaching + short_one) / 2;
		ret.doubt[j] = (short_one - far_reaching) / 2;
	}
	return ret;
}

static double along(const struct cellcal_branches *b, const double by[CELLCAL_LOOPS])
{
	double sum = 0;

	for (int j = 0; j < CELLCAL_LOOPS; j++)
		sum += b->loop[j] * by[j];
	return sum;
}

struct place {
	struct stretch fallen, risen; /* the loop from the turn, and what rising again took back of it */
	double way;                   /* friction: -1 rising, +1 falling */
	double friction;              /* half-width that may be left of it */
};

static double above(const struct cellcal_branches *b, const struct place *p)
{
	return along(b, p->fallen.by) - along(b, p->risen.by) + p->way * p->friction / 2;
}

static double at_share(const struct cellcal *cal, double indication)
{
	double torque;

	return solve(cal, cal->branches.rise, indication, &torque, NULL) == RC_OK ? torque : NAN;
}

/* What is there beyond the scatter of its own estimate. */
static double friction_of(const struct cellcal_branches *b)
{
	return sqrt(fmax(b->friction * b->friction - b->cov[COLUMN_FRICTION][COLUMN_FRICTION], 0));
}

static struct place place_of(const struct cellcal *cal, const struct cellcal_history *h, double indication,
			     double torque_Nm)
{
	const struct cellcal_branches *b = &cal->branches;
	double sense = copysign(1, poly_slope(b->rise, 0)), friction = friction_of(b);
	double fallen = sense * (h->turn - indication), risen = sense * (indication - h->low);
	double turn_Nm = at_share(cal, h->turn), low_Nm = at_share(cal, h->low);
	bool rising = !(fallen > 2 * friction) || risen > fmax(2 * friction, fabs(h->ripple));

	return (struct place){
		.fallen = stretch_of(b, torque_Nm, 0, turn_Nm),
		.risen = stretch_of(b, torque_Nm, fmax(low_Nm, 0), turn_Nm),
		.way = copysign(1, b->friction) * (rising ? -1 : 1),
		.friction = fmax(friction - fabs(h->ripple) / SHAKEN, 0),
	};
}

/* The loop is so flat that a few rounds end at the last digit; from there each further one would be the same. */
#define ROUNDS 12

/* The reading's own branch. */
static enum rc torque_on_branch(const struct cellcal *cal, const struct cellcal_history *h, double indication,
				double *ret_Nm, struct place *ret, struct err *err)
{
	struct place place = { 0 };
	double torque, before = NAN;
	enum rc rc = solve(cal, cal->branches.rise, indication, &torque, err);

	for (int i = 0; i < ROUNDS && rc == RC_OK && !(fabs(torque - before) <= 0); i++) {
		before = torque;
		place = place_of(cal, h, indication, torque);
		rc = solve(cal, cal->branches.rise, indication - above(&cal->branches, &place), &torque, err);
	}
	if (rc != RC_OK)
		return rc;
	*ret_Nm = torque;
	*ret = place;
	return RC_OK;
}

static enum rc torque_between(const struct cellcal *cal, double indication, double *ret_Nm, struct place *ret,
			      struct err *err)
{
	const struct cellcal_branches *b = &cal->branches;
	struct place place = { .way = 0 };
	double torque, before = NAN;
	enum rc rc = solve(cal, b->rise, indication, &torque, err);

	for (int i = 0; i < ROUNDS && rc == RC_OK && !(fabs(torque - before) <= 0); i++) {
		before = torque;
		place.fallen = stretch_of(b, torque, 0, b->full_Nm);
		for (int j = 0; j < CELLCAL_LOOPS; j++)
			place.fallen.by[j] /= 2;
		rc = solve(cal, b->rise, indication - above(b, &place), &torque, err);
	}
	if (rc != RC_OK)
		return rc;
	*ret_Nm = torque;
	*ret = place;
	return RC_OK;
}

enum rc cellcal_torque(const struct cellcal *cal, double indication, double *ret_Nm, struct err *err)
{
	struct place where;

	if (cal->branches.known)
		return torque_between(cal, indication, ret_Nm, &where, err);
	return solve(cal, cal->coef, indication, ret_Nm, err);
}

double cellcal_slope_Nm(const struct cellcal *cal, double torque_Nm)
{
	return 1 / poly_slope(cal->branches.known ? cal->branches.rise : cal->coef, torque_Nm);
}

/* --- sources --- */

/* A square root of an n x n covariance (Cholesky), zero where that is; scale makes the parameters comparable. */
static void square_root(const double *cov, size_t n, const double *scale, double *root)
{
	memset(root, 0, n * n * sizeof *root);
	for (size_t k = 0; k < n; k++) {
		double whole = cov[k * n + k] * scale[k] * scale[k], pivot = whole;
		for (size_t l = 0; l < k; l++)
			pivot -= root[k * n + l] * root[k * n + l];
		if (!(pivot > 1e-14 * whole))
			continue;
		root[k * n + k] = sqrt(pivot);
		for (size_t j = k + 1; j < n; j++) {
			double sum = cov[j * n + k] * scale[j] * scale[k];
			for (size_t l = 0; l < k; l++)
				sum -= root[j * n + l] * root[k * n + l];
			root[j * n + k] = sum / root[k * n + k];
		}
	}
	for (size_t j = 0; j < n; j++)
		for (size_t k = 0; k < n; k++)
			root[j * n + k] /= scale[j];
}

/* Which of the sources is the loop; n_sources when none is. */
static size_t loop_source(const struct cellcal *cal)
{
	size_t s = 0;

	while (s < cal->n_sources && strcmp(cal->source[s].name, CELLCAL_LOOP) != 0)
		s++;
	return s;
}

static void register_fit(const struct cellcal *cal, struct unc_ctx *ctx, struct cellcal_unc *ret)
{
	static const char *const names[CELLCAL_PARAMS] = {
		"curve of the calibration",     "curve of the calibration (2)", "curve of the calibration (3)",
		"curve of the calibration (4)", "curve of the calibration (5)", "curve of the calibration (6)",
		"curve of the calibration (7)",
	};
	double scale[CELLCAL_PARAMS], reach = reach_Nm(cal);
	bool apart = cal->branches.known;
	uint32_t *fit = apart ? ret->branch : ret->fit;

	for (size_t k = 0; k < (apart ? CELLCAL_PARAMS : CELLCAL_COEFS); k++)
		fit[k] = k ? unc_source_pooled(ctx, names[k], DIST_NORMAL, fit[0])
			   : unc_source(ctx, names[k], DIST_NORMAL, apart ? cal->branches.dof : cal->dof);
	for (size_t j = 0; j < CELLCAL_PARAMS; j++)
		scale[j] = !apart ? pow(reach, (double)j) : j < 3 ? pow(reach, (double)j + 1) : 1;
	if (apart)
		square_root(&cal->branches.cov[0][0], CELLCAL_PARAMS, scale, &ret->branch_root[0][0]);
	else
		square_root(&cal->cov[0][0], CELLCAL_COEFS, scale, &ret->fit_root[0][0]);
}

void cellcal_unc_register(const struct cellcal *cal, struct unc_ctx *ctx, struct cellcal_unc *ret)
{
	*ret = (struct cellcal_unc){ .reversibility = 0 };
	for (size_t s = 0; s < cal->n_sources; s++)
		ret->common[s] = unc_source(ctx, cal->source[s].name, cal->source[s].dist, cal->source[s].dof);
	register_fit(cal, ctx, ret);
	size_t loop = loop_source(cal);
	ret->reversibility = loop < cal->n_sources ? ret->common[loop]
						   : unc_source(ctx, CELLCAL_LOOP,
								cal->branches.known ? DIST_TWO : DIST_RECT, INFINITY);
	ret->friction = unc_source(ctx, "friction of the cradle", DIST_TWO, INFINITY);
	ret->partial_loop = unc_source(ctx, "loop of the cell at this turn", DIST_TWO, INFINITY);
}

/* --- torque with its parts --- */

struct parts {
	struct unc x[CELLCAL_SOURCES + CELLCAL_PARAMS + 3];
	size_t n;
};

static void add_part(struct parts *p, struct unc_ctx *ctx, uint32_t source, double u)
{
	if (fabs(u) > 0)
		p->x[p->n++] = unc_from(ctx, 0, source, u);
}

static struct unc sum_of(const struct parts *p, struct unc_ctx *ctx, double torque)
{
	double ones[sizeof p->x / sizeof p->x[0]];

	for (size_t i = 0; i < p->n; i++)
		ones[i] = 1;
	return unc_combine(ctx, torque, p->x, ones, p->n);
}

/* Before the branches were kept apart. A history that is known still is one branch or the other: half the loop. */
static enum rc torque_of_plain_fit(const struct cellcal *cal, const struct cellcal_unc *reg, struct unc_ctx *ctx,
				   double indication, bool history, struct unc *ret, struct err *err)
{
	struct parts parts = { .n = 0 };
	size_t loop = loop_source(cal);
	double torque, wider = history ? sqrt(3) : 1;
	enum rc rc = solve(cal, cal->coef, indication, &torque, err);

	if (rc)
		return rc;
	double per_unit = cellcal_slope_Nm(cal, torque);
	for (size_t s = 0; s < cal->n_sources; s++)
		add_part(&parts, ctx, reg->common[s],
			 -poly_value(cal->dcoef[s], torque) * per_unit * (s == loop ? wider : 1));
	for (size_t k = 0; k < CELLCAL_COEFS; k++) {
		double column[CELLCAL_COEFS];
		for (size_t j = 0; j < CELLCAL_COEFS; j++)
			column[j] = reg->fit_root[j][k];
		add_part(&parts, ctx, reg->fit[k], -poly_value(column, torque) * per_unit);
	}
	if (cal->reversibility_Nm > 0 && loop == cal->n_sources) {
		double open = fmin(1, fabs(torque) / (OPENING * reach_Nm(cal)));
		add_part(&parts, ctx, reg->reversibility, wider * open * cal->reversibility_Nm / 2 / sqrt(3));
	}
	*ret = sum_of(&parts, ctx, torque);
	return RC_OK;
}

/* Half of a loop beyond the scatter of its own estimate. */
static double half_loop(const struct cellcal_branches *b, const struct cellcal_unc *reg, const struct stretch *half)
{
	double value = along(b, half->by), variance = 0;

	for (size_t k = 0; k < CELLCAL_PARAMS; k++) {
		double u = 0;
		for (int j = 0; j < CELLCAL_LOOPS; j++)
			u += reg->branch_root[COLUMN_LOOP + j][k] * half->by[j];
		variance += u * u;
	}
	return sqrt(fmax(value * value - variance, 0));
}

/* Indication by each parameter, at this place in the loop. */
static void derivatives(const struct place *p, double torque_Nm, double friction, double ret[CELLCAL_PARAMS])
{
	for (int j = 0; j < 3; j++)
		ret[j] = pow(torque_Nm, j + 1);
	for (int j = 0; j < CELLCAL_LOOPS; j++)
		ret[COLUMN_LOOP + j] = p->fallen.by[j] - p->risen.by[j];
	ret[COLUMN_FRICTION] = p->friction > 0 ? copysign(1, friction) * p->way / 2 : 0;
}

static enum rc torque_of_branches(const struct cellcal *cal, const struct cellcal_unc *reg, struct unc_ctx *ctx,
				  double indication, const struct cellcal_history *history, struct unc *ret,
				  struct err *err)
{
	const struct cellcal_branches *b = &cal->branches;
	struct parts parts = { .n = 0 };
	struct place place = { 0 };
	double torque, slope_by[CELLCAL_PARAMS];
	enum rc rc = history ? torque_on_branch(cal, history, indication, &torque, &place, err)
			     : torque_between(cal, indication, &torque, &place, err);

	if (rc)
		return rc;
	double per_unit = cellcal_slope_Nm(cal, torque);
	struct place at = place;
	for (int j = 0; j < CELLCAL_LOOPS && !history; j++)
		at.fallen.by[j] *=
			2; /* either end of the two values has the scatter of its own branch, not that of their mean */
	derivatives(&at, torque, b->friction, slope_by);
	for (size_t s = 0; s < cal->n_sources; s++)
		add_part(&parts, ctx, reg->common[s], -poly_value(b->drise[s], torque) * per_unit);
	for (size_t k = 0; k < CELLCAL_PARAMS; k++) {
		double u = 0;
		for (size_t j = 0; j < CELLCAL_PARAMS; j++)
			u += reg->branch_root[j][k] * slope_by[j];
		add_part(&parts, ctx, reg->branch[k], -u * per_unit);
	}
	if (history) {
		double doubt = along(b, place.fallen.doubt) - along(b, place.risen.doubt);
		add_part(&parts, ctx, reg->partial_loop, -doubt * per_unit);
		add_part(&parts, ctx, reg->friction, -place.friction / 2 * per_unit);
	} else {
		add_part(&parts, ctx, reg->reversibility, -half_loop(b, reg, &place.fallen) * per_unit);
		add_part(&parts, ctx, reg->friction, -friction_of(b) * per_unit);
	}
	*ret = sum_of(&parts, ctx, torque);
	return RC_OK;
}

enum rc cellcal_torque_unc(const struct cellcal *cal, const struct cellcal_unc *reg, struct unc_ctx *ctx,
			   double indication, const struct cellcal_history *history, struct unc *ret, struct err *err)
{
	if (cal->branches.known)
		return torque_of_branches(cal, reg, ctx, indication, history, ret, err);
	return torque_of_plain_fit(cal, reg, ctx, indication, history != NULL, ret, err);
}

struct unc cellcal_with_repeatability(const struct cellcal *cal, const struct cellcal_unc *reg, struct unc_ctx *ctx,
				      struct unc torque, const char *name)
{
	const struct cellcal_branches *b = &cal->branches;

	if (b->known && b->repeat_sd > 0)
		return unc_with(ctx, torque, unc_source_pooled(ctx, name, DIST_NORMAL, reg->branch[0]),
				b->repeat_sd * fabs(cellcal_slope_Nm(cal, torque.value)));
	if (!b->known && cal->repeatability_Nm > 0)
		return unc_with(ctx, torque, unc_source(ctx, name, DIST_RECT, INFINITY),
				cal->repeatability_Nm / 2 / sqrt(3));
	return torque;
}
