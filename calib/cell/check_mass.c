/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/check_mass.h"

#include "calib/number/coverage.h"

#include <math.h>
#include <string.h>

#define COVERAGE 0.95
#define ZERO_SIGMAS 3.0
#define LOADS_MAX 64
#define LOOP_SOURCE "reversibility of the cell"
#define MOUNTING_SOURCE "mounting of the cell"

/* --- what the calibration's readings say --- */

static double poly(const double c[CELLCAL_COEFS], double x)
{
	return c[0] + x * (c[1] + x * (c[2] + x * c[3]));
}

/* Rising and falling departures from the fit at one load, over the series. */
struct at_load {
	double torque_Nm, sum[2], square_up;
	int n[2];
};

static size_t loads_of(const struct cellcal *cal, const struct cellcal_point *p, size_t n, struct at_load *ret)
{
	size_t loads = 0;

	for (size_t i = 0; i < n; i++) {
		size_t k = 0;
		double residual = p[i].indication - poly(cal->coef, p[i].torque_Nm);
		if (!(fabs(p[i].torque_Nm) > 0) || !isfinite(residual))
			continue;
		while (k < loads && fabs(ret[k].torque_Nm - p[i].torque_Nm) > 1e-9 * fabs(p[i].torque_Nm))
			k++;
		if (k == LOADS_MAX)
			continue;
		if (k == loads)
			ret[loads++] = (struct at_load){ .torque_Nm = p[i].torque_Nm };
		int down = p[i].direction == CELLCAL_DOWN;
		ret[k].sum[down] += residual;
		ret[k].square_up += down ? 0 : residual * residual;
		ret[k].n[down]++;
	}
	return loads;
}

static double rising(const struct at_load *l)
{
	return l->n[0] ? l->sum[0] / l->n[0] : NAN;
}
static double loop(const struct at_load *l)
{
	return l->n[0] && l->n[1] ? l->sum[1] / l->n[1] - rising(l) : NAN;
}

/* On the line between the neighbouring loads that have a value; the nearest one's beyond them. */
static double between(const struct at_load *l, size_t n, double (*value)(const struct at_load *), double torque_Nm)
{
	const struct at_load *below = NULL, *above = NULL;

	for (size_t k = 0; k < n; k++) {
		if (!isfinite(value(&l[k])))
			continue;
		if (l[k].torque_Nm <= torque_Nm && (!below || l[k].torque_Nm > below->torque_Nm))
			below = &l[k];
		if (l[k].torque_Nm >= torque_Nm && (!above || l[k].torque_Nm < above->torque_Nm))
			above = &l[k];
	}
	if (!below || !above)
		return below ? value(below) : above ? value(above) : NAN;
	double width = above->torque_Nm - below->torque_Nm,
	       share = width > 0 ? (torque_Nm - below->torque_Nm) / width : 0;
	return value(below) + share * (value(above) - value(below));
}

/* Scatter of the rising readings about their mean at each load. What a whole series is off by, by its tare, stays in:
 * the next loading has a tare of its own too. */
static void scatter(const struct at_load *l, size_t n, double per_Nm, struct check_states *ret)
{
	double square = 0, dof = 0, series = 0;

	for (size_t k = 0; k < n; k++) {
		if (l[k].n[0] < 2)
			continue;
		square += l[k].square_up - l[k].sum[0] * l[k].sum[0] / l[k].n[0];
		dof += l[k].n[0] - 1;
		series = fmax(series, l[k].n[0]);
	}
	if (!(dof > 0))
		return;
	/* the mean of the series, which the check is compared with, has its own share */
	ret->repeat_Nm = sqrt(fmax(square, 0) / dof * (1 + 1 / series)) * per_Nm;
	ret->repeat_dof = dof;
}

/* points: as cellcal_fit gave them, of the calibration cal. Without any, all NaN. */
static struct check_states check_states_of(const struct cellcal *cal, const struct cellcal_point *points, size_t n,
					   double torque_Nm)
{
	struct check_states ret = { NAN, NAN, NAN, NAN, NAN, NAN, INFINITY };
	struct at_load load[LOADS_MAX];
	size_t n_loads = loads_of(cal, points, n, load);
	double per_Nm = cellcal_slope_Nm(cal, torque_Nm);

	scatter(load, n_loads, fabs(per_Nm), &ret);
	ret.rising_Nm = per_Nm * between(load, n_loads, rising, torque_Nm);
	ret.loop_Nm = per_Nm * between(load, n_loads, loop, torque_Nm);
	ret.above_Nm = ret.rising_Nm + ret.loop_Nm / 2 + (cal->branches.known ? per_Nm * cal->branches.friction : 0);
	ret.low_Nm = per_Nm * between(load, n_loads, loop, 0);
	for (size_t k = 0; k < n_loads; k++)
		ret.lightest_Nm = fmin(ret.lightest_Nm, load[k].torque_Nm);
	return ret;
}

/* --- the difference and its parts --- */

/* The fit solved for the torque, by the same polynomial from which the readings' departures are taken. */
static enum rc solve(const struct cellcal *cal, double indication, double *ret_Nm, struct err *err)
{
	double torque = (indication - cal->coef[0]) / cal->coef[1],
	       most = 1.5 * fmax(fabs(cal->max_Nm), fabs(cal->min_Nm));

	for (int i = 0; i < 20 && fabs(torque) <= most; i++)
		torque -= (poly(cal->coef, torque) - indication) * cellcal_slope_Nm(cal, torque);
	if (!(fabs(torque) <= most))
		return err_set(err, RC_RANGE, 0,
			       "the check weight reads %.7g, beyond the calibration, which covers %g to %g N\u00b7m",
			       indication, cal->min_Nm, cal->max_Nm);
	*ret_Nm = torque;
	return RC_OK;
}

static double u_fit_Nm(const struct cellcal *cal, double torque_Nm, double per_Nm)
{
	double variance = 0,
	       power[CELLCAL_COEFS] = { 1, torque_Nm, torque_Nm * torque_Nm, torque_Nm * torque_Nm * torque_Nm };

	for (int j = 0; j < CELLCAL_COEFS; j++)
		for (int k = 0; k < CELLCAL_COEFS; k++)
			variance += cal->cov[j][k] * power[j] * power[k];
	return sqrt(fmax(variance, 0)) * fabs(per_Nm);
}

struct judging {
	const struct check_mass_input *in;
	struct unc_ctx *ctx;
	struct unc off;
	struct check_mass *ret;
};

static void part(struct judging *j, const char *name, enum dist dist, double dof, double u, double *ret_u)
{
	if (ret_u)
		*ret_u = hypot(*ret_u, u);
	if (u > 0)
		j->off = unc_with(j->ctx, j->off, unc_source(j->ctx, name, dist, dof), u);
}

/* The expected torque's source of that name; n_sources when there is none. */
static size_t same_source(const struct check_mass_input *in, const char *name)
{
	size_t s = 0;

	while (s < in->n_sources && strcmp(in->source[s].name, name) != 0)
		s++;
	return s;
}

/* A source that the calibration and the check share moves both: the difference of the shifts is what is left of it. */
static void shared_sources(struct judging *j, double torque_Nm, double per_Nm)
{
	const struct cellcal *cal = j->in->cal;
	bool used[CELLCAL_SOURCES] = { false };

	for (size_t s = 0; s < cal->n_sources; s++) {
		if (strcmp(cal->source[s].name, LOOP_SOURCE) == 0)
			continue; /* the branches are taken below */
		double shift = -poly(cal->dcoef[s], torque_Nm) * per_Nm;
		bool mounting = strcmp(cal->source[s].name, MOUNTING_SOURCE) == 0;
		size_t same = j->in->same_arm ? same_source(j->in, cal->source[s].name) : j->in->n_sources;
		if (same < j->in->n_sources) {
			shift -= j->in->load.shift_Nm[same];
			used[same] = true;
		}
		part(j, cal->source[s].name, cal->source[s].dist, cal->source[s].dof, fabs(shift),
		     mounting ? &j->ret->u_mounting_Nm : &j->ret->u_weights_Nm);
	}
	for (size_t s = 0; s < j->in->n_sources; s++)
		if (!used[s])
			part(j, j->in->source[s].name, j->in->source[s].dist, j->in->source[s].dof,
			     fabs(j->in->load.shift_Nm[s]), &j->ret->u_weights_Nm);
}

static double or_zero(double x)
{
	return isfinite(x) ? x : 0;
}

/* Scatter of the loading, branch of the load, state of the zeros. Where the series do not tell the scatter, the
 * residuals do. */
static void states(struct judging *j, const struct check_states *s, double per_Nm)
{
	const struct cellcal *cal = j->in->cal;
	double repeat = s->repeat_Nm, dof = s->repeat_dof;

	if (!isfinite(repeat)) {
		repeat = or_zero(cal->residual_sd * fabs(per_Nm));
		dof = cal->dof;
	}
	part(j, "repeatability of a loading", DIST_NORMAL, dof >= 1 ? dof : 1, repeat, &j->ret->u_repeat_Nm);
	/* What friction leaves (the loop at the lightest load) scatters in the series too; half of it for what they did
	 * not show. A load that swings shakes friction loose, an empty or lightly loaded arm does not: the zero return
	 * tells of that. */
	double low = fabs(or_zero(isfinite(s->low_Nm) ? s->low_Nm : 0)),
	       left = fmax(low / 4, fabs(or_zero(cal->zero_return_Nm)));
	part(j, "friction in the zeros", DIST_RECT, INFINITY, left / sqrt(3), &j->ret->u_zero_Nm);
	/* The cell's own memory: in the series it was loaded further than by the check weight, so it was elsewhere in
	 * the loop. */
	double loop = fabs(or_zero(isfinite(s->loop_Nm) ? s->loop_Nm : cal->reversibility_Nm));
	double branch = fmax(fmax(loop - low, low / 2) / 2, left);
	if (!(j->in->load.torque_Nm >= s->lightest_Nm))
		branch = fmax(branch, CHECK_LIGHT_FRAC * fabs(cal->max_Nm) / (j->in->from_above ? 2 : 1));
	part(j, "branch of the load", DIST_RECT, INFINITY, branch / sqrt(3), &j->ret->u_branch_Nm);
	/* between the two zeros the zero was somewhere */
	part(j, "change of the zero", DIST_RECT, INFINITY, fabs(j->ret->zero_change_Nm) / 2 / sqrt(3),
	     &j->ret->u_zero_Nm);
}

static void zero_came_back(struct check_mass *r, double low_Nm)
{
	double expected = hypot(hypot(r->u_repeat_Nm, 2 * r->u_noise_Nm), fabs(or_zero(low_Nm)));

	r->zero_came_back = fabs(r->zero_change_Nm) <= ZERO_SIGMAS * expected;
}

static enum rc finish(struct judging *j, double low_Nm, struct err *err)
{
	struct check_mass *r = j->ret;

	r->u_off_Nm = unc_u(j->off);
	r->dof = unc_dof(j->ctx, j->off);
	r->U_off_Nm = unc_expanded(j->ctx, j->off, COVERAGE, &r->k);
	if (unc_failed(j->ctx))
		return err_set(err, RC_NOMEM, 0, "out of memory");
	r->e_n = r->off_Nm / r->U_off_Nm;
	zero_came_back(r, low_Nm);
	r->holds = fabs(r->e_n) <= 1 && r->zero_came_back;
	return RC_OK;
}

enum rc check_mass_judge(const struct check_mass_input *in, struct check_mass *ret, struct err *err)
{
	struct judging j = { .in = in, .ctx = unc_ctx_new(), .ret = ret };
	double torque_Nm = 0;
	enum rc rc = RC_OK;

	*ret = (struct check_mass){ .expected_Nm = in->load.torque_Nm };
	if (!j.ctx)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	if (!(in->load.torque_Nm > 0))
		rc = err_set(err, RC_ARG, 0, "the check weight makes %g N·m; expected more than 0", in->load.torque_Nm);
	if (rc == RC_OK)
		rc = solve(in->cal, in->indication, &torque_Nm, err);
	if (rc == RC_OK) {
		double per_Nm = cellcal_slope_Nm(in->cal, torque_Nm);
		struct check_states s = check_states_of(in->cal, in->points, in->n_points, in->load.torque_Nm);
		ret->torque_Nm = torque_Nm - or_zero(in->from_above ? s.above_Nm : s.rising_Nm);
		ret->off_Nm = ret->torque_Nm - ret->expected_Nm;
		ret->sensitivity = in->indication / ret->expected_Nm;
		ret->zero_change_Nm = in->zero_change * per_Nm;
		j.off = unc_exact(ret->off_Nm);
		part(&j, "noise", DIST_NORMAL, INFINITY, in->u_indication * fabs(per_Nm), &ret->u_noise_Nm);
		part(&j, "curve of the calibration", DIST_NORMAL, in->cal->dof >= 1 ? in->cal->dof : 1,
		     u_fit_Nm(in->cal, torque_Nm, per_Nm), &ret->u_fit_Nm);
		shared_sources(&j, torque_Nm, per_Nm);
		states(&j, &s, per_Nm);
		part(&j, "temperature", DIST_NORMAL, INFINITY, in->u_temperature_Nm, &ret->u_temperature_Nm);
		rc = finish(&j, s.low_Nm, err);
	}
	unc_ctx_free(j.ctx);
	return rc;
}
