/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/doubts.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define LIGHT_FRAC 0.4 /* of the cell's full scale: lighter weights leave most of it to extrapolation */

static struct doubt *add(struct doubts *d, bool refuses, const char *word)
{
	struct doubt *ret = &d->list[d->n < DOUBTS_MOST ? d->n++ : DOUBTS_MOST - 1];

	*ret = (struct doubt){ .refuses = refuses, .found = NAN, .expected = NAN };
	snprintf(ret->word, sizeof ret->word, "%s", word);
	return ret;
}

static void say(struct doubts *d, bool refuses, const char *word, const char *format, ...) PRINTF_LIKE(4, 5);
static void say(struct doubts *d, bool refuses, const char *word, const char *format, ...)
{
	struct doubt *one = add(d, refuses, word);
	va_list args;

	va_start(args, format);
	vsnprintf(one->text, sizeof one->text, format, args);
	va_end(args);
}

static void compared(struct doubts *d, struct plausible p, bool refuses)
{
	if (!p.refused)
		return;
	struct doubt *one = add(d, refuses, plausible_word(p.check));
	one->acceptable = refuses;
	one->found = p.found;
	one->expected = p.expected;
	plausible_sentence(&p, one->text, sizeof one->text);
}

static void check_weight(const struct session *s, struct doubts *d)
{
	char names[200] = "";
	size_t at = 0;

	if (!s->rig.check_piece[0] || profile_piece(&s->weights, s->rig.check_piece) >= 0)
		return;
	for (size_t i = 0; i < s->weights.n && at < sizeof names; i++)
		at += (size_t)snprintf(names + at, sizeof names - at, "%s%s", i ? ", " : "; there is ",
				       s->weights.piece[i].name);
	say(d, true, "check_weight", "rig.ini: [check] weight: found \"%s\", expected a section of weights.ini%s",
	    s->rig.check_piece, names);
}

static void weights_by_full_scale(const struct session *s, struct doubts *d)
{
	double mass_kg = 0, full_Nm = s->rig.cell_full_scale_Nm;

	for (size_t i = 0; i < s->weights.n; i++)
		mass_kg += s->weights.piece[i].mass_kg.value;
	double all_Nm = mass_kg * profile_gravity(&s->rig).value * s->rig.arm_m.value;
	if (all_Nm > 0 && all_Nm < LIGHT_FRAC * full_Nm) {
		struct plausible p = plausible_compare(PLAUSIBLE_CELL, all_Nm, full_Nm, PLAUSIBLE_FACTOR, NAN, "");
		say(d, false, "weights",
		    "all weights on the arm make %.3g N\u00b7m, the cell's full scale is %.3g N\u00b7m: most of its "
		    "range stays "
		    "extrapolated%s%s. Check [arm] length and the weights",
		    all_Nm, full_Nm, p.slip[0] ? "; " : "", p.slip);
	}
}

static void actuator_by_rig(const struct session *s, struct doubts *d)
{
	const struct actuator_profile *a = &s->actuator;

	if (!(a->voltage_min_V < s->rig.supply_V))
		say(d, true, "dropout",
		    "the drive drops out below %.4g V ([drive] dropout), but [supply] voltage is %.4g V",
		    a->voltage_min_V, s->rig.supply_V);
	compared(d, plausible_claimed_power(a), false);
	double most_Nm = a->k_t_Nm_per_A * a->limit_current_A,
	       claimed_Nm = a->peak_torque_Nm.given ? a->peak_torque_Nm.value : NAN;
	if (most_Nm > 0 && most_Nm * PLAUSIBLE_FACTOR < claimed_Nm)
		say(d, false, "torque_constant",
		    "[drive] k_t times [limits] current makes %.4g N\u00b7m at most, but peak_torque claims %.4g "
		    "N\u00b7m",
		    most_Nm, claimed_Nm);
}

static void records(const struct session *s, struct doubts *d)
{
	if (s->calibration_id)
		compared(d, plausible_cell(&s->rig, &s->calibration), true);
	else
		say(d, false, "not_calibrated", "the cell is not calibrated yet; bridle hang does it");
	if (s->map_id)
		compared(d, plausible_brake(&s->rig, &s->map, s->has_actuator ? &s->actuator : NULL), true);
	else
		say(d, false, "not_mapped", "the brake is not mapped yet; bridle map does it");
}

static void forecast(const struct session *s, const struct forecast *f, struct doubts *d)
{
	char text[400];

	if (f->ok && !f->warns)
		return;
	if (f->ok)
		forecast_warning_sentence(f, &s->plan, text, sizeof text);
	else
		forecast_sentence(f, &s->plan, text, sizeof text);
	say(d, !f->ok, forecast_check_word(f->ok ? f->warning : f->decides), "plan %s: %s", s->plan_name, text);
}

void doubts_find(const struct session *s, const struct forecast *f, struct doubts *ret)
{
	*ret = (struct doubts){ 0 };
	check_weight(s, ret);
	weights_by_full_scale(s, ret);
	if (s->has_actuator)
		actuator_by_rig(s, ret);
	records(s, ret);
	if (f && s->has_plan)
		forecast(s, f, ret);
}
