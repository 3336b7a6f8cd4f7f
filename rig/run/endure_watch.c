/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/endure_watch.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct endure_watch endure_watch_begin(const struct endure_limits *limits)
{
	return (struct endure_watch){ .limits = *limits };
}

static double measured(const struct endure_watch *w, const struct endure_cycle *c, enum endure_rule rule)
{
	double mean_A = w->sum_A / (double)w->n;

	switch (rule) {
	case ENDURE_CURRENT: return fabs(c->no_load_A / mean_A - 1);
	case ENDURE_DROOP: return 1 - c->load_rpm / c->no_load_rpm;
	case ENDURE_RISE: return c->case_degC - c->ambient_degC;
	case ENDURE_CASE: return c->case_degC;
	case ENDURE_NONE:
	case ENDURE_RULES: break;
	}
	return NAN;
}

struct endure_found endure_watch_add(struct endure_watch *w, const struct endure_cycle *c)
{
	struct endure_found ret = { ENDURE_NONE, ENDURE_NONE, NAN, NAN };

	if (w->n < w->limits.reference && isfinite(c->no_load_A)) {
		w->sum_A += c->no_load_A;
		w->n++;
	}
	for (enum endure_rule r = ENDURE_CURRENT; r < ENDURE_RULES; r++) {
		double limit = w->limits.limit[r], value = measured(w, c, r);
		if (!(limit > 0) || ret.stop != ENDURE_NONE)
			continue;
		if (!(value < limit)) {
			ret = (struct endure_found){ r, ENDURE_NONE, value, limit };
		} else if (!(value < w->limits.tell_frac * limit) && !w->told[r] && ret.tell == ENDURE_NONE) {
			w->told[r] = true;
			ret = (struct endure_found){ ENDURE_NONE, r, value, limit };
		}
	}
	return ret;
}

bool endure_case_is_hot(const struct endure_limits *limits, double case_degC)
{
	return limits->limit[ENDURE_CASE] > 0 && case_degC >= limits->limit[ENDURE_CASE];
}

const char *endure_rule_word(enum endure_rule rule)
{
	static const char *const words[ENDURE_RULES] = { "", "current_drift", "speed_droop", "temperature_rise",
							 "case_temperature" };

	return rule < ENDURE_RULES ? words[rule] : "";
}

void endure_rule_text(const struct endure_found *f, enum endure_rule rule, char *buf, size_t size)
{
	static const char *const what[ENDURE_RULES] = { "", "the current without load changed by",
							"under the heaviest load the speed is lower by",
							"the case is warmer than the air by", "the case is at" };
	static const char *const unit[ENDURE_RULES] = { "", "%", "%", "K", "\u00b0C" };
	double scale = rule == ENDURE_CURRENT || rule == ENDURE_DROOP ? 100 : 1;

	if (rule >= ENDURE_RULES || rule == ENDURE_NONE)
		snprintf(buf, size, "%s", "");
	else if (!isfinite(f->value))
		snprintf(buf, size,
			 "the number that the rule %s needs could not be measured; fit its sensor, then --resume; or "
			 "set it to 0 and start a new run",
			 endure_rule_word(rule));
	else
		snprintf(buf, size, "%s %.3g %s, limit %.3g %s", what[rule], scale * f->value, unit[rule],
			 scale * f->limit, unit[rule]);
}

static const struct {
	const char *name;
	size_t at;
} fields[] = {
	{ "no_load_A", offsetof(struct endure_cycle, no_load_A) },
	{ "no_load_rpm", offsetof(struct endure_cycle, no_load_rpm) },
	{ "load_Nm", offsetof(struct endure_cycle, load_Nm) },
	{ "load_rpm", offsetof(struct endure_cycle, load_rpm) },
	{ "case_degC", offsetof(struct endure_cycle, case_degC) },
	{ "ambient_degC", offsetof(struct endure_cycle, ambient_degC) },
};
#define FIELDS (sizeof fields / sizeof fields[0])

void endure_cycle_text(const struct endure_cycle *c, char *buf, size_t size)
{
	size_t used = (size_t)snprintf(buf, size, "cycle %ld", c->number);

	for (size_t i = 0; i < FIELDS && used < size; i++) {
		double value = *(const double *)((const char *)c + fields[i].at);
		if (isfinite(value))
			used += (size_t)snprintf(buf + used, size - used, "; %s %.6g", fields[i].name, value);
	}
}

static double number_after(const char *text, const char *name)
{
	char key[24], *end;

	snprintf(key, sizeof key, "; %s ", name);
	const char *at = strstr(text, key);
	if (!at)
		return NAN;
	double value = strtod(at + strlen(key), &end);
	return end > at + strlen(key) && isfinite(value) ? value : NAN;
}

bool endure_cycle_parse(const char *text, struct endure_cycle *ret)
{
	char *end;

	if (strncmp(text, "cycle ", 6) != 0)
		return false;
	ret->number = strtol(text + 6, &end, 10);
	for (size_t i = 0; i < FIELDS; i++)
		*(double *)((char *)ret + fields[i].at) = number_after(text, fields[i].name);
	return end > text + 6 && (*end == ';' || *end == '\0') && ret->number > 0;
}
