/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/limit.h"

#include "channel/cause.h"
#include "channel/event.h"
#include "reports/reduce/text.h"
#include "profile/actuator_profile.h"
#include "profile/plan_profile.h"
#include "profile/rig_profile.h"

#include <math.h>
#include <stdio.h>
#include <ctype.h>
#include <string.h>

/* By its size: the commanded way of turning counts as forward. */
static double reached_Nm(const struct curve_point *p)
{
	return point_way(p) * p->torque_Nm.value;
}

/* A run that lost its speed says something about the actuator only when the curve had come to its own limit before. */
static bool was_free(const struct curve *curve)
{
	const struct curve_point *heaviest = NULL;

	for (size_t i = 0; i < curve->n; i++) {
		const struct curve_point *p = &curve->points[i];
		if (p->settled && p->direction >= 0 && (!heaviest || reached_Nm(p) > reached_Nm(heaviest)))
			heaviest = p;
	}
	return heaviest && heaviest->free_running;
}

static enum limit moment_of_curve(const struct limit_rig *rig, const struct limit_facts *moment,
				  const struct curve *curve, char *words)
{
	enum limit limit = limit_of_moment(rig, moment, words);

	return limit == LIMIT_ACTUATOR && !was_free(curve) ? LIMIT_NOT_KNOWN : limit;
}

void limit_of_left_out(const struct limit_rig *rig, const char *why, const struct limit_facts *moment,
		       struct curve *curve)
{
	char words[LIMIT_WORDS] = "";
	const struct curve_point *last = NULL;

	if (curve->end_limit != LIMIT_NONE || curve->end_note[0] != '\0')
		return;
	for (size_t i = 0; i < curve->n; i++)
		if (curve->points[i].direction >= 0 && (!last || reached_Nm(&curve->points[i]) > reached_Nm(last)))
			last = &curve->points[i];
	if (moment != NULL)
		curve->end_limit = moment_of_curve(rig, moment, curve, words);
	else if (last != NULL) {
		curve->end_limit = last->limit;
		snprintf(words, sizeof words, "%s", last->limit_note);
	}
	if (curve->end_limit == LIMIT_NONE)
		curve->end_limit = LIMIT_NOT_KNOWN;
	words[0] = (char)toupper((unsigned char)words[0]);
	snprintf(curve->end_note, sizeof curve->end_note, "End of the curve (%s): %s%s%s.",
		 limit_word(curve->end_limit), why, words[0] ? ". " : "", words);
}

/* --- where a search found it --- */
static double load_of(const struct limit_rig *rig, const struct curve_point *p)
{
	return rig->plan->load == LOAD_TORQUE ? fabs(p->setpoint_Nm) : p->setpoint_A;
}

/* The point on the way up that was commanded that load. */
static struct curve_point *taken_at(const struct limit_rig *rig, struct curve *curve, double rpm, double load)
{
	for (size_t i = 0; i < curve->n; i++) {
		struct curve_point *p = &curve->points[i];
		if (p->direction > 0 && !(p->flags & POINT_REPEAT) && limit_found_same(p->setpoint_rpm, rpm) &&
		    limit_found_same(load_of(rig, p), load))
			return p;
	}
	return NULL;
}

void limit_of_place(const struct limit_rig *rig, const char *sentence, const struct limit_facts *moment,
		    struct curve *curve)
{
	struct curve_limit place = { .torque = rig->plan->load == LOAD_TORQUE, .limit = LIMIT_NONE };
	char words[LIMIT_WORDS];

	if (curve->n_limits >= PROFILE_SPEEDS || !limit_found_read(sentence, &place.found))
		return;
	const struct limit_found *f = &place.found;
	struct curve_point *held = taken_at(rig, curve, f->rpm, f->held);
	if (isfinite(f->failed)) {
		/* A load that held once and fell when it was taken again has a point that tells of no limit. */
		bool fell = strstr(sentence, ": the speed fell") != NULL;
		const struct curve_point *failed = fell ? NULL : taken_at(rig, curve, f->rpm, f->failed);
		place.limit = failed   ? failed->limit
			      : moment ? moment_of_curve(rig, moment, curve, words)
				       : LIMIT_NOT_KNOWN;
		place.limit = place.limit == LIMIT_NONE ? LIMIT_NOT_KNOWN : place.limit;
	}
	if (held && isfinite(f->failed)) {
		held->at_limit = true;
		point_note(held, "the limit at %.4g rpm: %.4g %s did not hold (%s)", f->rpm, f->failed,
			   place.torque ? "N\u00b7m" : "A", limit_word(place.limit));
	}
	snprintf(place.text, sizeof place.text, "%s%s%s%s", sentence, isfinite(f->failed) ? " (" : "",
		 isfinite(f->failed) ? limit_word(place.limit) : "", isfinite(f->failed) ? ")" : "");
	curve_remark(curve, "Search for the limit: %s.", place.text);
	curve->limits[curve->n_limits++] = place;
}

/* --- ends by the guard --- */
/* A stated limit, its value and where it stands. The smallest of several is the one that decided. */
struct stated {
	double value;
	const char *unit, *key;
	bool of_actuator;
};

static struct stated least_torque(const struct limit_rig *r)
{
	const struct stated all[] = {
		{ r->rig->limit_torque_Nm, "N·m", "[limits] torque", false },
		{ r->rig->coupling_Nm, "N·m", "[limits] coupling", false },
		{ r->rig->cell_full_scale_Nm, "N·m", "[cell] full_scale", false },
		{ r->actuator->limit_torque_Nm, "N·m", "[limits] torque", true },
	};
	struct stated least = { .value = INFINITY };

	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
		if (all[i].value > 0 && all[i].value < least.value)
			least = all[i];
	return least;
}

static struct stated least_speed(const struct limit_rig *r)
{
	bool of_actuator = r->actuator->limit_speed_rpm > 0 && r->actuator->limit_speed_rpm < r->rig->limit_speed_rpm;

	return (struct stated){ of_actuator ? r->actuator->limit_speed_rpm : r->rig->limit_speed_rpm, "rpm",
				"[limits] speed", of_actuator };
}

static struct stated stated_limit(const struct limit_rig *r, enum cause cause)
{
	const struct rig_profile *rig = r->rig;
	const struct {
		enum cause cause;
		struct stated stated;
	} all[] = {
		{ CAUSE_OVERTORQUE, least_torque(r) },
		{ CAUSE_OVERSPEED, least_speed(r) },
		{ CAUSE_CELL_SATURATED, { rig->cell_saturation_count, "counts", "[cell] saturation", false } },
		{ CAUSE_BRAKE_POWER,
		  { rig->slip_power_short_W > 0 ? rig->slip_power_short_W : rig->slip_power_W, "W",
		    rig->slip_power_short_W > 0 ? "[brake] slip_power_short" : "[brake] slip_power", false } },
		{ CAUSE_BRAKE_ENERGY, { rig->slip_energy_J, "J", "[brake] slip_energy", false } },
		{ CAUSE_BRAKE_HOT, { rig->brake_hot_degC, "°C", "[brake] temperature", false } },
		{ CAUSE_ACTUATOR_HOT, { r->actuator->case_hot_degC, "°C", "[limits] case or winding", true } },
		{ CAUSE_DRIVE_DROPOUT, { r->actuator->voltage_min_V, "V", "[drive] dropout", true } },
		{ CAUSE_SUPPLY_RANGE, { rig->supply_min_V, "V", "[supply] voltage_min or voltage_max", false } },
		{ CAUSE_STALL, { rig->stall_s, "s", "[limits] stall", false } },
	};

	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
		if (cause == all[i].cause && all[i].stated.value > 0 && isfinite(all[i].stated.value))
			return all[i].stated;
	return (struct stated){ .value = NAN };
}

void limit_of_end(const struct limit_rig *rig, const char *cause, const struct limit_facts *moment, struct curve *curve)
{
	char words[LIMIT_WORDS], where[160] = "";

	curve->end_limit = LIMIT_NONE;
	curve->end_note[0] = '\0';
	if (cause == NULL || cause[0] == '\0')
		return;
	const enum cause id = cause_of_word(cause);
	const char *ended = cause_row(id)->ended;
	curve->end_limit = cause_row(id)->limit;
	enum limit seen = moment_of_curve(rig, moment, curve, words);
	/* A supply at its limit explains a drive that stops and a shaft that stands. */
	bool by_samples = curve->end_limit == LIMIT_ACTUATOR || curve->end_limit == LIMIT_NOT_KNOWN ||
			  (seen == LIMIT_SUPPLY && curve->end_limit == LIMIT_DRIVE);
	if (by_samples)
		curve->end_limit = seen;
	struct stated limit = stated_limit(rig, id);
	if (isfinite(limit.value))
		snprintf(where, sizeof where, " (%.4g %s, stated by %s%s%s %s)", limit.value, limit.unit,
			 limit.of_actuator ? "actuators/" : "rig.ini", limit.of_actuator ? rig->plan->actuator : "",
			 limit.of_actuator ? ".ini" : "", limit.key);
	bool numbers = by_samples || curve->end_limit == LIMIT_SUPPLY;
	snprintf(curve->end_note, sizeof curve->end_note, "The run ended early: %s%s%s%s.%s", ended ? ended : cause,
		 where, numbers ? "; " : "", numbers ? words : "",
		 curve->end_limit == LIMIT_SUPPLY ? " This is no limit of the actuator: the supply ended the curve."
						  : "");
}
