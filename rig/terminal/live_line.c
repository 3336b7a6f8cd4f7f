/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/live_line.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define FIELD 80
#define NUMBER 20
#define BAR_LEAST 8 /* with its brackets */
#define BAR_MOST 22
#define DRIFT_s 20.0   /* of the shown time towards a new estimate */
#define RANGE_FRAC 0.1 /* a range narrower than this, and than RANGE_s, is shown as one time */
#define RANGE_s 10.0

enum form { LONG, MIDDLE, SHORT };
/* In the order in which they stand. */
enum field { TITLE, STEP, TORQUE, SPEED, POWER, PHASE, LEFT, STOP, FIELDS };

struct parts {
	char text[FIELDS][FIELD];
};

static const struct {
	const char *word, *shown, *brief;
} phases[] = {
	{ "start", "starting", "start" },
	{ "spin", "speeding up", "spin" },
	{ "settle", "settling", "settle" },
	{ "average", "averaging", "avg" },
	{ "ease", "easing off", "ease" },
	{ "rest", "cooling", "cool" },
	{ "stop", "stopping", "stop" },
	{ "run-in", "running in", "run-in" },
	{ "lag", "coil lag", "lag" },
	{ "zero", "zero", "zero" },
	{ "watch", "watching", "watch" },
	{ "look", "looking", "look" },
	{ "close", "closing contactor", "close" },
};

/* A number that rounds to zero has no sign. */
static void number(char *buf, size_t size, int digits, double value)
{
	double step = pow(10, -digits);

	if (fabs(value) < 0.5 * step)
		value = 0;
	snprintf(buf, size, fabs(value) < 1e9 ? "%.*f" : "%.*g", digits, value);
}

/* 35 and not 35.00 where room is short. */
static void brief_number(char *buf, size_t size, double value)
{
	number(buf, size, 2, value);
	char *end = buf + strlen(buf);
	while (strchr(buf, '.') && (end[-1] == '0' || end[-1] == '.')) {
		bool point = end[-1] == '.';
		*--end = '\0';
		if (point)
			break;
	}
}

static void put_step(const struct live_line *l, enum form form, char *buf)
{
	const char *way = l->direction > 0   ? form == LONG ? " rising" : " up"
			  : l->direction < 0 ? form == LONG ? " falling" : " down"
					     : "";

	if (l->step <= 0)
		return;
	if (l->steps <= 0 || l->step > l->steps) /* a search goes beyond the plan's steps */
		snprintf(buf, FIELD, "step %d%s", l->step, way);
	else
		snprintf(buf, FIELD, "step %d%s%d%s", l->step, form == SHORT ? "/" : " of ", l->steps, way);
}

/* What is commanded; "" nothing. */
static void put_commanded(const struct live_line *l, enum form form, char *buf)
{
	if (isfinite(l->commanded_Nm) && form == SHORT)
		brief_number(buf, NUMBER, l->commanded_Nm);
	else if (isfinite(l->commanded_Nm))
		number(buf, NUMBER, 2, l->commanded_Nm);
	else if (isfinite(l->commanded_A))
		number(buf, NUMBER, form == SHORT ? 2 : 3, l->commanded_A);
}

static void put_torque(const struct live_line *l, enum form form, char *buf)
{
	bool torque = isfinite(l->commanded_Nm);
	const char *unit = torque ? "N\u00b7m" : "A", *verb = l->hung ? "hung" : "commanded";
	char measured[NUMBER] = "", set[NUMBER] = "";

	put_commanded(l, form, set);
	if (isfinite(l->torque_Nm))
		number(measured, sizeof measured, form == SHORT && fabs(l->torque_Nm) >= 10 ? 1 : 2, l->torque_Nm);
	if (!set[0] && measured[0])
		snprintf(buf, FIELD, "%s N\u00b7m", measured);
	else if (!set[0] && isfinite(l->count))
		snprintf(buf, FIELD, "%.0f counts", l->count);
	else if (set[0] && !measured[0])
		snprintf(buf, FIELD, "%s %s %s", verb, set, unit);
	else if (!measured[0])
		buf[0] = '\0';
	else if (form == LONG)
		snprintf(buf, FIELD, "%s %s%s%s, measured %s N\u00b7m", verb, set, torque ? "" : " ",
			 torque ? "" : unit, measured);
	else if (torque)
		snprintf(buf, FIELD, "%s%s%s N\u00b7m", measured, form == MIDDLE ? " of " : "/", set);
	else
		snprintf(buf, FIELD, "%s A%s%s N\u00b7m", set, form == MIDDLE ? ": " : ":", measured);
}

static void put_power(const struct live_line *l, char *buf)
{
	size_t used = 0;

	if (isfinite(l->brake_A))
		used += (size_t)snprintf(buf, FIELD, "brake %.3f A", fabs(l->brake_A) < 0.0005 ? 0 : l->brake_A);
	if (!isfinite(l->voltage_V) || !isfinite(l->current_A) || used >= FIELD)
		return;
	used += (size_t)snprintf(buf + used, FIELD - used, "%s%.1f V %.2f A", used ? "  " : "",
				 fabs(l->voltage_V) < 0.05 ? 0 : l->voltage_V,
				 fabs(l->current_A) < 0.005 ? 0 : l->current_A);
	if (l->power_age_s >= LIVE_OLD_S && l->power_age_s < 1e6 && used < FIELD)
		snprintf(buf + used, FIELD - used, " %.1f s old", l->power_age_s);
}

static void put_phase(const struct live_line *l, enum form form, char *buf)
{
	const char *word = l->phase ? l->phase : "";

	for (size_t i = 0; i < sizeof phases / sizeof phases[0]; i++)
		if (strcmp(word, phases[i].word) == 0) {
			word = form == SHORT ? phases[i].brief : phases[i].shown;
			break;
		}
	if (*word && l->phase_s >= 0 && l->phase_s < 1e6)
		snprintf(buf, FIELD, "%s %.0f s", word, floor(l->phase_s));
	else
		snprintf(buf, FIELD, "%s", word);
}

static bool is_one_time(double low_s, double high_s)
{
	return high_s - low_s <= RANGE_s || high_s - low_s <= RANGE_FRAC * high_s;
}

static void left_text(double low_s, double high_s, enum form form, char *buf, size_t size)
{
	static const struct {
		double from_s, unit_s;
		const char *name;
	} units[] = { { 7200, 3600, "h" }, { 120, 60, "min" }, { 0, 1, "s" } };
	const char *tail = form == SHORT ? "" : " left";
	size_t u = 0;

	buf[0] = '\0';
	if (!(low_s >= 0 && high_s >= low_s && high_s < 1e6))
		return;
	if (is_one_time(low_s, high_s)) {
		long all = lround((low_s + high_s) / 2);
		if (all >= 3600)
			snprintf(buf, size, "%ld:%02ld:%02ld%s", all / 3600, all / 60 % 60, all % 60, tail);
		else
			snprintf(buf, size, "%ld:%02ld%s", all / 60, all % 60, tail);
		return;
	}
	while (high_s < units[u].from_s)
		u++;
	double step = units[u].unit_s > 1 ? units[u].unit_s : 10; /* seconds by tens */
	long low = (long)(floor(low_s / step) * step / units[u].unit_s),
	     high = (long)(ceil(high_s / step) * step / units[u].unit_s);
	snprintf(buf, size, "%ld%s%ld%s%s%s", low, form == LONG ? " to " : "-", high, form == SHORT ? "" : " ",
		 units[u].name, tail);
}

static void make(const struct live_line *l, enum form form, struct parts *p)
{
	*p = (struct parts){ 0 };
	snprintf(p->text[TITLE], FIELD, "%s", l->title ? l->title : "");
	put_step(l, form, p->text[STEP]);
	put_torque(l, form, p->text[TORQUE]);
	if (isfinite(l->speed_rpm)) {
		number(p->text[SPEED], FIELD, form == SHORT && fabs(l->speed_rpm) >= 10 ? 0 : 1, l->speed_rpm);
		strcat(p->text[SPEED], " rpm");
	}
	put_power(l, p->text[POWER]);
	put_phase(l, form, p->text[PHASE]);
	left_text(l->left_low_s, l->left_high_s, form, p->text[LEFT], FIELD);
	snprintf(p->text[STOP], FIELD, "%s", l->stop ? l->stop : "");
}

static int columns_of(const char *text)
{
	int n = 0;

	for (; *text; text++)
		n += ((unsigned char)*text & 0xC0) != 0x80;
	return n;
}

static int width(const struct parts *p, int gap)
{
	int n = 0;

	for (int i = 0; i < FIELDS; i++)
		if (p->text[i][0])
			n += columns_of(p->text[i]) + (n ? gap : 0);
	return n;
}

static void without(struct parts *p, enum field field)
{
	p->text[field][0] = '\0';
}

/* The fullest form that fits; then what may go goes. */
static int choose(const struct live_line *l, int columns, struct parts *p)
{
	static const enum field may_go[] = { LEFT, PHASE, SPEED, STOP, STEP, TORQUE };

	for (int form = LONG; form <= SHORT; form++) {
		make(l, (enum form)form, p);
		if (form == LONG && width(p, 2) <= columns)
			return 2;
		without(p, POWER);
		if (form == LONG && width(p, 2) <= columns)
			return 2;
		if (p->text[STEP][0] || form == SHORT)
			without(p, TITLE);
		for (int gap = 2; gap >= 1; gap--)
			if (width(p, gap) <= columns)
				return gap;
	}
	char phase[FIELD], *time = NULL;
	snprintf(phase, sizeof phase, "%s", p->text[PHASE]);
	time = strchr(phase, ' ');
	if (time && l->phase_s >= 0) {
		*time = '\0';
		memcpy(p->text[PHASE], phase, sizeof phase);
	}
	for (size_t i = 0; i < sizeof may_go / sizeof may_go[0] && width(p, 1) > columns; i++)
		without(p, may_go[i]);
	return 1;
}

static size_t add(char *buf, size_t size, size_t used, const char *text, int gap)
{
	int n = used < size ? snprintf(buf + used, size - used, "%*s%s", used ? gap : 0, "", text) : 0;

	return n > 0 ? used + (size_t)n : used;
}

static void add_bar(double frac, int room, char *buf, size_t size, size_t used)
{
	char bar[BAR_MOST + 1];
	int length = (room > BAR_MOST ? BAR_MOST : room) - 2;

	memset(bar, '.', sizeof bar);
	bar[0] = '[';
	frac = frac > 0 ? frac < 1 ? frac : 1 : 0; /* NaN too */
	memset(bar + 1, '=', (size_t)(frac * length));
	bar[length + 1] = ']';
	bar[length + 2] = '\0';
	add(buf, size, used, bar, 2);
}

void live_line_text(const struct live_line *l, int columns, char *buf, size_t size)
{
	struct parts p;
	int gap = choose(l, columns, &p);
	size_t used = 0;

	buf[0] = '\0';
	for (int i = 0; i < FIELDS; i++)
		if (p.text[i][0])
			used = add(buf, size, used, p.text[i], gap);
	int room = columns - columns_of(buf) - 2;
	if (gap == 2 && room >= BAR_LEAST && isfinite(l->frac))
		add_bar(l->frac, room, buf, size, used);
}

void live_left_step(struct live_left *left, double estimate_s, double spread, double dt_s)
{
	double share = 1 - exp(-fmax(0, dt_s) / DRIFT_s);

	if (left->known)
		left->s = fmax(0, left->s - fmax(0, dt_s));
	if (!(estimate_s >= 0))
		return;
	if (!left->known) {
		*left = (struct live_left){ true, estimate_s, spread };
		return;
	}
	left->s += share * (estimate_s - left->s);
	left->spread += share * (spread - left->spread);
}
