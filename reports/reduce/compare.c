/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/compare_private.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define WORTH_NAMING 0.02 /* of the u that the difference would have */
#define VOLTAGE_APART 0.01
#define WARM_K 15.0

const char *compare_word(enum compare_quantity quantity)
{
	static const char *const words[COMPARE_QUANTITIES] = { "speed_rpm", "efficiency", "input_power_W",
							       "current_A" };

	return words[quantity];
}

/* --- numbers of two contexts in one --- */
struct joined {
	struct unc_ctx *ctx, *a, *b;
	const struct sameness *same;
	uint32_t *of_a, *of_b; /* source here by source there; NONE where not yet taken */
};
#define NONE UINT32_MAX

static uint32_t take(struct joined *j, struct unc_ctx *from, uint32_t *of, uint32_t source)
{
	if (of[source] == NONE)
		of[source] = unc_source(j->ctx, unc_source_name(from, source), unc_source_dist(from, source),
					unc_source_dof(from, source));
	return of[source];
}

static struct unc bring(struct joined *j, struct unc_ctx *from, uint32_t *of, struct unc x)
{
	struct unc y = unc_exact(x.value);

	for (size_t i = 0; i < x.n; i++)
		y = unc_with(j->ctx, y, take(j, from, of, x.part[i].source), x.part[i].u);
	return y;
}

/* Common sources of b are those of a, by name. */
static void share_sources(struct joined *j, size_t n_a, size_t n_b)
{
	for (uint32_t b = 0; b < n_b; b++) {
		const char *name = unc_source_name(j->b, b);
		if (!source_is_common(j->same, name))
			continue;
		for (uint32_t a = 0; a < n_a; a++)
			if (strcmp(unc_source_name(j->a, a), name) == 0) {
				j->of_b[b] = take(j, j->a, j->of_a, a);
				break;
			}
	}
}

static int larger_first(const void *a, const void *b)
{
	double x = ((const struct common_source *)a)->u, y = ((const struct common_source *)b)->u;

	return x < y ? 1 : x > y ? -1 : 0;
}

/* What both have with one sign: as much of it drops out as the smaller one has. */
static void name_common(const struct joined *j, struct unc a, struct unc b, struct difference *d)
{
	struct common_source all[64];
	size_t n = 0;
	double worth = WORTH_NAMING * hypot(unc_u(a), unc_u(b));

	for (size_t i = 0; i < a.n && n < 64; i++) {
		double x = a.part[i].u, y = unc_part_of(b, a.part[i].source);
		double both = x * y > 0 ? fmin(fabs(x), fabs(y)) : 0;
		if (!(both > worth))
			continue;
		all[n] = (struct common_source){ .u = both };
		snprintf(all[n++].name, sizeof all[0].name, "%.47s", unc_source_name(j->ctx, a.part[i].source));
	}
	qsort(all, n, sizeof all[0], larger_first);
	d->n_common = n < COMPARE_COMMON ? n : COMPARE_COMMON;
	memcpy(d->common, all, d->n_common * sizeof all[0]);
}

/* --- which numbers are compared: first all of them, since interpolating adds sources to the runs' own contexts --- */
struct pair {
	struct difference d;
	struct unc a, b; /* in the context of each run */
};
struct pairs {
	size_t n;
	bool cut;
	struct pair *list; /* COMPARE_MOST */
};

static void add_branch(const struct curve *a, const struct curve *b, int direction, double rpm,
		       enum compare_quantity quantity, struct pairs *ret)
{
	struct branch x, y;

	branch_of(a, direction, rpm, quantity, &x);
	branch_of(b, direction, rpm, quantity, &y);
	for (size_t i = 0; i < x.n; i++) {
		double torque_Nm = x.point[i]->torque_Nm.value;
		if (!branch_holds(&x, torque_Nm) || !branch_holds(&y, torque_Nm))
			continue;
		if (ret->n == COMPARE_MOST) {
			ret->cut = true;
			return;
		}
		ret->list[ret->n++] = (struct pair){
			.d = { .quantity = quantity,
			       .direction = direction,
			       .torque_Nm = torque_Nm,
			       .commanded_rpm = rpm },
			.a = branch_at(&x, torque_Nm),
			.b = branch_at(&y, torque_Nm),
		};
	}
}

/* Each commanded speed of the reference once. */
static bool seen_before(const struct curve *c, size_t i)
{
	for (size_t k = 0; k < i; k++) {
		double x = c->points[k].setpoint_rpm, y = c->points[i].setpoint_rpm;
		if (c->points[k].direction == c->points[i].direction && ((isnan(x) && isnan(y)) || (x <= y && x >= y)))
			return true;
	}
	return false;
}

static void add_all(const struct curve *a, const struct curve *b, struct pairs *ret)
{
	for (size_t i = 0; i < a->n; i++) {
		const struct curve_point *p = &a->points[i];
		if (p->direction == 0 || seen_before(a, i))
			continue;
		for (int q = 0; q < COMPARE_QUANTITIES; q++)
			add_branch(a, b, p->direction, p->setpoint_rpm, (enum compare_quantity)q, ret);
	}
}

static void finish(struct joined *j, const struct pair *p, double confidence, struct difference *ret)
{
	struct unc a = bring(j, j->a, j->of_a, p->a), b = bring(j, j->b, j->of_b, p->b), off = unc_sub(j->ctx, b, a);

	*ret = p->d;
	ret->value = off.value;
	ret->u = unc_u(off);
	ret->dof = unc_dof(j->ctx, off);
	ret->U = unc_expanded(j->ctx, off, confidence, NULL);
	ret->real = fabs(ret->value) > ret->U;
	name_common(j, a, b, ret);
}

static enum rc join(const struct sameness *same, const struct pairs *pairs, double confidence, struct comparison *ret,
		    struct err *err)
{
	struct joined j = { .ctx = unc_ctx_new(), .a = same->a->curve->ctx, .b = same->b->curve->ctx, .same = same };
	size_t n_a = unc_source_count(j.a), n_b = unc_source_count(j.b);

	j.of_a = malloc((n_a + 1) * sizeof *j.of_a);
	j.of_b = malloc((n_b + 1) * sizeof *j.of_b);
	bool good = j.ctx && j.of_a && j.of_b;
	if (good) {
		memset(j.of_a, 0xff, n_a * sizeof *j.of_a);
		memset(j.of_b, 0xff, n_b * sizeof *j.of_b);
		share_sources(&j, n_a, n_b);
		for (size_t i = 0; i < pairs->n; i++)
			finish(&j, &pairs->list[i], confidence, &ret->list[i]);
		ret->n = pairs->n;
		good = !unc_failed(j.ctx) && !unc_failed(j.a) && !unc_failed(j.b);
	}
	free(j.of_a);
	free(j.of_b);
	unc_ctx_free(j.ctx);
	return good ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for the comparison");
}

/* --- what a reader has to know before believing a difference --- */
static void warn(struct comparison *c, const char *format, ...) PRINTF_LIKE(2, 3);
static void warn(struct comparison *c, const char *format, ...)
{
	va_list args;

	if (c->n_warnings == COMPARE_WARNINGS)
		return;
	va_start(args, format);
	vsnprintf(c->warning[c->n_warnings++], sizeof c->warning[0], format, args);
	va_end(args);
}

static double mean_of(const struct curve *c, double (*of)(const struct curve_point *))
{
	double sum = 0;
	size_t n = 0;

	for (size_t i = 0; i < c->n; i++)
		if (isfinite(of(&c->points[i]))) {
			sum += of(&c->points[i]);
			n++;
		}
	return n ? sum / (double)n : NAN;
}

static double volt(const struct curve_point *p)
{
	return p->voltage_V.value;
}

static double winding(const struct curve_point *p)
{
	return isfinite(p->winding_degC) ? p->winding_degC : p->case_degC;
}

static void find_warnings(const struct compare_side *a, const struct compare_side *b, const struct sameness *same,
			  struct comparison *c)
{
	const struct report *x = a->report, *y = b->report;
	double volt_a = mean_of(x->curve, volt), volt_b = mean_of(y->curve, volt), warm_a = mean_of(x->curve, winding),
	       warm_b = mean_of(y->curve, winding);

	if (!same->rig)
		warn(c, "The rigs differ, or are not known to be one: nothing cancels, each has an arm of its own.");
	else if (!same->calibration)
		warn(c, "The calibrations differ: only arm, gravity, weights and instruments cancel, where the files "
			"state "
			"them alike.");
	if (x->run.on_bench != y->run.on_bench)
		warn(c, "One of the runs is of a virtual bench, the other is not.");
	if (fabs(volt_a - volt_b) > VOLTAGE_APART * fabs(volt_a))
		warn(c,
		     "The supply differs: %.4g V in the reference, %.4g V in the other (means over the points). Speed "
		     "and current follow it.",
		     volt_a, volt_b);
	if (fabs(warm_a - warm_b) > WARM_K)
		warn(c,
		     "The temperatures differ: winding or case at %.3g °C in the reference, %.3g °C in the other "
		     "(indicated means).",
		     warm_a, warm_b);
	if (x->curve->at_flange != y->curve->at_flange)
		warn(c, "One torque is stated at the output flange, the other at the brake.");
	if (x->plan.drive != y->plan.drive)
		warn(c, "The plans drive the actuator in different modes.");
	if (c->cut)
		warn(c, "More than %d differences: the rest is left out.", COMPARE_MOST);
}

enum rc compare_runs(const struct compare_side *reference, const struct compare_side *other, double confidence,
		     struct comparison *ret, struct err *err)
{
	struct pairs pairs = { 0 };
	struct sameness same;

	*ret = (struct comparison){ 0 };
	if (reference->report->by_hand || other->report->by_hand)
		return err_set(err, RC_ARG, 0, "readings taken by hand cannot be compared: they have no rig to share");
	same = sameness_of(reference, other);
	pairs.list = malloc(COMPARE_MOST * sizeof *pairs.list);
	if (pairs.list == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for the comparison");
	add_all(reference->report->curve, other->report->curve, &pairs);
	enum rc rc = pairs.n ? join(&same, &pairs, confidence, ret, err)
			     : err_set(err, RC_ARG, 0,
				       "no torque lies within both runs where each has two points or more on one way "
				       "at one commanded speed; compare runs of like plans");
	ret->cut = pairs.cut;
	ret->same_rig = same.rig;
	ret->same_calibration = same.calibration;
	if (rc == RC_OK)
		find_warnings(reference, other, &same, ret);
	free(pairs.list);
	return rc;
}

const struct difference *compare_alike(const struct comparison *c, const struct difference *like,
				       enum compare_quantity quantity)
{
	for (size_t i = 0; i < c->n; i++) {
		const struct difference *d = &c->list[i];
		if (d->quantity == quantity && d->direction == like->direction && !(d->torque_Nm < like->torque_Nm) &&
		    !(d->torque_Nm > like->torque_Nm) &&
		    ((isnan(d->commanded_rpm) && isnan(like->commanded_rpm)) ||
		     fabs(d->commanded_rpm - like->commanded_rpm) < 1e-9))
			return d;
	}
	return NULL;
}
