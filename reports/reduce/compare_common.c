/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/compare_private.h"

#include <math.h>
#include <string.h>

static bool same_number(double a, double b)
{
	return (isnan(a) && isnan(b)) || (a <= b && a >= b);
}

static bool alike(struct quantity a, struct quantity b)
{
	return same_number(a.value, b.value) && same_number(a.u, b.u);
}

struct sameness sameness_of(const struct compare_side *a, const struct compare_side *b)
{
	const struct cellcal *x = &a->report->cal, *y = &b->report->cal;
	struct sameness s = { .a = a->report, .b = b->report };

	/* One record, also from two packs: written at one nanosecond with one curve. */
	s.calibration = a->report->cal_wall_ns == b->report->cal_wall_ns && same_number(x->coef[1], y->coef[1]) &&
			same_number(x->max_Nm, y->max_Nm) && x->n_sources == y->n_sources;
	s.rig = s.calibration ||
		(strcmp(a->origin, b->origin) == 0 && strcmp(a->report->rig.name, b->report->rig.name) == 0);
	return s;
}

/* What a profile states is the same thing while it is stated alike. */
static bool profile_source(const struct sameness *s, const char *name)
{
	const struct rig_profile *a = &s->a->rig, *b = &s->b->rig;
	const struct {
		const char *name;
		bool alike;
	} list[] = {
		{ "drag of the bearing outside the cradle", alike(a->outside_drag_Nm, b->outside_drag_Nm) },
		{ "drag unlike both ways at zero", alike(a->drag_ratio, b->drag_ratio) },
		{ "cell gain with temperature", alike(a->gain_drift_per_K, b->gain_drift_per_K) },
		{ "cell zero with temperature", alike(a->zero_drift_Nm_per_K, b->zero_drift_Nm_per_K) },
		{ "cell creep", alike(a->creep_frac, b->creep_frac) },
		{ "node clock", same_number(a->node_clock_ppm_u, b->node_clock_ppm_u) },
		{ "voltmeter gain", alike(a->volt_gain, b->volt_gain) },
		{ "voltmeter offset", alike(a->volt_offset_V, b->volt_offset_V) },
		{ "ammeter gain", alike(a->amp_gain, b->amp_gain) },
		{ "ammeter offset", alike(a->amp_offset_A, b->amp_offset_A) },
		{ "ripple inside the meter's averages", alike(a->meter_ripple, b->meter_ripple) },
		{ "cable resistance", alike(a->cable_ohm, b->cable_ohm) },
		{ "sensor of the winding", alike(a->winding_off_K, b->winding_off_K) },
		{ "sensor of the case", alike(a->case_off_K, b->case_off_K) },
		{ "sensor of the ambient", alike(a->ambient_off_K, b->ambient_off_K) },
	};

	for (size_t i = 0; i < sizeof list / sizeof list[0]; i++)
		if (strcmp(list[i].name, name) == 0)
			return list[i].alike;
	return false;
}

static bool in_calibration(const struct cellcal *cal, const char *name)
{
	for (size_t i = 0; i < cal->n_sources; i++)
		if (strcmp(cal->source[i].name, name) == 0)
			return true;
	return false;
}

bool source_is_common(const struct sameness *s, const char *name)
{
	const struct rig_profile *a = &s->a->rig, *b = &s->b->rig;

	if (!s->rig || strcmp(name, "mounting of the cell") == 0)
		return false;
	if (profile_source(s, name))
		return true;
	bool both = in_calibration(&s->a->cal, name) && in_calibration(&s->b->cal, name);
	if (s->calibration)
		return both || strncmp(name, "curve of the calibration", strlen("curve of the calibration")) == 0;
	/* Another calibration of the same rig: the same arm, place and weights, where they are stated alike. */
	if (strcmp(name, "calibration arm") == 0)
		return both && alike(a->arm_m, b->arm_m);
	if (strcmp(name, "gravity") == 0)
		return both && alike(profile_gravity(a), profile_gravity(b));
	return both && strncmp(name, "mass of ", strlen("mass of ")) == 0;
}
