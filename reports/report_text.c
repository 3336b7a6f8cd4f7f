/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/budget.h"
#include "reports/report.h"
#include "reports/text.h"
#include "run/sequence.h"

#include <math.h>
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

void report_headline(const struct report *report, char *buf, size_t size)
{
	const struct curve *c = report->curve;
	const struct curve_point *top = most_torque(c), *best = most_efficient(c);
	char torque[80], speed[80], power[80], share[80], at[80];

	if (impossible(c) == c->n || top == NULL) {
		snprintf(buf, size, "No usable point: the readings are impossible as they stand; see the notes of the points.");
		return;
	}
	text_unc(torque, sizeof torque, c, top->torque_Nm, "N·m");
	text_unc(speed, sizeof speed, c, top->speed_rpm, "rpm");
	text_unc(power, sizeof power, c, top->shaft_power_W, "W");
	int used = snprintf(buf, size, "Carried up to %s at %s, %s at the shaft", torque, speed, power);
	if (best == NULL || used < 0 || (size_t)used >= size) {
		strncat(buf, ".", size - strlen(buf) - 1);
		return;
	}
	text_unc_percent(share, sizeof share, c, best->efficiency);
	text_value(at, sizeof at, best->torque_Nm.value, 2 * unc_u(best->torque_Nm));
	snprintf(buf + used, size - (size_t)used, "; best efficiency %s, at %s N·m.", share, at);
}

/* A torque of nothing has no percent. */
static void of_torque(char *buf, size_t size, double U_Nm, double torque_Nm)
{
	if (fabs(torque_Nm) > 0)
		snprintf(buf, size, "%.2g %% of the torque at the strongest point", 100 * U_Nm / fabs(torque_Nm));
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
		snprintf(buf, size, "No uncertainty was stated: every figure is indicated only.");
		return;
	}
	of_torque(share, sizeof share, unc_expanded(c->ctx, p->torque_Nm, c->coverage, &k), p->torque_Nm.value);
	if (report->hand_unstated) {
		snprintf(buf, size, "Indicated: not all uncertainties of the readings were stated, so the ± (%s) hold their "
			 "rounding and what was stated, no instrument's own error.", share);
		return;
	}
	int used = snprintf(buf, size, "Each ± holds the true value with %.3g %% probability: %s (k = %.2f), most of it from “%s”.",
			    100 * c->coverage, share, k, row[0].name);
	if (used > 0 && (size_t)used < size && report->by_hand)
		snprintf(buf + used, size - (size_t)used, " What was stated about the readings is in it, nothing else.");
	else if (used > 0 && (size_t)used < size && report->cal.class_value > 0)
		snprintf(buf + used, size - (size_t)used, " Torque cell calibrated with dead weights, class %.3g.",
			 report->cal.class_value);
}

void report_limits(const struct report *report, char *buf, size_t size)
{
	const struct curve *c = report->curve;
	const struct curve_point *first = NULL, *top = most_torque(c);
	size_t settled = 0, n = 0;

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		settled += p->settled;
		n++;
		if (p->direction >= 0 && p->limit != LIMIT_NONE && p->limit != LIMIT_UNKNOWN && (!first || p->torque_Nm.value < first->torque_Nm.value))
			first = p;
	}
	int used = 0;
	if (first != NULL)
		used = snprintf(buf, size, "From %.3g N·m on, %s: %s.", first->torque_Nm.value,
				first->limit == LIMIT_ACTUATOR ? "the actuator itself" : limit_word(first->limit), first->limit_note);
	else if (report->by_hand)
		used = snprintf(buf, size, "Not known: readings taken by hand do not tell what limited them.");
	else if (top != NULL && c->end_limit == LIMIT_NONE && c->end_note[0] == '\0')
		used = snprintf(buf, size, "Nothing: the plan ended at %.3g N·m before anything gave way; what the actuator does "
				"beyond is not shown.", top->torque_Nm.value);
	if (used < 0 || (size_t)used >= size)
		return;
	if (c->end_note[0])
		used += snprintf(buf + used, size - (size_t)used, "%s%s", used ? " " : "", c->end_note);
	if (used > 0 && (size_t)used < size && settled < n)
		snprintf(buf + used, size - (size_t)used, " %zu of %zu points did not settle.", n - settled, n);
}
