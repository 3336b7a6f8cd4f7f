/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/supply_orders.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

void supply_orders_init(struct supply_orders *o, double most_V, double most_A)
{
	*o = (struct supply_orders){ .most_V = most_V, .most_A = most_A };
}

static bool set(struct supply_orders *o, const char *value, double most, double *ret)
{
	char *end;
	double v = strtod(value, &end);

	if (end == value || *end != '\0' || !(v >= 0 && v <= most))
		o->out_of_range = true;
	else
		*ret = v;
	return true;
}

static bool switch_output(struct supply_orders *o, const char *value)
{
	bool on = strcasecmp(value, "ON") == 0 || strcmp(value, "1") == 0;

	if ((!on && strcasecmp(value, "OFF") != 0 && strcmp(value, "0") != 0) || (on && o->refuses))
		o->out_of_range = true;
	else
		o->on = on;
	return true;
}

bool supply_orders_obey(struct supply_orders *o, const char *word, char *say, size_t size)
{
	say[0] = '\0';
	if (strncasecmp(word, "VOLT ", 5) == 0)
		return set(o, word + 5, o->most_V, &o->set_V);
	if (strncasecmp(word, "CURR ", 5) == 0)
		return set(o, word + 5, o->most_A, &o->limit_A);
	if (strncasecmp(word, "OUTP ", 5) == 0)
		return switch_output(o, word + 5);
	if (strcasecmp(word, "*CLS") == 0) {
		o->latched = o->out_of_range = false;
	} else if (strcasecmp(word, "VOLT?") == 0) {
		snprintf(say, size, "%.4f", o->set_V);
	} else if (strcasecmp(word, "CURR?") == 0) {
		snprintf(say, size, "%.4f", o->limit_A);
	} else if (strcasecmp(word, "OUTP?") == 0) {
		snprintf(say, size, "%d", o->on);
	} else if (strcasecmp(word, "STAT:QUES:EVEN?") == 0) {
		snprintf(say, size, "%d", o->latched);
		o->latched = false;
	} else if (strcasecmp(word, "STAT:QUES:COND?") == 0) {
		snprintf(say, size, "%d", o->limiting);
	} else {
		return false;
	}
	return true;
}

void supply_orders_look(struct supply_orders *o, bool limiting)
{
	o->latched |= limiting && !o->limiting;
	o->limiting = limiting;
}
