/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/profile_value.h"

#include "calib/number/number.h"

#include <ctype.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

static bool why_not(const struct profile_key *key, const char *reason, char *ret_why)
{
	char expects[VALUE_WHY];
	size_t n = reason ? strlen(reason) : 0;
	const char *again = reason ? strstr(reason, "; expected") : NULL;

	profile_expects(key, expects, sizeof expects);
	if (again)
		n = (size_t)(again - reason);
	snprintf(ret_why, VALUE_WHY, "%.120s%s%.*s", expects, n ? "; " : "", (int)n, n ? reason : "");
	return false;
}

static bool in_range(const struct profile_key *key, double value, char *ret_why)
{
	char range[VALUE_WHY];

	if ((value > key->min || (!(key->flags & KEY_ABOVE) && value >= key->min)) && value <= key->max)
		return true;
	profile_range_text(key, range, sizeof range);
	snprintf(ret_why, VALUE_WHY, "%.180s", range);
	return false;
}

/* As far as the value may be off: limits, or two standard uncertainties. */
static double reach(const struct quantity *q)
{
	double limits =
		q->dist == DIST_NORMAL || q->dist == DIST_T ? 2 * q->u : dist_half_width(q->dist, q->u, q->beta);

	return q->has_u ? limits : 0;
}

static bool read_quantity(const struct profile_key *key, const char *text, struct quantity *ret, char *ret_why)
{
	struct err err;
	struct quantity q;

	if (quantity_parse(text, key->unit, &q, &err) != RC_OK)
		return why_not(key, err.what, ret_why);
	if (!in_range(key, q.value, ret_why))
		return false;
	if ((key->flags & KEY_UNCERTAIN) && !q.has_u)
		return why_not(key, "write its uncertainty after \xc2\xb1", ret_why);
	if ((key->flags & KEY_ABOVE) && !(q.value - reach(&q) > key->min))
		return why_not(key, "what stands after \xc2\xb1 is as large as the value itself", ret_why);
	if ((key->flags & KEY_WHOLES) && fabs(q.value - round(q.value)) > 0)
		return why_not(key, "only a whole number can be counted", ret_why);
	*ret = q;
	return true;
}

static bool read_value(const struct profile_key *key, const char *text, double *ret, char *ret_why)
{
	struct quantity q;

	if (!read_quantity(key, text, &q, ret_why))
		return false;
	if (q.has_u)
		return why_not(key, "no uncertainty belongs here", ret_why);
	*ret = q.value;
	return true;
}

static bool read_spread(const struct profile_key *key, const char *text, double *ret, char *ret_why)
{
	struct err err;
	struct quantity q;

	if (quantity_parse(text, key->unit, &q, &err) != RC_OK)
		return why_not(key, err.what, ret_why);
	if (!q.has_u || q.value > 0 || q.value < 0)
		return why_not(key, "the value itself is left out", ret_why);
	if (!in_range(key, q.u, ret_why))
		return false;
	*ret = q.u;
	return true;
}

static bool read_text(const struct profile_key *key, const char *text, char *ret, char *ret_why)
{
	size_t n = strlen(text);

	if ((n == 0 && !(key->fallback && !*key->fallback)) || n >= key->size)
		return why_not(key, NULL, ret_why);
	for (const char *c = text; key->type == KEY_NAME && *c; c++)
		if (!isalnum((unsigned char)*c) && !strchr("-_.", *c))
			return why_not(key, NULL, ret_why);
	if (key->type == KEY_NAME && text[0] == '.')
		return why_not(key, NULL, ret_why);
	memcpy(ret, text, n + 1);
	return true;
}

static bool read_whole(const struct profile_key *key, const char *text, int *ret, char *ret_why)
{
	struct err err;
	double value;

	if (number_parse(text, &value, &err) != RC_OK)
		return why_not(key, err.what, ret_why);
	if (!in_range(key, value, ret_why))
		return false;
	if (value > floor(value))
		return why_not(key, NULL, ret_why);
	*ret = (int)value;
	return true;
}

/* Index of text among words split by '|'; -1 when it is none. */
static int choice_of(const char *choices, const char *text)
{
	size_t length = strlen(text);
	int index = 0;

	for (const char *word = choices;; index++) {
		size_t n = strcspn(word, "|");
		if (n == length && memcmp(word, text, n) == 0)
			return index;
		if (!word[n])
			return -1;
		word += n + 1;
	}
}

static bool read_choice(const struct profile_key *key, const char *text, void *ret, char *ret_why)
{
	int index = choice_of(key->choices, text);

	if (index < 0)
		return why_not(key, NULL, ret_why);
	if (key->size == sizeof(bool))
		*(bool *)ret = index != 0;
	else
		*(int *)ret = index;
	return true;
}

static bool read_claim(const struct profile_key *key, const char *text, struct claim *ret, char *ret_why)
{
	char value[200], reason[100];
	const char *at = strchr(text, '@');
	struct claim claim = { .given = true, .speed_rpm = NAN };
	struct quantity speed;
	struct err err;

	snprintf(value, sizeof value, "%.*s", at ? (int)(at - text) : (int)strlen(text), text);
	if (!read_value(key, value, &claim.value, ret_why))
		return false;
	if (at && (key->flags & KEY_NO_SPEED)) {
		snprintf(reason, sizeof reason, "a claim of the speed without load has no speed after @");
		return why_not(key, reason, ret_why);
	}
	if (at) {
		if (quantity_parse(at + 1, "rpm", &speed, &err) != RC_OK || !(speed.value >= 0) || speed.has_u) {
			snprintf(reason, sizeof reason, "after @ stands a speed such as 80 rpm");
			return why_not(key, reason, ret_why);
		}
		claim.speed_rpm = speed.value;
	}
	*ret = claim;
	return true;
}

/* ---- steps ---- */

/* A list before its units are known: "0, 5, 10 N.m" has the unit once, for all. */
struct step_list {
	size_t n;
	double number[PROFILE_STEPS];
	const char *unit[PROFILE_STEPS]; /* start of the unit written behind it; NULL: that of the next */
	size_t unit_length[PROFILE_STEPS];
};

static const char *skip(const char *s, const char *set)
{
	return s + strspn(s, set);
}

static bool number_begins(const char *s)
{
	return isdigit((unsigned char)*s) || ((*s == '-' || *s == '+' || *s == '.') && isdigit((unsigned char)s[1]));
}

/* One number and the unit behind it, which ends at a comma, at a word of the from-form or at the end. */
static const char *scan_step(const char *s, struct step_list *list)
{
	static const char *const words[] = { " to ", " step " };
	struct number number;
	size_t length;

	if (list->n == PROFILE_STEPS || number_scan(s, &number, NULL) != RC_OK)
		return NULL;
	s = skip(number.end, " \t");
	length = strcspn(s, ",");
	for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
		const char *word = strstr(s - 1, words[i]);
		if (word && (word < s || (size_t)(word - s) < length))
			length = word < s ? 0 : (size_t)(word - s);
	}
	if (number_begins(s))
		length = 0;
	list->number[list->n] = number.value;
	list->unit[list->n] = length > 0 ? s : NULL;
	list->unit_length[list->n++] = length;
	return s + length;
}

static const char *units_to_values(const struct profile_key *key, struct step_list *list)
{
	char unit[60] = "";

	for (size_t i = list->n; i-- > 0;) {
		double factor, offset;
		if (list->unit[i]) {
			if (list->unit_length[i] >= sizeof unit)
				return "the unit is too long";
			snprintf(unit, sizeof unit, "%.*s", (int)list->unit_length[i], list->unit[i]);
			for (size_t n = strlen(unit); n > 0 && isspace((unsigned char)unit[n - 1]); n--)
				unit[n - 1] = '\0';
		}
		if (!*unit)
			return "the unit is missing";
		if (quantity_convert(unit, key->unit, &factor, &offset, NULL) != RC_OK)
			return "the unit does not fit";
		list->number[i] = list->number[i] * factor + offset;
	}
	return NULL;
}

static const char *scan_range(const char *text, const struct profile_key *key, struct step_list *list)
{
	static const char *const words[] = { "from ", "to ", "step " };

	for (size_t i = 0; i < 3; i++) {
		text = skip(text, " \t");
		if (strncmp(text, words[i], strlen(words[i])) != 0)
			return "expected from ... to ... step ...";
		text = scan_step(skip(text + strlen(words[i]), " \t"), list);
		if (!text)
			return "expected a number after from, to and step";
	}
	if (*skip(text, " \t"))
		return "something follows the step";
	const char *bad = units_to_values(key, list);
	if (bad)
		return bad;
	double from = list->number[0], to = list->number[1], step = list->number[2];
	if (!(step > 0) || !(to > from))
		return "expected a step above 0 and an end above the start";
	if (!((to - from) / step < PROFILE_STEPS))
		return "too many steps";
	list->n = (size_t)floor((to - from) / step + 1e-9) + 1;
	for (size_t i = 0; i < list->n; i++)
		list->number[i] = from + (double)i * step;
	return NULL;
}

static const char *scan_list(const char *text, const struct profile_key *key, struct step_list *list)
{
	while (*text) {
		text = scan_step(text, list);
		if (!text)
			return list->n == PROFILE_STEPS ? "too many steps" : "expected a number";
		text = skip(text, " \t");
		bool comma = *text == ',';
		if (*text && !comma)
			return "put commas between the steps";
		text = skip(text + comma, " \t");
		if (comma && !*text)
			return "a number is missing after the last comma";
	}
	return units_to_values(key, list);
}

/* RANGE or list; each of them in the key's range. */
static bool read_several(const struct profile_key *key, const char *text, struct step_list *list, char *ret_why)
{
	const char *bad = strncmp(text, "from", 4) == 0 ? scan_range(text, key, list) : scan_list(text, key, list);

	if (bad || list->n == 0)
		return why_not(key, bad, ret_why);
	for (size_t i = 0; i < list->n; i++)
		if (!in_range(key, list->number[i], ret_why))
			return false;
	return true;
}

static bool speed_stated_before(const struct step_list *list, size_t i)
{
	for (size_t k = 0; k < i; k++)
		if (fabs(list->number[k] - list->number[i]) < 1e-6)
			return true;
	return false;
}

static bool read_speeds(const struct profile_key *key, const char *text, struct plan_profile *plan, char *ret_why)
{
	struct step_list list = { 0 };

	if (!read_several(key, text, &list, ret_why))
		return false;
	if (list.n > PROFILE_SPEEDS)
		return why_not(key, "too many speeds", ret_why);
	for (size_t i = 0; i < list.n; i++) {
		if (list.n > 1 && fabs(list.number[i]) < 1e-6)
			return why_not(key, "0 does not go with other speeds", ret_why);
		if (speed_stated_before(&list, i))
			return why_not(key, "a speed is there twice", ret_why);
	}
	memcpy(plan->speed_rpm, list.number, list.n * sizeof list.number[0]);
	plan->n_speeds = list.n;
	return true;
}

static bool read_steps(const struct profile_key *key, const char *text, struct plan_profile *plan, char *ret_why)
{
	struct step_list list = { 0 };

	if (!read_several(key, text, &list, ret_why))
		return false;
	for (size_t i = 0; i < list.n; i++) {
		if (i > 0 && !(list.number[i] > list.number[i - 1]))
			return why_not(key, "each step must be above the one before", ret_why);
	}
	memcpy(plan->step, list.number, list.n * sizeof list.number[0]);
	plan->n = list.n;
	return true;
}

static bool read_dwell(const struct profile_key *key, const char *text, struct plan_profile *plan, char *ret_why)
{
	struct profile_key share = *key;

	plan->until_frac = 0;
	if (strncmp(text, "until ", 6) != 0)
		return read_value(key, text, &plan->dwell_s, ret_why);
	share.unit = "1";
	share.flags |= KEY_ABOVE;
	share.max = 0.1;
	return read_value(&share, text + 6, &plan->until_frac, ret_why);
}

bool value_read(const struct profile_key *key, const char *text, void *base, char ret_why[VALUE_WHY])
{
	void *field = (char *)base + key->offset;

	switch (key->type) {
	case KEY_TEXT:
	case KEY_NAME: return read_text(key, text, field, ret_why);
	case KEY_VALUE: return read_value(key, text, field, ret_why);
	case KEY_QUANTITY: return read_quantity(key, text, field, ret_why);
	case KEY_SPREAD: return read_spread(key, text, field, ret_why);
	case KEY_WHOLE: return read_whole(key, text, field, ret_why);
	case KEY_CHOICE: return read_choice(key, text, field, ret_why);
	case KEY_SIGN:
		if (strcmp(text, "+") != 0 && strcmp(text, "-") != 0)
			return why_not(key, NULL, ret_why);
		*(int *)field = text[0] == '+' ? 1 : -1;
		return true;
	case KEY_YESNO:
		if (strcmp(text, "yes") != 0 && strcmp(text, "no") != 0)
			return why_not(key, NULL, ret_why);
		*(bool *)field = text[0] == 'y';
		return true;
	case KEY_CLAIM: return read_claim(key, text, field, ret_why);
	case KEY_STEPS: return read_steps(key, text, base, ret_why);
	case KEY_SPEEDS: return read_speeds(key, text, base, ret_why);
	case KEY_DWELL: return read_dwell(key, text, base, ret_why);
	}
	return false;
}
