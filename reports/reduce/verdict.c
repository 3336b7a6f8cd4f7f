/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/verdict.h"
#include "reports/reduce/claim_curve.h"

#include "calib/number/units.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TOO_FAR_FRAC 0.1 /* off the claims' voltage: the model of speed with voltage is not trusted further */
#define TOLD_FRAC 0.001  /* off the claims' voltage: worth a word */
#define ABOVE_FRAC 0.02  /* a step that is to confirm lies so much above the claim */

struct judge {
	const struct curve *curve;
	const struct claims_setting *setting;
	const struct claim_branch *rising, *falling;
};

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

/* --- each claim's place --- */
static struct answer torque_of(const struct claim_branch *b, const struct claim_check *c)
{
	return isfinite(c->at_rpm) ? claim_torque_at(b, c->at_rpm) : claim_most_torque(b);
}

static struct answer no_load_of(const struct claim_branch *b, const struct claim_check *c)
{
	(void)c;
	return claim_no_load(b);
}

static struct answer efficiency_of(const struct claim_branch *b, const struct claim_check *c)
{
	return claim_peak_efficiency(b, c->at_rpm);
}

static struct answer power_of(const struct claim_branch *b, const struct claim_check *c)
{
	if (!isfinite(c->at_rpm))
		return claim_peak_power(b);
	struct answer a = claim_torque_at(b, c->at_rpm);
	double w = rad_per_s_from_rpm(c->at_rpm);
	if (a.known == KNOWN_NOTHING)
		return a;
	a.value = unc_scale(b->ctx, a.value, w);
	a.below *= w;
	a.above *= w;
	return a;
}

/* --- words --- */
static void say_conditions(const struct judge *j, struct claim_check *c)
{
	char winding[48] = "";

	if (isfinite(c->winding_degC))
		snprintf(winding, sizeof winding, ", winding at %.0f °C (indicated)", c->winding_degC);
	bool brought = !c->lower_bound && strcmp(c->quantity, "efficiency") != 0;
	if (brought && isfinite(c->volt) && j->setting->volt > 0 && fabs(c->volt / j->setting->volt - 1) > TOLD_FRAC)
		say(c,
		    "Measured at %.4g V at its terminals%s. The speed is corrected to the claims' %.4g V by the speed "
		    "without load.",
		    c->volt, winding, j->setting->volt);
	else if (isfinite(c->volt))
		say(c, "At %.4g V at its terminals%s.", c->volt, winding);
}

static bool is_torque(const struct claim_check *c)
{
	return strcmp(c->quantity, "torque_Nm") == 0;
}

static bool is_no_load(const struct claim_check *c)
{
	return strcmp(c->key, "no_load_speed") == 0;
}

/* The speed without load and the best efficiency are elsewhere when the drive holds the plan's speed, whatever ended
 * the curve. */
static bool was_held(const struct judge *j, const struct claim_check *c, const struct answer *a)
{
	bool of_speed = is_no_load(c) || strcmp(c->key, "peak_efficiency") == 0;

	return of_speed && j->setting->drive == PLAN_SPEED && a->at->limit == LIMIT_NONE &&
	       isfinite(a->at->setpoint_rpm) && !a->at->free_running;
}

/* The point's own note has the figures: they are not said again with each claim. */
static void say_limit(struct claim_check *c, const struct curve_point *p)
{
	say(c, "Another limit came first: %s at %.4g N·m.", limit_word(p->limit), p->torque_Nm.value);
}

/* What the search at its speed came to; NULL: there was none. */
static const char *found_at(const struct curve *curve, const struct curve_point *p)
{
	for (size_t i = 0; i < curve->n_limits; i++)
		if (limit_found_same(p->setpoint_rpm, curve->limits[i].found.rpm))
			return curve->limits[i].text;
	return NULL;
}

static void say_what_came_first(const struct judge *j, struct claim_check *c, const struct answer *a)
{
	const struct curve *curve = j->curve;

	if (was_held(j, c, a))
		say(c,
		    is_no_load(c) ? "That is the %.4g rpm of the plan; a higher speed was not commanded."
				  : "That is at the %.4g rpm of the plan; it may be higher at another speed.",
		    a->at->setpoint_rpm);
	else if (a->lost != NULL && a->lost->limit != LIMIT_NONE)
		say_limit(c, a->lost);
	else if (a->lost != NULL)
		say(c, "At %.4g N·m it ran at %.4g rpm, and the samples do not show why.", a->lost->torque_Nm.value,
		    a->lost->speed_rpm.value);
	else if (a->at->limit != LIMIT_NONE && a->at->limit != LIMIT_ACTUATOR)
		say_limit(c, a->at);
	else if (found_at(curve, a->at))
		say(c, "The search: %s.", found_at(curve, a->at));
	else if (curve->end_limit != LIMIT_NONE)
		say(c, "The curve ended before it (%s); see what limited the points.", limit_word(curve->end_limit));
	else
		say(c, "The plan went no further.");
}

/* Nothing but the plan kept the curve from the claim. */
static bool only_the_plan_ended(const struct judge *j, const struct claim_check *c, const struct answer *a)
{
	return was_held(j, c, a) || (a->lost == NULL && j->curve->end_limit == LIMIT_NONE &&
				     (a->at->limit == LIMIT_NONE || a->at->limit == LIMIT_ACTUATOR));
}

/* The quantity of the claim as that point measured it; NaN where it says nothing of it. */
static double shown_by(const struct claim_check *c, const struct curve_point *p)
{
	if (is_torque(c))
		return p->torque_Nm.value;
	if (is_no_load(c))
		return p->speed_rpm.value;
	if (strcmp(c->quantity, "efficiency") == 0)
		return p->efficiency_valid ? p->efficiency.value : NAN;
	return p->shaft_power_W.value;
}

/* A point that did not settle is told where it showed more than what counts, where it lies next to the place, and where
 * nothing counts. */
static void say_unsettled(const struct judge *j, struct claim_check *c, const struct answer *a)
{
	size_t n = 0;

	for (size_t i = 0; i < j->curve->n; i++) {
		const struct curve_point *p = &j->curve->points[i];
		double U = unc_expanded(j->curve->ctx, c->measured, j->curve->coverage, NULL);
		bool more = a->known == KNOWN_NOTHING || shown_by(c, p) > c->low + U;
		bool next = a->known == KNOWN_VALUE && p->torque_Nm.value > a->add_from_Nm &&
			    p->torque_Nm.value < a->add_to_Nm;
		n += !p->settled && (more || next);
	}
	if (n > 0)
		say(c, "%zu point%s did not settle and %s not counted.", n, n == 1 ? "" : "s", n == 1 ? "is" : "are");
}

static void advise(const struct judge *j, struct claim_check *c, const struct answer *a)
{
	double step = NAN;

	if (is_torque(c))
		step = (1 + ABOVE_FRAC) * c->claimed;
	else if (strcmp(c->quantity, "shaft_power_W") == 0 && isfinite(c->at_rpm))
		step = (1 + ABOVE_FRAC) * c->claimed / rad_per_s_from_rpm(c->at_rpm);
	else if (a->known == KNOWN_VALUE && isfinite(a->add_from_Nm) && isfinite(a->add_to_Nm))
		step = (a->at->torque_Nm.value + (a->add_to_Nm + a->add_from_Nm) / 2) / 2;
	if (strcmp(c->key, "no_load_speed") == 0) {
		if (a->known == KNOWN_LEAST)
			say(c, "A plan with drive = current, or a higher speed, would decide.");
		else
			say(c, "Two steps close to the lightest load would decide.");
		return;
	}
	if (a->known == KNOWN_LEAST && !is_torque(c) && !isfinite(c->at_rpm) && j->setting->drive == PLAN_SPEED) {
		say(c, "A plan with drive = current shows the whole curve.");
		return;
	}
	if (!isfinite(step) || (a->known == KNOWN_LEAST && !only_the_plan_ended(j, c, a)))
		return;
	c->step_Nm = step;
	bool served = is_torque(c) || strcmp(c->quantity, "shaft_power_W") == 0; /* by plan_serve_claims */
	say(c, "A step at %.3g N·m would decide%s.", step,
	    served ? "; claims = yes in the plan's [steps] adds it" : "");
}

/* As many as show that the one is less than the other; four at least. */
static int digits_below(double less, double than)
{
	char text[40];
	int digits = 4;

	do
		snprintf(text, sizeof text, "%.*g", digits, less);
	while (!(strtod(text, NULL) < than) && digits++ < 15);
	return digits;
}

static void explain(const struct judge *j, struct claim_check *c, const struct answer *a)
{
	const char *unit = strcmp(c->unit, "%") == 0 ? " %" : " ", *name = strcmp(c->unit, "%") == 0 ? "" : c->unit;
	double scale = strcmp(c->unit, "%") == 0 ? 100 : 1;

	if (c->verdict == VERDICT_CONFIRMED) {
		say(c, "The actuator reached it.");
		say_conditions(j, c);
		return;
	}
	if (c->verdict == VERDICT_REFUTED) {
		say(c, "The actuator itself was the limit: nothing else was near its own.");
		say_conditions(j, c);
		return;
	}
	if (a->known == KNOWN_LEAST) {
		say(c, "It reached at least %.*g%s%s.", c->low < c->claimed ? digits_below(c->low, c->claimed) : 4,
		    scale * c->low, unit, name);
		say_what_came_first(j, c, a);
	} else if (c->claimed > c->low && c->claimed < c->high) {
		say(c, "By the measured points it is between %.4g and %.4g%s%s.", scale * c->low, scale * c->high, unit,
		    name);
	} else {
		say(c, "The claim lies within the uncertainty.");
	}
	say_unsettled(j, c, a);
	say_conditions(j, c);
	advise(j, c, a);
}

/* --- the verdict --- */
static struct unc shifted(struct unc x, double to)
{
	x.value = to;
	return x;
}

static void decide(const struct judge *j, struct claim_check *c, const struct answer *a)
{
	struct unc_ctx *ctx = j->curve->ctx;
	double wider = fmax(a->below, isfinite(a->above) ? a->above : 0);

	c->lower_bound = a->known == KNOWN_LEAST;
	c->low = a->value.value - a->below;
	c->high = a->value.value + a->above;
	c->measured = a->value;
	if (wider > 0)
		c->measured = unc_with(ctx, a->value, unc_source(ctx, "between the points", DIST_RECT, INFINITY),
				       wider / sqrt(3));
	if (c->claimed <= c->low)
		c->probability = unc_probability_above(ctx, shifted(a->value, c->low), c->claimed);
	else if (c->claimed >= c->high)
		c->probability = unc_probability_above(ctx, shifted(a->value, c->high), c->claimed);
	c->verdict = conform_verdict(c->probability, j->setting->confidence);
	double U = unc_expanded(ctx, a->value, j->curve->coverage, NULL);
	if (c->verdict == VERDICT_UNDECIDED && a->known == KNOWN_LEAST && c->claimed > c->low + U &&
	    only_the_plan_ended(j, c, a))
		c->verdict = VERDICT_NOT_TESTED;
}

static void check(const struct judge *j, struct claim_check *c,
		  struct answer (*place)(const struct claim_branch *b, const struct claim_check *c))
{
	if (j->setting->drive == PLAN_HAND) {
		say(c, "A person turned the shaft: the actuator was not tested.");
		return;
	}
	double off = fmax(j->rising->worst_off_frac, j->falling->worst_off_frac);
	if (off > TOO_FAR_FRAC) {
		c->verdict = VERDICT_UNDECIDED;
		say(c,
		    "The voltage at the actuator's terminals was up to %.2g %% off the claims' %.4g V: too far for a "
		    "correction. Run it at "
		    "that voltage.",
		    100 * off, j->setting->volt);
		return;
	}
	struct answer a = claim_join(place(j->rising, c), place(j->falling, c));
	if (a.known == KNOWN_NOTHING) {
		if (isfinite(c->at_rpm) && j->rising->n > 0)
			say(c, "No point is at %.4g rpm. Run a plan at that speed.", c->at_rpm);
		else
			say(c, "No measured point tests it.");
		say_unsettled(j, c, &a);
		return;
	}
	c->volt = a.at->voltage_V.value;
	c->winding_degC = a.at->winding_degC;
	decide(j, c, &a);
	explain(j, c, &a);
}

static void describe(struct claim_check *c, const char *name, double shown)
{
	if (isfinite(c->at_rpm))
		snprintf(c->claim, sizeof c->claim, "%s %.4g %s at %.4g rpm", name, shown, c->unit, c->at_rpm);
	else
		snprintf(c->claim, sizeof c->claim, "%s %.4g %s", name, shown, c->unit);
}

size_t claims_check(const struct curve *curve, const struct actuator_profile *actuator,
		    const struct claims_setting *setting, struct claim_check *ret)
{
	const struct {
		const char *key, *name, *quantity, *unit;
		struct claim claim;
		struct answer (*place)(const struct claim_branch *b, const struct claim_check *c);
	} all[CLAIMS_MAX] = {
		{ "rated_torque", "rated torque", "torque_Nm", "N·m", actuator->rated_torque_Nm, torque_of },
		{ "peak_torque", "peak torque", "torque_Nm", "N·m", actuator->peak_torque_Nm, torque_of },
		{ "no_load_speed", "no-load speed", "speed_rpm", "rpm", actuator->no_load_rpm, no_load_of },
		{ "peak_efficiency", "peak efficiency", "efficiency", "%", actuator->peak_efficiency, efficiency_of },
		{ "rated_power", "rated power", "shaft_power_W", "W", actuator->rated_power_W, power_of },
	};
	struct claim_branch rising, falling;
	const struct judge judge = { curve, setting, &rising, &falling };
	size_t n = 0;

	claim_branch_of(curve, false, setting->volt, &rising);
	claim_branch_of(curve, true, setting->volt, &falling);
	for (size_t i = 0; i < CLAIMS_MAX; i++) {
		if (!all[i].claim.given)
			continue;
		struct claim_check *c = &ret[n++];
		*c = (struct claim_check){
			.key = all[i].key,
			.quantity = all[i].quantity,
			.unit = all[i].unit,
			.claimed = all[i].claim.value,
			.at_rpm = all[i].claim.speed_rpm,
			.measured = { .value = NAN },
			.low = NAN,
			.high = NAN,
			.probability = NAN,
			.verdict = VERDICT_NOT_TESTED,
			.volt = NAN,
			.winding_degC = NAN,
			.step_Nm = NAN,
		};
		describe(c, all[i].name, all[i].place == efficiency_of ? 100 * c->claimed : c->claimed);
		check(&judge, c, all[i].place);
	}
	return n;
}
