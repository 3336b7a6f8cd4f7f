/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/indicator_keys.h"

#include "calib/number/quantity.h"
#include "channel/channel.h"
#include "channel/gauge_text.h"
#include "profile/instrument_mistake.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define STANDARD_GRAVITY 9.80665 /* CGPM 1901: an indicator of mass was set somewhere; only for a check */
#define RANGE 2.0                /* of full scale either way, zero included */
#define PERIOD_MOST_S 0.2        /* the guard watches the torque; common practice, no source */

static bool fields_are_known(struct inifile *r, const char *key, const struct text_pattern *p)
{
	for (size_t i = 0; i < p->n_fields; i++) {
		int field = gauge_field_of(p->field[i]);
		bool words = text_pattern_words(p, (int)i) > 0;

		if (field < 0)
			instrument_mistake(r, key, "found {%s}, expected reading, sign, stable or over", p->field[i]);
		else if (field == GAUGE_READING && words)
			instrument_mistake(r, key, "{reading} has words, expected a number");
		else if (field != GAUGE_READING && text_pattern_words(p, (int)i) < 2)
			instrument_mistake(r, key, "{%s} needs its two words, such as {%s=%s}", p->field[i],
					   p->field[i],
					   field == GAUGE_SIGN     ? "+|-"
					   : field == GAUGE_STABLE ? "US|ST"
								   : "|OL");
		else
			continue;
		return false;
	}
	return true;
}

static bool is_multiple(double reading, double division)
{
	double steps = reading / division;

	return fabs(steps - round(steps)) < 1e-6 * fmax(1, fabs(steps));
}

static void check_example(struct inifile *r, const char *key, const struct text_pattern *p, const char *example,
			  double division)
{
	struct gauge_text told;

	if (!*example)
		instrument_mistake(r, key, "has no example; give %s_example a line as the indicator sends it", key);
	else if (!gauge_text_read(p, example, &told))
		instrument_mistake(r, key, "\"%.50s\" does not fit its form; compare both with a line of the indicator",
				   example);
	else if (division > 0 && isfinite(told.reading) && !is_multiple(told.reading, division))
		instrument_mistake(r, "division", "found %g, but the example's reading %g is no multiple of it",
				   division, told.reading);
}

/* Returns true when the form has a reading. */
static bool check_form(struct inifile *r, const char *key, const char *text, const char *example, double division)
{
	struct text_pattern p;
	char why[TEXT_PATTERN_WHY];

	if (!text_pattern_read(text, &p, why)) {
		instrument_mistake(r, key, "\"%.60s\" %s", text, why);
		return true;
	}
	if (fields_are_known(r, key, &p))
		check_example(r, key, &p, example, division);
	return text_pattern_field(&p, gauge_field_name(GAUGE_READING)) >= 0;
}

static void check_forms(struct inifile *r, const struct instrument_profile *p)
{
	static const char *const keys[PROFILE_TELLS] = { "tell", "tell_2", "tell_3" };
	bool reads = false;

	for (size_t i = 0; i < PROFILE_TELLS; i++)
		if (p->tell[i][0])
			reads |= check_form(r, keys[i], p->tell[i], p->tell_example[i], p->division);
	if (!p->tell[0][0])
		instrument_mistake(r, "tell", "is missing; an indicator needs the form of the lines that it sends");
	else if (!reads)
		instrument_mistake(r, "tell", "no form has {reading}, so that nothing is ever read");
}

/* N.m of 1 of its unit; NaN when it is none that can be one. */
static double unit_Nm(const struct instrument_profile *p, bool *ret_lever)
{
	static const struct {
		const char *unit;
		double factor;
		bool lever;
	} known[] = { { "N.m", 1, false }, { "N", 1, true }, { "kg", STANDARD_GRAVITY, true } };
	char text[PROFILE_WORD + 4];
	struct quantity q;

	snprintf(text, sizeof text, "1 %s", p->unit);
	for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
		if (quantity_parse(text, known[i].unit, &q, NULL) == RC_OK) {
			*ret_lever = known[i].lever;
			return q.value * known[i].factor;
		}
	return NAN;
}

static void check_unit(struct inifile *r, struct instrument_profile *p)
{
	bool lever = false;
	double Nm = unit_Nm(p, &lever);

	if (!(p->division > 0))
		instrument_mistake(r, "division", "is missing; give the smallest step of its reading, such as 0.005");
	if (!(Nm > 0))
		instrument_mistake(r, "unit", "found \"%.20s\", expected a unit of torque, force or mass, such as kg",
				   p->unit);
	else if (lever && !(p->lever_m > 0))
		instrument_mistake(r, "lever", "is missing; an indicator that shows %.20s needs the lever of its cell",
				   p->unit);
	else if (!lever && p->lever_m > 0)
		instrument_mistake(r, "lever", "does not go with the torque unit %.20s; leave the lever out", p->unit);
	p->division_Nm = Nm * p->division * (lever ? p->lever_m : 1);
}

void indicator_check(struct inifile *r, struct instrument_profile *p)
{
	if (strcmp(p->kind, "indicator") != 0)
		return;
	instrument_check_line(r, "ask", p->ask);
	check_forms(r, p);
	check_unit(r, p);
	if (!(p->period_s <= PERIOD_MOST_S))
		instrument_mistake(r, "period", "found %g s, expected at most %g s for what the guard watches",
				   p->period_s, PERIOD_MOST_S);
}

void indicator_known(struct rig_profile *rig)
{
	for (size_t i = 0; i < rig->n_instruments; i++) {
		double count = rig->cell_full_scale_Nm / rig->instrument[i].division_Nm;

		if (!(rig->instrument[i].roles & ROLE_CELL) || !(count >= 1 && count < 1e9))
			continue;
		if (!(rig->cell_full_scale_count > 0))
			rig->cell_full_scale_count = count;
		rig->cell_saturation_count = fmin(rig->cell_saturation_count, ceil(RANGE * count));
	}
}
