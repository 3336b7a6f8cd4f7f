/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/verdict.h"
#include "run/sequence.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define SPEED_MET 0.99 /* a speed within 1 % of the claim's counts as the claim's speed; common practice, no source */

struct judge {
	const struct curve *curve;
	enum plan_drive drive;
	double confidence;
};

static bool usable(const struct curve_point *p)
{
	return p->settled && p->direction >= 0 && !(p->flags & POINT_REPEAT) && !p->impossible && !p->outlier &&
	       isfinite(p->torque_Nm.value) && isfinite(p->speed_rpm.value);
}

static void say(struct claim_check *c, const char *format, ...) PRINTF_LIKE(2, 3);
static void say(struct claim_check *c, const char *format, ...)
{
	size_t used = strlen(c->why);
	va_list args;

	if (used > 0 && used + 1 < sizeof c->why)
		c->why[used++] = ' ';
	va_start(args, format);
	vsnprintf(c->why + used, sizeof c->why - used, format, args);
	va_end(args);
}

/* What kept the curve from going past its heaviest point: the end of the run when that is known, else the point's own
 * limit. An actuator that only lost speed there may well have given more torque: nobody asked for it. */
static enum limit what_stopped(const struct curve *curve, const struct curve_point *p)
{
	bool stalled = fabs(p->speed_rpm.value) <= 3 * unc_u(p->speed_rpm), weak = p->torque_Nm.value < 0.98 * p->setpoint_Nm;

	if (curve->end_limit != LIMIT_NONE)
		return curve->end_limit;
	if (p->limit == LIMIT_ACTUATOR && !stalled && !weak)
		return LIMIT_NONE;
	return p->limit;
}

/* The verdict of what was shown; refuting needs the actuator as the limit. */
static void decide(const struct judge *j, struct claim_check *c, enum limit stopped_by, const char *nothing_stopped)
{
	double dof = unc_dof(j->curve->ctx, c->measured);

	c->probability = conform_probability(c->measured.value, unc_u(c->measured), dof < 1 ? 1 : dof,
					     (struct conform_limits){ c->claimed, INFINITY });
	c->verdict = conform_verdict(c->probability, j->confidence);
	if (c->verdict == VERDICT_CONFIRMED) {
		say(c, "Shown by the measured curve.");
		return;
	}
	if (stopped_by == LIMIT_ACTUATOR) {
		say(c, c->verdict == VERDICT_REFUTED ? "The actuator itself was the limit." :
		       "The actuator itself was the limit, but the claim lies within the uncertainty.");
		return;
	}
	if (c->verdict == VERDICT_UNDECIDED && c->probability > 0.5)
		say(c, "What was shown is not far enough above the claim for this confidence.");
	c->verdict = VERDICT_UNDECIDED;
	if (stopped_by == LIMIT_NONE)
		say(c, "%s", nothing_stopped);
	else
		say(c, "Another limit came first (%s): %s", limit_word(stopped_by), limit_sentence(stopped_by));
}

/* Loading points in order of torque. */
static size_t by_torque(const struct curve *curve, const struct curve_point **ret, size_t max)
{
	size_t n = 0;

	for (size_t i = 0; i < curve->n && n < max; i++) {
		const struct curve_point *p = &curve->points[i];
		if (!usable(p))
			continue;
		size_t at = n++;
		for (; at > 0 && ret[at - 1]->torque_Nm.value > p->torque_Nm.value; at--)
			ret[at] = ret[at - 1];
		ret[at] = p;
	}
	return n;
}

/* Torque where the straight line between two points passes a speed. */
static struct unc torque_at(struct unc_ctx *ctx, const struct curve_point *a, const struct curve_point *b, double rpm)
{
	struct unc share = unc_div(ctx, unc_sub(ctx, a->speed_rpm, unc_exact(rpm)), unc_sub(ctx, a->speed_rpm, b->speed_rpm));

	return unc_add(ctx, a->torque_Nm, unc_mul(ctx, share, unc_sub(ctx, b->torque_Nm, a->torque_Nm)));
}

#define POINTS_MAX (2 * PROFILE_STEPS + 2)

/* Torque at a speed or, with at_rpm NaN, at any. */
static void check_torque(const struct judge *j, struct claim_check *c)
{
	const struct curve_point *p[POINTS_MAX];
	size_t n = by_torque(j->curve, p, POINTS_MAX), at = 0;
	double needed_rpm = isfinite(c->at_rpm) ? SPEED_MET * c->at_rpm : -INFINITY;

	while (at < n && p[at]->speed_rpm.value >= needed_rpm)
		at++;
	if (at == 0) {
		if (n > 0)
			say(c, "No point ran at %.4g rev/min or more; the fastest ran at %.4g rev/min.", c->at_rpm,
			    p[0]->speed_rpm.value);
		else
			say(c, "No point bears on it.");
		return;
	}
	if (at < n) { /* the curve falls below the claim's speed here */
		c->measured = torque_at(j->curve->ctx, p[at - 1], p[at], needed_rpm);
		enum limit limit = p[at]->limit;
		if (limit == LIMIT_NONE && j->drive != PLAN_SPEED)
			limit = LIMIT_ACTUATOR; /* nothing held the speed but the load */
		decide(j, c, limit, "The plan asked for less speed there.");
		return;
	}
	c->measured = p[n - 1]->torque_Nm;
	char ended[160];
	snprintf(ended, sizeof ended, "The curve goes no further than %.4g N·m.", c->measured.value);
	decide(j, c, what_stopped(j->curve, p[n - 1]), ended);
}

static void check_no_load(const struct judge *j, struct claim_check *c)
{
	const struct curve_point *p[POINTS_MAX];
	size_t n = by_torque(j->curve, p, POINTS_MAX);
	char ended[200];

	if (n == 0) {
		say(c, "No point bears on it.");
		return;
	}
	c->measured = p[0]->speed_rpm;
	bool held = j->drive == PLAN_SPEED && p[0]->limit != LIMIT_ACTUATOR;
	bool light = fabs(p[0]->torque_Nm.value) < 0.05 * fabs(p[n - 1]->torque_Nm.value);
	if (held)
		snprintf(ended, sizeof ended, "The drive was told to hold %.4g rev/min.", p[0]->setpoint_rpm);
	else
		snprintf(ended, sizeof ended, "The lightest load was %.3g N·m: without load it would run faster.",
			 p[0]->torque_Nm.value);
	decide(j, c, p[0]->limit == LIMIT_NONE && !held && light ? LIMIT_ACTUATOR : p[0]->limit, ended);
}

/* The largest of a quantity over the usable points. */
static const struct curve_point *best(const struct curve *curve, bool efficiency)
{
	const struct curve_point *ret = NULL;

	for (size_t i = 0; i < curve->n; i++) {
		const struct curve_point *p = &curve->points[i];
		if (!usable(p) || (efficiency && !p->efficiency_valid))
			continue;
		double value = efficiency ? p->efficiency.value : p->shaft_power_W.value;
		double top = !ret ? -INFINITY : efficiency ? ret->efficiency.value : ret->shaft_power_W.value;
		if (value > top)
			ret = p;
	}
	return ret;
}

static const struct curve_point *heaviest(const struct curve *curve)
{
	const struct curve_point *ret = NULL;

	for (size_t i = 0; i < curve->n; i++)
		if (usable(&curve->points[i]) && (!ret || curve->points[i].torque_Nm.value > ret->torque_Nm.value))
			ret = &curve->points[i];
	return ret;
}

static void check_efficiency(const struct judge *j, struct claim_check *c)
{
	const struct curve_point *p = best(j->curve, true), *last = heaviest(j->curve);

	if (p == NULL) {
		say(c, "No point has an efficiency.");
		return;
	}
	c->measured = p->efficiency;
	bool inside = p != last && last != NULL && last->efficiency_valid;
	if (inside && j->drive != PLAN_SPEED)
		decide(j, c, LIMIT_ACTUATOR, "");
	else if (inside)
		decide(j, c, LIMIT_NONE, "The peak was passed at the speed of the plan; at another speed it may be higher.");
	else
		decide(j, c, what_stopped(j->curve, p), "Efficiency still rose at the last step of the plan.");
}

static void check_power(const struct judge *j, struct claim_check *c)
{
	const struct curve_point *p = best(j->curve, false), *last = heaviest(j->curve);

	if (p == NULL) {
		say(c, "No point bears on it.");
		return;
	}
	c->measured = p->shaft_power_W;
	if (p != last && j->drive != PLAN_SPEED)
		decide(j, c, LIMIT_ACTUATOR, "");
	else
		decide(j, c, what_stopped(j->curve, p), "The plan asked for no more power.");
}

static void describe(struct claim_check *c, const char *name, double shown)
{
	const char *space = c->unit[0] ? " " : "";

	if (isfinite(c->at_rpm))
		snprintf(c->claim, sizeof c->claim, "%s %.4g%s%s at %.4g rev/min", name, shown, space, c->unit, c->at_rpm);
	else
		snprintf(c->claim, sizeof c->claim, "%s %.4g%s%s", name, shown, space, c->unit);
}

size_t claims_check(const struct curve *curve, const struct actuator_profile *actuator, enum plan_drive drive,
		    double confidence, struct claim_check *ret)
{
	const struct {
		const char *key, *name, *quantity, *unit;
		struct claim claim;
		void (*check)(const struct judge *j, struct claim_check *c);
	} all[CLAIMS_MAX] = {
		{ "rated_torque", "rated torque", "torque_Nm", "N·m", actuator->rated_torque_Nm, check_torque },
		{ "peak_torque", "peak torque", "torque_Nm", "N·m", actuator->peak_torque_Nm, check_torque },
		{ "no_load_speed", "no-load speed", "speed_rpm", "rev/min", actuator->no_load_rpm, check_no_load },
		{ "peak_efficiency", "peak efficiency", "efficiency", "%", actuator->peak_efficiency, check_efficiency },
		{ "rated_power", "rated power", "shaft_power_W", "W", actuator->rated_power_W, check_power },
	};
	const struct judge judge = { curve, drive, confidence };
	size_t n = 0;

	for (size_t i = 0; i < CLAIMS_MAX; i++) {
		if (!all[i].claim.given)
			continue;
		struct claim_check *c = &ret[n++];
		*c = (struct claim_check){
			.key = all[i].key, .quantity = all[i].quantity, .unit = all[i].unit, .claimed = all[i].claim.value,
			.at_rpm = all[i].claim.speed_rpm, .measured = { .value = NAN }, .probability = NAN,
			.verdict = VERDICT_UNDECIDED,
		};
		if (all[i].check != check_torque)
			c->at_rpm = NAN;
		describe(c, all[i].name, all[i].check == check_efficiency ? 100 * c->claimed : c->claimed);
		all[i].check(&judge, c);
	}
	return n;
}
