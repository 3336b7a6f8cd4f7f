/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/curve.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *limit_word(enum limit limit)
{
	switch (limit) {
	case LIMIT_NONE: return "none";
	case LIMIT_ACTUATOR: return "actuator";
	case LIMIT_DRIVE: return "drive-limited";
	case LIMIT_SUPPLY: return "supply-limited";
	case LIMIT_BRAKE: return "brake-limited";
	case LIMIT_CELL: return "cell-limited";
	case LIMIT_HEAT: return "heat-limited";
	case LIMIT_PLAN: return "plan-limited";
	case LIMIT_GUARD: return "guard";
	case LIMIT_OPERATOR: return "operator";
	case LIMIT_NOT_KNOWN: return "not known";
	case LIMIT_UNKNOWN: return "not recorded";
	}
	return "none";
}

const char *limit_sentence(enum limit limit)
{
	switch (limit) {
	case LIMIT_NONE: return "Nothing limited these points: the commanded load was reached.";
	case LIMIT_ACTUATOR:
		return "The actuator itself was the limit. Its speed fell while supply, drive and brake were below "
		       "their limits.";
	case LIMIT_DRIVE:
		return "The drive held its own current limit. The motor might give more with another drive setting.";
	case LIMIT_SUPPLY:
		return "The supply was at its limit or sagged. Beyond this the curve says nothing about the actuator.";
	case LIMIT_BRAKE: return "The brake was at full current and could not load the actuator further.";
	case LIMIT_CELL: return "The torque cell was at full scale. More torque could not be read.";
	case LIMIT_HEAT: return "A temperature reached its limit, or the drive derated itself for heat.";
	case LIMIT_PLAN:
		return "The drive gave the current that the plan states. The actuator might give more with more "
		       "current.";
	case LIMIT_GUARD:
		return "The guard stopped the run at a stated limit or for a fault of the rig. The actuator might give "
		       "more.";
	case LIMIT_OPERATOR: return "The operator stopped the run. The actuator might give more.";
	case LIMIT_NOT_KNOWN:
		return "The commanded load was not reached, and the samples do not show why. This refutes no claim.";
	case LIMIT_UNKNOWN: return "Taken by hand: no record shows what would have limited a heavier load.";
	}
	return "";
}

bool limit_is_other(enum limit limit)
{
	return limit != LIMIT_NONE && limit != LIMIT_ACTUATOR && limit != LIMIT_UNKNOWN;
}

void curve_free(struct curve *curve)
{
	if (curve == NULL)
		return;
	unc_ctx_free(curve->ctx);
	free(curve->points);
	free(curve);
}

int point_way(const struct curve_point *p)
{
	return p->setpoint_rpm < 0 ? -1 : 1;
}

bool points_same_speed(const struct curve_point *a, const struct curve_point *b)
{
	if (isnan(a->setpoint_rpm) || isnan(b->setpoint_rpm))
		return isnan(a->setpoint_rpm) && isnan(b->setpoint_rpm);
	return fabs(a->setpoint_rpm - b->setpoint_rpm) < 1e-6;
}

bool curve_has_speeds(const struct curve *curve)
{
	for (size_t i = 1; i < curve->n; i++)
		if (!points_same_speed(&curve->points[0], &curve->points[i]))
			return true;
	return false;
}

const char *curve_at_speed(const struct curve *curve, const struct curve_point *p, char buf[40])
{
	buf[0] = '\0';
	if (isfinite(p->setpoint_rpm) && curve_has_speeds(curve))
		snprintf(buf, 40, " at %.4g rpm", p->setpoint_rpm);
	return buf;
}

double another_window(double scatter)
{
	return 2 * sqrt(2) * scatter;
}

void curve_remark(struct curve *curve, const char *format, ...)
{
	const size_t rooms = sizeof curve->remarks / sizeof curve->remarks[0];
	va_list args;

	if (curve->n_remarks >= rooms)
		return;
	va_start(args, format);
	vsnprintf(curve->remarks[curve->n_remarks++], sizeof curve->remarks[0], format, args);
	va_end(args);
}

void curve_remark_first(struct curve *curve, const char *format, ...)
{
	const size_t rooms = sizeof curve->remarks / sizeof curve->remarks[0];
	va_list args;

	if (curve->n_remarks < rooms)
		curve->n_remarks++;
	memmove(curve->remarks[1], curve->remarks[0], (curve->n_remarks - 1) * sizeof curve->remarks[0]);
	va_start(args, format);
	vsnprintf(curve->remarks[0], sizeof curve->remarks[0], format, args);
	va_end(args);
}

void point_note(struct curve_point *p, const char *format, ...)
{
	size_t used = strlen(p->note);
	va_list args;

	if (used > 0 && used + 2 < sizeof p->note) {
		memcpy(p->note + used, "; ", 3);
		used += 2;
	}
	va_start(args, format);
	vsnprintf(p->note + used, sizeof p->note - used, format, args);
	va_end(args);
}
