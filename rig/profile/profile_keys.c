/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/profile_private.h"
#include "profile/keys_tables.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const struct profile_table *profile_table(enum profile_file which)
{
	switch (which) {
	case PROFILE_RIG: return &profile_rig_table;
	case PROFILE_ACTUATOR: return &profile_actuator_table;
	case PROFILE_PLAN: return &profile_plan_table;
	case PROFILE_WEIGHTS: return &profile_weights_table;
	}
	return NULL;
}

void profile_section_keys(const struct profile_table *table, size_t section, size_t *ret_first, size_t *ret_n)
{
	size_t first = 0, n = 0;

	while (first < table->n_keys && strcmp(table->keys[first].section, table->sections[section].name) != 0)
		first++;
	while (first + n < table->n_keys && strcmp(table->keys[first + n].section, table->sections[section].name) == 0)
		n++;
	*ret_first = first;
	*ret_n = n;
}

/* What a unit measures, for people. */
static const char *kind_of(const char *unit)
{
	static const struct {
		const char *unit, *kind;
	} kinds[] = {
		{ "N.m", "a torque" },
		{ "rpm", "a speed" },
		{ "s", "a time" },
		{ "Hz", "a rate" },
		{ "m", "a length" },
		{ "deg", "an angle" },
		{ "m/s2", "an acceleration" },
		{ "kg", "a mass" },
		{ "kg/m3", "a density" },
		{ "A", "a current" },
		{ "V", "a voltage" },
		{ "ohm", "a resistance" },
		{ "W", "a power" },
		{ "J", "an energy" },
		{ "degC", "a temperature" },
		{ "N.m/K", "a torque per kelvin" },
		{ "1/K", "a share per kelvin" },
		{ "N.m/A", "a torque per ampere" },
		{ "N.m/s", "a torque per second" },
		{ "rpm/s", "a speed per second" },
		{ "K/min", "a change of temperature per minute" },
	};

	for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
		if (strcmp(kinds[i].unit, unit) == 0)
			return kinds[i].kind;
	return "a number";
}

void profile_range_text(const struct profile_key *key, char *buf, size_t size)
{
	bool pct = key->unit && strcmp(key->unit, "1") == 0 &&
		   strchr(key->fallback ? key->fallback : key->sample, '%') && key->max < 1.5;
	double scale = pct ? 100 : 1;
	const char *unit = !key->unit ? "" : pct ? "%" : strcmp(key->unit, "1") == 0 ? "" : key->unit;
	const char *space = *unit ? " " : "";

	buf[0] = '\0';
	if (!key->unit || (!(key->min < 0) && !(key->min > 0) && !(key->max > 0)))
		return;
	if (key->flags & KEY_ABOVE)
		snprintf(buf, size, "more than %.10g and at most %.10g%s%s", key->min * scale, key->max * scale, space,
			 unit);
	else
		snprintf(buf, size, "%.10g to %.10g%s%s", key->min * scale, key->max * scale, space, unit);
}

static void choices_text(const char *choices, char *buf, size_t size)
{
	size_t at = 0;

	buf[0] = '\0';
	for (const char *word = choices; *word && at < size;) {
		size_t n = strcspn(word, "|");
		bool last = !word[n];
		const char *join = word == choices ? "" : last ? " or " : ", ";
		at += (size_t)snprintf(buf + at, size - at, "%s%.*s", join, (int)n, word);
		word += n + !last;
	}
}

void profile_expects(const struct profile_key *key, char *buf, size_t size)
{
	const char *shown = key->sample ? key->sample : key->fallback;

	switch (key->type) {
	case KEY_TEXT: snprintf(buf, size, "a text of 1 to %zu bytes", key->size - 1); return;
	case KEY_NAME: snprintf(buf, size, "a name of letters, digits, '-', '_' and '.', such as %s", shown); return;
	case KEY_VALUE: snprintf(buf, size, "%s such as %s", kind_of(key->unit), shown); return;
	case KEY_QUANTITY:
		snprintf(buf, size, "%s%s such as %s", kind_of(key->unit),
			 key->flags & KEY_UNCERTAIN ? " with its uncertainty" : "", shown);
		return;
	case KEY_SPREAD: snprintf(buf, size, "an uncertainty such as %s", shown); return;
	case KEY_WHOLE: snprintf(buf, size, "a whole number such as %s", shown); return;
	case KEY_CHOICE: choices_text(key->choices, buf, size); return;
	case KEY_SIGN: snprintf(buf, size, "+ or -"); return;
	case KEY_YESNO: snprintf(buf, size, "yes or no"); return;
	case KEY_CLAIM: snprintf(buf, size, "%s such as %s", kind_of(key->unit), shown); return;
	case KEY_STEPS:
		snprintf(buf, size, "rising steps such as \"0, 5, 10 %s\" or \"from 0 to 40 step 5 %s\"", key->unit,
			 key->unit);
		return;
	case KEY_SPEEDS:
		snprintf(buf, size, "speeds such as \"85 %s\" or \"30, 60, 90 %s\"", key->unit, key->unit);
		return;
	case KEY_DWELL: snprintf(buf, size, "a time such as %s, or a target such as \"until 0.2 %%\"", shown); return;
	}
}
