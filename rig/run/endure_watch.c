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

/* The first rule that is met stops; else the first drift that was not told is told. */
static void judge(struct endure_watch *w, enum endure_rule r, double value, struct endure_found *ret)
{
	double limit = w->limits.limit[r];

	if (!(limit > 0) || ret->stop != ENDURE_NONE)
		return;
	if (!(value < limit)) {
		*ret = (struct endure_found){ r, ENDURE_NONE, value, limit };
	} else if (!(value < w->limits.tell_frac * limit) && !w->told[r] && ret->tell == ENDURE_NONE) {
		w->told[r] = true;
		*ret = (struct endure_found){ ENDURE_NONE, r, value, limit };
	}
}

struct endure_found endure_watch_add(struct endure_watch *w, const struct endure_cycle *c)
{
	struct endure_found ret = { ENDURE_NONE, ENDURE_NONE, NAN, NAN };

	if (w->n < w->limits.reference && isfinite(c->no_load_A)) {
		w->sum_A += c->no_load_A;
		w->n++;
	}
	judge(w, ENDURE_CURRENT, fabs(c->no_load_A / (w->sum_A / (double)w->n) - 1), &ret);
	judge(w, ENDURE_DROOP, 1 - c->load_rpm / c->no_load_rpm, &ret);
	judge(w, ENDURE_RISE, c->case_degC - c->ambient_degC, &ret);
	judge(w, ENDURE_CASE, c->case_degC, &ret);
	return ret;
}

struct endure_found endure_watch_play(struct endure_watch *w, const struct endure_play *play)
{
	struct endure_found ret = { ENDURE_NONE, ENDURE_NONE, NAN, NAN };

	if (!w->has_play && isfinite(play->lost_arcmin)) {
		w->has_play = true;
		w->first_arcmin = play->lost_arcmin;
	}
	judge(w, ENDURE_PLAY, fabs(play->lost_arcmin - w->first_arcmin), &ret);
	return ret;
}

bool endure_case_is_hot(const struct endure_limits *limits, double case_degC)
{
	return limits->limit[ENDURE_CASE] > 0 && case_degC >= limits->limit[ENDURE_CASE];
}

const char *endure_rule_word(enum endure_rule rule)
{
	static const char *const words[ENDURE_RULES] = {
		"", "current_drift", "speed_droop", "temperature_rise", "case_temperature", "play_drift"
	};

	return rule < ENDURE_RULES ? words[rule] : "";
}

void endure_rule_text(const struct endure_found *f, enum endure_rule rule, char *buf, size_t size)
{
	static const char *const what[ENDURE_RULES] = { "",
							"the current without load changed by",
							"under the heaviest load the speed is lower by",
							"the case is warmer than the air by",
							"the case is at",
							"the lost motion changed by" };
	static const char *const unit[ENDURE_RULES] = { "", "%", "%", "K", "\u00b0C", "arcmin" };
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

struct field {
	const char *name;
	size_t at;
};
static const struct field fields[] = {
	{ "no_load_A", offsetof(struct endure_cycle, no_load_A) },
	{ "no_load_rpm", offsetof(struct endure_cycle, no_load_rpm) },
	{ "load_Nm", offsetof(struct endure_cycle, load_Nm) },
	{ "load_rpm", offsetof(struct endure_cycle, load_rpm) },
	{ "case_degC", offsetof(struct endure_cycle, case_degC) },
	{ "ambient_degC", offsetof(struct endure_cycle, ambient_degC) },
};
#define FIELDS (sizeof fields / sizeof fields[0])

static const struct field of_play[] = {
	{ "lost_arcmin", offsetof(struct endure_play, lost_arcmin) },
	{ "u_lost_arcmin", offsetof(struct endure_play, u_lost_arcmin) },
	{ "stiffness_Nm_per_arcmin", offsetof(struct endure_play, stiffness_Nm_per_arcmin) },
	{ "u_stiffness", offsetof(struct endure_play, u_stiffness) },
};
#define OF_PLAY (sizeof of_play / sizeof of_play[0])

static void put_fields(const void *of, const struct field *field, size_t n, char *buf, size_t size)
{
	for (size_t i = 0, used = 0; i < n && used < size; i++) {
		double value = *(const double *)((const char *)of + field[i].at);
		if (isfinite(value))
			used += (size_t)snprintf(buf + used, size - used, "; %s %.6g", field[i].name, value);
	}
}

void endure_cycle_text(const struct endure_cycle *c, char *buf, size_t size)
{
	size_t used = (size_t)snprintf(buf, size, "cycle %ld", c->number);

	if (used < size)
		put_fields(c, fields, FIELDS, buf + used, size - used);
}

void endure_play_text(const struct endure_play *p, char *buf, size_t size)
{
	size_t used = (size_t)snprintf(buf, size, "play %ld", p->number);

	if (used < size)
		put_fields(p, of_play, OF_PLAY, buf + used, size - used);
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

static void take_fields(const char *text, const struct field *field, size_t n, void *ret)
{
	for (size_t i = 0; i < n; i++)
		*(double *)((char *)ret + field[i].at) = number_after(text, field[i].name);
}

/* "WORD number", and what follows. */
static bool begins(const char *text, const char *word, long *ret)
{
	size_t n = strlen(word);
	char *end;

	if (strncmp(text, word, n) != 0)
		return false;
	*ret = strtol(text + n, &end, 10);
	return end > text + n && (*end == ';' || *end == '\0');
}

bool endure_cycle_parse(const char *text, struct endure_cycle *ret)
{
	if (!begins(text, "cycle ", &ret->number))
		return false;
	take_fields(text, fields, FIELDS, ret);
	return ret->number > 0;
}

bool endure_play_parse(const char *text, struct endure_play *ret)
{
	if (!begins(text, "play ", &ret->number))
		return false;
	take_fields(text, of_play, OF_PLAY, ret);
	return ret->number >= 0;
}
