/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/budget.h"
#include "reports/page/report_write.h"
#include "reports/reduce/text.h"
#include "channel/event.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

/* Points that did not settle speak for the curve only where there is no other. */
static bool counts(const struct curve *c, const struct curve_point *p)
{
	bool any = false;

	for (size_t i = 0; i < c->n; i++)
		any |= c->points[i].settled && c->points[i].direction >= 0;
	return (p->settled || !any) && p->direction >= 0 && !(p->flags & POINT_REPEAT) && !p->impossible && !p->outlier;
}

/* By its size: the commanded way of turning counts as forward. */
static double load_Nm(const struct curve_point *p)
{
	return point_way(p) * p->torque_Nm.value;
}

static const struct curve_point *main_point(const struct curve *curve)
{
	const struct curve_point *ret = NULL;

	for (size_t i = 0; i < curve->n; i++) {
		const struct curve_point *p = &curve->points[i];
		if (counts(curve, p) && isfinite(p->shaft_power_W.value) &&
		    (!ret || p->shaft_power_W.value > ret->shaft_power_W.value))
			ret = p;
	}
	return ret;
}

const struct curve_point *report_budget_point(const struct report *report)
{
	for (size_t i = 0; report->budget_step >= 0 && i < report->curve->n; i++)
		if (report->curve->points[i].step == report->budget_step && report->curve->points[i].direction >= 0)
			return &report->curve->points[i];
	return main_point(report->curve);
}

static const struct curve_point *most_efficient(const struct curve *curve)
{
	const struct curve_point *ret = NULL;

	for (size_t i = 0; i < curve->n; i++) {
		const struct curve_point *p = &curve->points[i];
		if (counts(curve, p) && p->efficiency_valid && (!ret || p->efficiency.value > ret->efficiency.value))
			ret = p;
	}
	return ret;
}

static const struct curve_point *most_torque(const struct curve *curve)
{
	const struct curve_point *ret = NULL;

	for (size_t i = 0; i < curve->n; i++) {
		const struct curve_point *p = &curve->points[i];
		if (counts(curve, p) && (!ret || load_Nm(p) > load_Nm(ret)))
			ret = p;
	}
	return ret;
}

static size_t impossible(const struct curve *curve)
{
	size_t n = 0;

	for (size_t i = 0; i < curve->n; i++)
		n += curve->points[i].impossible;
	return n;
}

/* The heaviest loading point that did not settle, when it lies beyond all that did; the same load at another speed does
 * not. */
static const struct curve_point *beyond_settled(const struct curve *c, const struct curve_point *top)
{
	const struct curve_point *ret = NULL;

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		bool possible = p->direction >= 0 && !p->impossible && !p->outlier;
		if (possible && !p->settled && p->step != top->step && load_Nm(p) > load_Nm(ret ? ret : top))
			ret = p;
	}
	return ret;
}

/* The heaviest settled point with falling load, when its step is heavier than the top's; NULL when there is none. */
static const struct curve_point *settled_falling(const struct curve *c, const struct curve_point *top)
{
	const struct curve_point *ret = NULL;

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		bool possible = p->direction < 0 && p->settled && !p->impossible && !p->outlier;
		if (possible && p->step > top->step && load_Nm(p) > load_Nm(ret ? ret : top))
			ret = p;
	}
	return ret;
}

const struct curve_point *report_best_efficiency(const struct report *report, char *buf, size_t size)
{
	const struct curve *c = report->curve;
	const struct curve_point *best = impossible(c) == c->n ? NULL : most_efficient(c);

	buf[0] = '\0';
	if (best != NULL)
		text_repeatable(buf, size, c, best->efficiency, best->scatter_efficiency, 100, "%");
	return best;
}

static void add(char *buf, size_t size, const char *format, ...) PRINTF_LIKE(3, 4);
static void add(char *buf, size_t size, const char *format, ...)
{
	size_t used = strlen(buf);
	va_list args;

	va_start(args, format);
	vsnprintf(buf + used, size - used, format, args);
	va_end(args);
}

bool report_not_safe(const struct report *report, char *buf, size_t size)
{
	const char *message = report->run.message, *end = strstr(message, ". ");
	bool is = !report->by_hand && strncmp(message, "NOT SAFE: ", 10) == 0;

	buf[0] = '\0';
	if (is)
		snprintf(buf, size, "The stop of this run did not end safe: %.*s.",
			 (int)(end ? end - message - 10 : (long)strlen(message) - 10), message + 10);
	return is;
}

static void curve_headline(const struct report *report, char *buf, size_t size)
{
	const struct curve *c = report->curve;
	char share[80];
	const struct curve_point *top = most_torque(c), *best = report_best_efficiency(report, share, sizeof share);
	char torque[80], speed[80], power[80], at[80];

	if (report_not_safe(report, buf, size))
		add(buf, size, " ");
	if (impossible(c) == c->n || top == NULL) {
		add(buf, size,
		    "No usable point: the readings contradict each other. The notes of the points say what to check.");
		return;
	}
	text_repeatable(torque, sizeof torque, c, top->torque_Nm, top->scatter_Nm, 1, "N·m");
	text_repeatable(speed, sizeof speed, c, top->speed_rpm, top->scatter_rpm, 1, "rpm");
	text_repeatable(power, sizeof power, c, top->shaft_power_W, top->scatter_shaft_W, 1, "W");
	const struct curve_point *beyond = beyond_settled(c, top), *falling = settled_falling(c, top);
	add(buf, size, "Highest%s torque%s %s at %s, %s at the shaft", beyond ? " settled" : "",
	    falling ? " with rising load" : "", torque, speed, power);
	if (best != NULL) {
		text_value(at, sizeof at, best->torque_Nm.value, 2 * unc_u(best->torque_Nm));
		add(buf, size, "; best measured efficiency %s at %s N·m", share, at);
	}
	add(buf, size, "%s.", top->settled ? "" : " (not settled)");
	if (beyond != NULL)
		add(buf, size, " Beyond that, not settled: %.4g N·m at %.4g rpm.", beyond->torque_Nm.value,
		    beyond->speed_rpm.value);
	if (falling != NULL)
		add(buf, size, " Settled with falling load: %.4g N·m at %.4g rpm.", falling->torque_Nm.value,
		    falling->speed_rpm.value);
}

void report_headline(const struct report *report, char *buf, size_t size)
{
	char text[400];

	if (!report->procedure.kind) {
		curve_headline(report, buf, size);
		return;
	}
	procedure_headline(&report->procedure, text, sizeof text);
	if (report_not_safe(report, buf, size))
		add(buf, size, " ");
	add(buf, size, "%s", text);
}

/* A torque of nothing has no percent. */
static void of_torque(char *buf, size_t size, double U_Nm, double torque_Nm)
{
	if (fabs(torque_Nm) > 0)
		snprintf(buf, size, "%.2g %% of the torque at the point of most shaft power",
			 100 * U_Nm / fabs(torque_Nm));
	else
		snprintf(buf, size, "%.2g N·m", U_Nm);
}

static void add_other(double other_Nm, double other_rpm, char *buf, size_t size)
{
	char torque[40], speed[40];

	text_U(torque, sizeof torque, other_Nm);
	text_U(speed, sizeof speed, other_rpm);
	add(buf, size,
	    " Another window of that step would differ by up to %s N·m and %s rpm (95 %%). The line above states the "
	    "larger of the two.",
	    torque[0] ? torque : "0", speed[0] ? speed : "0");
}

void report_certainty(const struct report *report, char *buf, size_t size)
{
	const struct curve *c = report->curve;
	const struct curve_point *p = main_point(c);
	struct budget_row row[2];
	char share[80];
	double k;

	if (p == NULL || budget_of(c->ctx, p->torque_Nm, row, 2) == 0) {
		snprintf(buf, size, "No uncertainty was stated. Every figure is indicated only.");
		return;
	}
	of_torque(share, sizeof share, unc_expanded(c->ctx, p->torque_Nm, c->coverage, &k), p->torque_Nm.value);
	if (report->hand_unstated) {
		snprintf(buf, size,
			 "Indicated: not all uncertainties of the readings were stated. Each ± (%s) holds the rounding "
			 "of the readings "
			 "and what was stated. It holds no instrument's own error.",
			 share);
		return;
	}
	snprintf(buf, size, "± is the expanded uncertainty (%.3g %%) of %s: %s (k = %.2f). Most of it comes from “%s”.",
		 100 * c->coverage, report->by_hand ? "each figure" : "the mean over that window", share, k,
		 row[0].name);
	double other = another_window(p->scatter_Nm), other_rpm = another_window(p->scatter_rpm);
	if (isfinite(other) && isfinite(other_rpm))
		add_other(other, other_rpm, buf, size);
	if (report->by_hand)
		add(buf, size, " It holds only what was stated about the readings.");
	else if (report->cal.class_value > 0)
		add(buf, size, " Torque cell calibrated with dead weights, class %.3g.", report->cal.class_value);
}

static bool is_cut(const struct curve_point *p)
{
	return (p->flags & POINT_CUT) != 0;
}

static bool is_unsettled(const struct curve_point *p)
{
	return !p->settled && !is_cut(p);
}

/* "steps 7, 8 and 8 falling (3 of 20 points)." */
static void add_steps(const struct curve *c, bool (*of)(const struct curve_point *p), size_t n, char *buf, size_t size)
{
	size_t named = 0;
	char at[40];

	add(buf, size, " step%s ", n == 1 ? "" : "s");
	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		if (!of(p))
			continue;
		add(buf, size, "%s%d%s%s",
		    named == 0       ? ""
		    : named + 1 == n ? " and "
				     : ", ",
		    p->step + 1,
		    p->flags & POINT_REPEAT ? " again"
		    : p->direction < 0      ? " falling"
					    : "",
		    curve_at_speed(c, p, at));
		named++;
	}
	add(buf, size, " (%zu of %zu points).", n, c->n);
}

static void add_unsettled(const struct curve *c, char *buf, size_t size)
{
	size_t unsettled = 0, cut = 0;

	for (size_t i = 0; i < c->n; i++) {
		unsettled += is_unsettled(&c->points[i]);
		cut += is_cut(&c->points[i]);
	}
	if (unsettled > 0) {
		add(buf, size, "%sNot settled, taken as %s:", buf[0] ? " " : "", unsettled == 1 ? "it is" : "they are");
		add_steps(c, is_unsettled, unsettled, buf, size);
	}
	if (cut > 0) {
		add(buf, size, "%sCut short by a stop:", buf[0] ? " " : "");
		add_steps(c, is_cut, cut, buf, size);
	}
}

/* Loading points, settled or not: what the curve reached. */
static double reached_Nm(const struct curve *c)
{
	double most = NAN;

	for (size_t i = 0; i < c->n; i++)
		if (c->points[i].direction >= 0 && !c->points[i].impossible && !c->points[i].outlier)
			most = fmax(most, load_Nm(&c->points[i]));
	return most;
}

/* The lightest limited point of the rising way (shuffled and by hand too) or of the falling one; NULL when none is. */
static const struct curve_point *first_limited(const struct curve *c, bool falling)
{
	const struct curve_point *ret = NULL;

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		if ((p->direction < 0) == falling && p->limit != LIMIT_NONE && p->limit != LIMIT_UNKNOWN &&
		    (!ret || fabs(p->torque_Nm.value) < fabs(ret->torque_Nm.value)))
			ret = p;
	}
	return ret;
}

static const char *limit_named(const struct curve_point *p)
{
	return p->limit == LIMIT_ACTUATOR ? "the actuator itself" : limit_word(p->limit);
}

/* The falling way is told where it says more: another step, or another limit. */
static bool says_more(const struct curve_point *falling, const struct curve_point *rising)
{
	return falling && (!rising || falling->step != rising->step || falling->limit != rising->limit);
}

static void curve_limits(const struct report *report, char *buf, size_t size)
{
	const struct curve *c = report->curve;
	const struct curve_point *first = first_limited(c, false), *falling = first_limited(c, true);
	double reached = reached_Nm(c);
	bool both = says_more(falling, first);
	char at[40];

	buf[0] = '\0';
	if (first != NULL)
		add(buf, size, "From %.3g N·m on%s%s, %s: %s.", first->torque_Nm.value, curve_at_speed(c, first, at),
		    both ? " with rising load" : "", limit_named(first), first->limit_note);
	if (both)
		add(buf, size, "%sWith falling load from %.3g N·m on%s, %s: %s.", first ? " " : "",
		    falling->torque_Nm.value, curve_at_speed(c, falling, at), limit_named(falling),
		    falling->limit_note);
	if (first != NULL || both)
		; /* said */
	else if (report->by_hand)
		add(buf, size,
		    "Not recorded: the readings hold no state of drive, supply and brake. So nothing shows what would "
		    "have limited a heavier load.");
	else if (report->plan.drive == PLAN_HAND)
		add(buf, size, "Not known: a person turned the shaft, so the curve shows no limit of the actuator.");
	else if (isfinite(reached) && c->end_limit == LIMIT_NONE && c->end_note[0] == '\0')
		add(buf, size,
		    "No limit was reached: the plan ended at %.4g N·m. Beyond that the actuator was not tested.",
		    reached);
	if (c->end_note[0])
		add(buf, size, "%s%s", buf[0] ? " " : "", c->end_note);
	add_unsettled(c, buf, size);
}

void report_limits(const struct report *report, char *buf, size_t size)
{
	if (report->procedure.kind)
		procedure_limits(&report->procedure, buf, size);
	else
		curve_limits(report, buf, size);
}
