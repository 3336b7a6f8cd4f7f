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

const struct curve_point *report_main_point(const struct curve *curve)
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
	return report_main_point(report->curve);
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
		if (counts(curve, p) && (!ret || p->torque_Nm.value > ret->torque_Nm.value))
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

/* The heaviest loading point that did not settle, when it lies beyond all that did. */
static const struct curve_point *beyond_settled(const struct curve *c, const struct curve_point *top)
{
	const struct curve_point *ret = NULL;

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		bool possible = p->direction >= 0 && !p->impossible && !p->outlier;
		if (possible && !p->settled && p->torque_Nm.value > (ret ? ret : top)->torque_Nm.value)
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
		if (possible && p->step > top->step && p->torque_Nm.value > (ret ? ret : top)->torque_Nm.value)
			ret = p;
	}
	return ret;
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

void report_headline(const struct report *report, char *buf, size_t size)
{
	const struct curve *c = report->curve;
	const struct curve_point *top = most_torque(c), *best = most_efficient(c);
	char torque[80], speed[80], power[80], share[80], at[80];

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
		text_repeatable(share, sizeof share, c, best->efficiency, best->scatter_efficiency, 100, "%");
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

/* A torque of nothing has no percent. */
static void of_torque(char *buf, size_t size, double U_Nm, double torque_Nm)
{
	if (fabs(torque_Nm) > 0)
		snprintf(buf, size, "%.2g %% of the torque at the point of most shaft power",
			 100 * U_Nm / fabs(torque_Nm));
	else
		snprintf(buf, size, "%.2g N·m", U_Nm);
}

void report_certainty(const struct report *report, char *buf, size_t size)
{
	const struct curve *c = report->curve;
	const struct curve_point *p = report_main_point(c);
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
	snprintf(buf, size,
		 "± is the expanded uncertainty (%.3g %%) of the mean over that window: %s (k = %.2f). Most of it "
		 "comes from “%s”.",
		 100 * c->coverage, share, k, row[0].name);
	double other = another_window(p->scatter_Nm), other_rpm = another_window(p->scatter_rpm);
	if (isfinite(other) && isfinite(other_rpm))
		add(buf, size,
		    " Another window of that step would differ by up to %.2g N·m and %.2g rpm (95 %%). The line above "
		    "states the larger of the two.",
		    other, other_rpm);
	if (report->by_hand)
		add(buf, size, " It holds only what was stated about the readings.");
	else if (report->cal.class_value > 0)
		add(buf, size, " Torque cell calibrated with dead weights, class %.3g.", report->cal.class_value);
}

/* "Not settled, taken as they are: steps 7, 8 and 8 falling." */
static void add_unsettled(const struct curve *c, char *buf, size_t size)
{
	size_t n = 0, named = 0;

	for (size_t i = 0; i < c->n; i++)
		n += !c->points[i].settled;
	if (n == 0)
		return;
	add(buf, size, "%sNot settled, taken as %s: step%s ", buf[0] ? " " : "", n == 1 ? "it is" : "they are",
	    n == 1 ? "" : "s");
	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		if (p->settled)
			continue;
		add(buf, size, "%s%d%s",
		    named == 0       ? ""
		    : named + 1 == n ? " and "
				     : ", ",
		    p->step + 1,
		    p->flags & POINT_REPEAT ? " again"
		    : p->direction < 0      ? " falling"
					    : "");
		named++;
	}
	add(buf, size, " (%zu of %zu points).", n, c->n);
}

/* Loading points, settled or not: what the curve reached. */
static double reached_Nm(const struct curve *c)
{
	double most = NAN;

	for (size_t i = 0; i < c->n; i++)
		if (c->points[i].direction >= 0 && !c->points[i].impossible && !c->points[i].outlier)
			most = fmax(most, c->points[i].torque_Nm.value);
	return most;
}

void report_limits(const struct report *report, char *buf, size_t size)
{
	const struct curve *c = report->curve;
	const struct curve_point *first = NULL;
	double reached = reached_Nm(c);

	buf[0] = '\0';
	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		if (p->direction >= 0 && p->limit != LIMIT_NONE && p->limit != LIMIT_UNKNOWN &&
		    (!first || p->torque_Nm.value < first->torque_Nm.value))
			first = p;
	}
	if (first != NULL)
		add(buf, size, "From %.3g N·m on, %s: %s.", first->torque_Nm.value,
		    first->limit == LIMIT_ACTUATOR ? "the actuator itself" : limit_word(first->limit),
		    first->limit_note);
	else if (report->by_hand)
		add(buf, size, "Not known: readings taken by hand do not show what limited them.");
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
