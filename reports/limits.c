/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/limits.h"
#include "reports/text.h"
#include "run/sequence.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define NEAR_FULL 0.98         /* of full scale or full current */
#define SHARE 0.05             /* of the window's samples that make a state more than a blip */
#define MOMENT 5               /* samples */
#define SPEED_SHORT 0.01       /* below its set-point by more than this: the drive does not hold it */
#define TORQUE_SHORT 0.02
#define HEAT_MARGIN_K 1.0      /* the guard stops at the limit itself, so a point ends just below it */

struct limit_rig limit_rig_of(const struct rig_profile *rig, const struct actuator_profile *actuator,
			      const struct plan_profile *plan)
{
	return (struct limit_rig){
		.cell_full_scale_Nm = rig->cell_full_scale_Nm,
		.brake_max_A = rig->brake_max_A,
		.brake_hot_degC = rig->brake_hot_degC,
		.supply_V = rig->supply_V,
		.supply_limit_A = rig->supply_limit_A,
		.cable_ohm = rig->plane == PLANE_ACTUATOR ? rig->cable_ohm.value : 0,
		.case_hot_degC = actuator->case_hot_degC,
		.winding_hot_degC = actuator->winding_hot_degC,
		.drive_limit_A = actuator->limit_current_A,
		.drive_holds_current = plan->drive == PLAN_DRIVE_CURRENT,
	};
}

static bool is_share(size_t part, size_t n)
{
	return n > 0 && (double)part > SHARE * (double)n;
}

static bool torque_short(const struct curve_point *p)
{
	double miss = p->setpoint_Nm - p->torque_Nm.value;

	return isfinite(p->setpoint_Nm) && miss > TORQUE_SHORT * fabs(p->setpoint_Nm) && miss > 3 * unc_u(p->torque_Nm);
}

static bool speed_short(const struct curve_point *p)
{
	double miss = fabs(p->setpoint_rpm) - fabs(p->speed_rpm.value);

	return isfinite(p->setpoint_rpm) && fabs(p->setpoint_rpm) > 0 && miss > SPEED_SHORT * fabs(p->setpoint_rpm) &&
	       miss > 3 * unc_u(p->speed_rpm);
}

#define NOTE(...) snprintf(p->limit_note, sizeof p->limit_note, __VA_ARGS__)

static bool cell_full(const struct limit_rig *rig, const struct limit_facts *inside, struct curve_point *p)
{
	if (inside->saturated > 0) {
		NOTE("the converter of the torque cell was at its end in %zu of %zu samples", inside->saturated, inside->n);
		return true;
	}
	if (fabs(p->torque_Nm.value) >= NEAR_FULL * rig->cell_full_scale_Nm) {
		NOTE("torque stood at the cell's full scale of %.4g N·m", rig->cell_full_scale_Nm);
		return true;
	}
	return false;
}

/* A drop-out before the window counts only when something fell short: the drive may have been restarted since. */
static bool supply_full(const struct limit_rig *rig, const struct limit_facts *before, const struct limit_facts *inside,
			bool fell_short, struct curve_point *p)
{
	if (inside->undervoltage || (fell_short && before->undervoltage)) {
		double at_V = inside->undervoltage ? inside->undervoltage_V : before->undervoltage_V;
		NOTE("the drive dropped out on undervoltage at %.3g V (indicated): the supply sagged", at_V);
		return true;
	}
	if (is_share(inside->supply_full, inside->n)) {
		NOTE("supply at its %.3g A limit, voltage down to %.3g V of %.3g V (indicated)", rig->supply_limit_A,
		     inside->min_V, rig->supply_V);
		return true;
	}
	return false;
}

static bool too_hot(const struct limit_rig *rig, const struct limit_facts *inside, struct curve_point *p)
{
	if (is_share(inside->derating, inside->n)) {
		NOTE("the drive derated itself for heat (winding %.3g °C, case %.3g °C, indicated)", p->winding_degC,
		     p->case_degC);
		return true;
	}
	if (rig->winding_hot_degC > 0 && p->winding_degC >= rig->winding_hot_degC - HEAT_MARGIN_K)
		NOTE("winding at %.3g °C (indicated), limit %.3g °C", p->winding_degC, rig->winding_hot_degC);
	else if (rig->case_hot_degC > 0 && p->case_degC >= rig->case_hot_degC - HEAT_MARGIN_K)
		NOTE("case at %.3g °C (indicated), limit %.3g °C", p->case_degC, rig->case_hot_degC);
	else if (rig->brake_hot_degC > 0 && p->brake_degC >= rig->brake_hot_degC - HEAT_MARGIN_K)
		NOTE("brake at %.3g °C (indicated), limit %.3g °C", p->brake_degC, rig->brake_hot_degC);
	else
		return false;
	return true;
}

/* The flag alone is no limit: it shows while the drive speeds up. Something must have fallen short. */
static bool drive_full(const struct limit_rig *rig, const struct limit_facts *inside, bool fell_short,
		       struct curve_point *p)
{
	if (!fell_short)
		return false;
	if (is_share(inside->current_limited, inside->n)) {
		if (rig->drive_limit_A > 0)
			NOTE("the drive held its current limit: %.3g A of %.3g A (indicated)", p->drive_A, rig->drive_limit_A);
		else
			NOTE("the drive held its current limit at %.3g A (indicated)", p->drive_A);
		return true;
	}
	if (rig->drive_holds_current && torque_short(p)) {
		NOTE("the drive held the current that the plan gives: %.3g A (indicated)", p->drive_A);
		return true;
	}
	return false;
}

static bool brake_full(const struct limit_rig *rig, struct curve_point *p)
{
	bool full = rig->brake_max_A > 0 && p->brake_A >= NEAR_FULL * rig->brake_max_A;

	if (!full || (isfinite(p->setpoint_Nm) && !torque_short(p)))
		return false;
	NOTE("brake at its full current of %.3g A (indicated)", rig->brake_max_A);
	return true;
}

void limit_of_point(const struct limit_rig *rig, const struct limit_facts *before, const struct limit_facts *inside,
		    struct curve_point *p)
{
	bool slow = speed_short(p), weak = torque_short(p), fell_short = slow || weak;

	p->limit_note[0] = '\0';
	if (cell_full(rig, inside, p))
		p->limit = LIMIT_CELL;
	else if (supply_full(rig, before, inside, fell_short, p))
		p->limit = LIMIT_SUPPLY;
	else if (too_hot(rig, inside, p))
		p->limit = LIMIT_HEAT;
	else if (drive_full(rig, inside, fell_short, p))
		p->limit = LIMIT_DRIVE;
	else if (brake_full(rig, p))
		p->limit = LIMIT_BRAKE;
	else if (slow) {
		p->limit = LIMIT_ACTUATOR;
		NOTE("speed %.4g rev/min of %.4g asked for; supply, drive and brake had room", p->speed_rpm.value,
		     p->setpoint_rpm);
	} else if (weak && fabs(p->speed_rpm.value) <= 3 * unc_u(p->speed_rpm)) {
		p->limit = LIMIT_ACTUATOR;
		NOTE("stalled at %.4g N·m of %.4g N·m asked for", p->torque_Nm.value, p->setpoint_Nm);
	} else
		p->limit = LIMIT_NONE;
}

void limit_of_left_out(const struct limit_rig *rig, const char *why, const struct limit_facts *then, struct curve *curve)
{
	char words[200];

	if (curve->end_limit != LIMIT_NONE || curve->end_note[0] != '\0')
		return;
	/* The collapse is short beside the stretch: samples count here, not their share. */
	if (then->undervoltage || then->supply_full >= MOMENT)
		curve->end_limit = LIMIT_SUPPLY;
	else if (then->derating >= MOMENT)
		curve->end_limit = LIMIT_HEAT;
	else if (then->current_limited >= MOMENT)
		curve->end_limit = LIMIT_DRIVE;
	else if (rig->brake_max_A > 0 && then->max_brake_A >= NEAR_FULL * rig->brake_max_A)
		curve->end_limit = LIMIT_BRAKE;
	else
		curve->end_limit = LIMIT_ACTUATOR;
	/* The sequence spoke to the terminal, in rpm. */
	text_swap(words, sizeof words, why, " rpm", " rev/min");
	snprintf(curve->end_note, sizeof curve->end_note, "The curve ends there (%s): %s.", limit_word(curve->end_limit), words);
}

static const struct { const char *cause; enum limit limit; const char *words; } ends[] = {
	{ "drive_dropout", LIMIT_SUPPLY, "the drive dropped out on undervoltage" },
	{ "supply_range", LIMIT_SUPPLY, "the supply left its range" },
	{ "drive_fault", LIMIT_DRIVE, "the drive reported a fault" },
	{ "cell_saturated", LIMIT_CELL, "the torque cell was full" },
	{ "overtorque", LIMIT_CELL, "the torque limit of the rig or the actuator was reached" },
	{ "brake_power", LIMIT_BRAKE, "the brake's slip power was at its limit" },
	{ "brake_energy", LIMIT_BRAKE, "the brake had taken all the heat that it may" },
	{ "brake_hot", LIMIT_HEAT, "the brake was too hot" },
	{ "actuator_hot", LIMIT_HEAT, "the actuator was too hot" },
	{ "stall", LIMIT_ACTUATOR, "the actuator stalled" },
	{ "operator", LIMIT_NONE, "the operator stopped it" },
};

void limit_of_end(const struct limit_rig *rig, const char *cause, const struct limit_facts *tail, struct curve *curve)
{
	curve->end_limit = LIMIT_NONE;
	curve->end_note[0] = '\0';
	if (cause == NULL || cause[0] == '\0')
		return;
	const char *words = NULL;
	for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
		if (strcmp(cause, ends[i].cause) == 0) {
			curve->end_limit = ends[i].limit;
			words = ends[i].words;
		}
	}
	/* Whatever the guard saw first: a supply at its limit explains a drive that stops. */
	bool supply = tail->undervoltage || is_share(tail->supply_full, tail->n);
	if (supply && (curve->end_limit == LIMIT_NONE || curve->end_limit == LIMIT_DRIVE || curve->end_limit == LIMIT_ACTUATOR))
		curve->end_limit = LIMIT_SUPPLY;
	if (curve->end_limit == LIMIT_SUPPLY && isfinite(tail->min_V))
		snprintf(curve->end_note, sizeof curve->end_note,
			 "The run ended early, %s: voltage down to %.3g V, current up to %.3g A, supply rated %.3g V and %.3g A (indicated). "
			 "The actuator is not to blame; the curve ends with the supply.",
			 words ? words : "the supply gave no more", tail->min_V, tail->max_A, rig->supply_V,
			 rig->supply_limit_A);
	else if (words != NULL)
		snprintf(curve->end_note, sizeof curve->end_note, "The run ended early: %s.", words);
	else
		snprintf(curve->end_note, sizeof curve->end_note, "The run ended early, stopped by the guard: %s.", cause);
	for (char *c = curve->end_note; *c != '\0'; c++)
		if (*c == '_')
			*c = ' ';
}
