/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/limit.h"
#include "profile/actuator_profile.h"
#include "profile/plan_profile.h"
#include "profile/rig_profile.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Common practice, no source, all of them. */
#define NEAR_FULL 0.98   /* of full scale or full current */
#define PLAN_FULL 0.97   /* of the current that the plan gives: the drive's own reading is good to a percent or two */
#define SHARE 0.02       /* of the window's samples that make a state more than a blip */
#define SAGGED 0.995     /* of the voltage at light load: worth a word */
#define MOMENT 3         /* samples with the supply strained that are enough where something fell short */
#define SPEED_SHORT 0.01 /* below its set-point by more than this: the drive does not hold it */
#define TORQUE_SHORT 0.02
#define DRAG_FRAC 0.05       /* of the step, and */
#define DRAG_RATED_FRAC 0.03 /* of the brake's rating: more torque than commanded by more than both is told */
#define RUNS_FRAC 0.9     /* of the samples in which the drive must say that it runs, for its silence to be believed */
#define HEAT_MARGIN_K 1.0 /* the guard stops at the limit itself, so a point ends just below it */

struct limit_rig limit_rig_of(const struct rig_profile *rig, const struct actuator_profile *actuator,
			      const struct plan_profile *plan)
{
	return (struct limit_rig){ rig, actuator, plan };
}

static bool is_share(size_t part, size_t n)
{
	return n > 0 && (double)part > SHARE * (double)n;
}

static bool torque_short(const struct curve_point *p)
{
	double miss = point_way(p) * (p->setpoint_Nm - p->torque_Nm.value);

	return isfinite(p->setpoint_Nm) && miss > TORQUE_SHORT * fabs(p->setpoint_Nm) && miss > 3 * unc_u(p->torque_Nm);
}

static bool slower_than_set(const struct curve_point *p, double by_frac)
{
	double miss = fabs(p->setpoint_rpm) - fabs(p->speed_rpm.value);

	return isfinite(p->setpoint_rpm) && fabs(p->setpoint_rpm) > 0 && miss > by_frac * fabs(p->setpoint_rpm) &&
	       miss > 3 * unc_u(p->speed_rpm);
}

/* A person's setting holds nothing: what a knob leaves is not what the drive had. */
static bool speed_short(const struct limit_rig *rig, const struct curve_point *p)
{
	return !profile_hand_drive(rig->rig) && slower_than_set(p, SPEED_SHORT);
}

static bool sinks(const struct limit_rig *rig, const struct curve_point *p)
{
	const struct instrument_profile *hand = profile_hand_drive(rig->rig);

	return hand && slower_than_set(p, hand->near_frac);
}

#define NOTE(...) snprintf(p->limit_note, sizeof p->limit_note, __VA_ARGS__)

static bool cell_full(const struct limit_rig *rig, const struct limit_facts *inside, struct curve_point *p)
{
	if (inside->saturated > 0) {
		NOTE("the converter of the torque cell was at its end in %zu of %zu samples", inside->saturated,
		     inside->n);
		return true;
	}
	if (fabs(p->torque_Nm.value) >= NEAR_FULL * rig->rig->cell_full_scale_Nm) {
		NOTE("the torque was at the cell's full scale of %.4g N·m", rig->rig->cell_full_scale_Nm);
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
	if (is_share(inside->supply_full, inside->n) || (fell_short && inside->strained >= MOMENT)) {
		NOTE("supply at its limit: %.3g A at most of %.3g A stated, voltage down to %.3g V of %.3g V at light "
		     "load (indicated)",
		     inside->max_A, rig->rig->supply_limit_A, inside->min_V, inside->open_V);
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
	if (rig->actuator->winding_hot_degC > 0 && p->winding_degC >= rig->actuator->winding_hot_degC - HEAT_MARGIN_K)
		NOTE("winding at %.3g °C (indicated), limit %.3g °C", p->winding_degC, rig->actuator->winding_hot_degC);
	else if (rig->actuator->case_hot_degC > 0 && p->case_degC >= rig->actuator->case_hot_degC - HEAT_MARGIN_K)
		NOTE("case at %.3g °C (indicated), limit %.3g °C", p->case_degC, rig->actuator->case_hot_degC);
	else if (rig->rig->brake_hot_degC > 0 && p->brake_degC >= rig->rig->brake_hot_degC - HEAT_MARGIN_K)
		NOTE("brake at %.3g °C (indicated), limit %.3g °C", p->brake_degC, rig->rig->brake_hot_degC);
	else
		return false;
	return true;
}

/* The flag alone is no limit: it shows while the drive speeds up. Something must have fallen short. */
static bool drive_full(const struct limit_facts *inside, bool fell_short, struct curve_point *p)
{
	if (!fell_short || !is_share(inside->current_limited, inside->n))
		return false;
	NOTE("the drive held its own current limit, at %.3g A (indicated)", p->drive_A);
	return true;
}

static bool plan_gives_all(const struct limit_rig *rig, double drive_A)
{
	return rig->plan->drive == PLAN_DRIVE_CURRENT && fabs(drive_A) >= PLAN_FULL * fabs(rig->plan->drive_A);
}

static bool plan_full(const struct limit_rig *rig, bool fell_short, struct curve_point *p)
{
	if (!fell_short || !plan_gives_all(rig, p->drive_A))
		return false;
	NOTE("the drive held the current that the plan gives: %.3g A of %.3g A (indicated)", p->drive_A,
	     rig->plan->drive_A);
	return true;
}

static bool brake_full(const struct limit_rig *rig, struct curve_point *p)
{
	bool full = rig->rig->brake_max_A > 0 && p->brake_A >= NEAR_FULL * rig->rig->brake_max_A;

	if (!full || (isfinite(p->setpoint_Nm) && !torque_short(p)))
		return false;
	NOTE("brake at its full current of %.3g A (indicated)", rig->rig->brake_max_A);
	return true;
}

static bool runs(const struct limit_facts *inside)
{
	return inside->n > 0 && (double)inside->enabled >= RUNS_FRAC * (double)inside->n;
}

/* All the speed that it has: the voltage is the limit, and not what anything was set to. */
static bool runs_free(const struct limit_rig *rig, const struct limit_facts *inside, const struct curve_point *p)
{
	if (!p->settled || !runs(inside) || inside->undervoltage || inside->strained >= MOMENT ||
	    is_share(inside->derating, inside->n) || is_share(inside->current_limited, inside->n))
		return false;
	if (rig->plan->drive == PLAN_SPEED)
		return speed_short(rig, p);
	return rig->plan->drive == PLAN_DRIVE_CURRENT && isfinite(p->drive_A) && !plan_gives_all(rig, p->drive_A);
}

void limit_of_point(const struct limit_rig *rig, const struct limit_facts *before, const struct limit_facts *inside,
		    struct curve_point *p)
{
	bool slow = speed_short(rig, p), weak = torque_short(p), fell_short = slow || weak;
	bool stands = fabs(p->speed_rpm.value) <= 3 * unc_u(p->speed_rpm);

	p->limit_note[0] = '\0';
	p->free_running = false;
	if (cell_full(rig, inside, p))
		p->limit = LIMIT_CELL;
	else if (supply_full(rig, before, inside, fell_short, p))
		p->limit = LIMIT_SUPPLY;
	else if (too_hot(rig, inside, p))
		p->limit = LIMIT_HEAT;
	else if (drive_full(inside, fell_short, p))
		p->limit = LIMIT_DRIVE;
	else if (plan_full(rig, fell_short, p))
		p->limit = LIMIT_PLAN;
	else if (brake_full(rig, p))
		p->limit = LIMIT_BRAKE;
	else if (sinks(rig, p)) {
		p->limit = LIMIT_NOT_KNOWN;
		NOTE("%.4g rpm under load, set by hand to %.4g rpm: the drive tells nothing, so that the samples do "
		     "not "
		     "show whether it was at a limit",
		     p->speed_rpm.value, p->setpoint_rpm);
	} else if (fell_short && !runs(inside)) {
		p->limit = LIMIT_NOT_KNOWN;
		NOTE("%.4g N·m at %.4g rpm is less than commanded, and the drive did not report that it ran",
		     p->torque_Nm.value, p->speed_rpm.value);
	} else if (weak && !stands && !p->settled) {
		/* On its way still: what it would have come to is not known. */
		p->limit = LIMIT_NOT_KNOWN;
		NOTE("not settled in the plan's time: %.4g N·m of %.4g N·m commanded, at %.4g rpm", p->torque_Nm.value,
		     p->setpoint_Nm, p->speed_rpm.value);
	} else if (slow) {
		p->limit = LIMIT_ACTUATOR;
		NOTE("speed %.4g rpm of %.4g rpm commanded, at %.4g V; supply, drive and brake were below their limits",
		     p->speed_rpm.value, p->setpoint_rpm, p->voltage_V.value);
	} else if (weak && stands) {
		p->limit = LIMIT_ACTUATOR;
		NOTE("stalled at %.4g N·m of %.4g N·m commanded", p->torque_Nm.value, p->setpoint_Nm);
	} else if (weak) {
		p->limit = LIMIT_NOT_KNOWN;
		NOTE("%.4g N·m of %.4g N·m commanded was reached, and the samples do not show why", p->torque_Nm.value,
		     p->setpoint_Nm);
	} else
		p->limit = LIMIT_NONE;
	p->free_running =
		(p->limit == LIMIT_NONE || p->limit == LIMIT_ACTUATOR) && !stands && runs_free(rig, inside, p);
}

void limit_note_step(const struct limit_rig *rig, struct curve_point *p)
{
	double over = point_way(p) * (p->torque_Nm.value - p->setpoint_Nm);

	if (!isfinite(over))
		return;
	if (torque_short(p))
		point_note(p, "%.4g N·m was not reached: %.4g N·m", p->setpoint_Nm, p->torque_Nm.value);
	else if (over > fmax(DRAG_FRAC * fabs(p->setpoint_Nm), DRAG_RATED_FRAC * rig->rig->brake_rated_Nm))
		point_note(p,
			   p->brake_A > 0.01 * rig->rig->brake_max_A ? "%.4g N·m is more than the %.4g N·m commanded"
								     : "%.4g N·m at no brake current: the brake's drag "
								       "alone is more than the %.4g N·m commanded",
			   p->torque_Nm.value, p->setpoint_Nm);
}

enum limit limit_of_moment(const struct limit_rig *rig, const struct limit_facts *m, char *ret_words)
{
	int n = snprintf(ret_words, LIMIT_WORDS, "around that moment:");

#define AND(...) (n += n < LIMIT_WORDS ? snprintf(ret_words + n, LIMIT_WORDS - (size_t)n, __VA_ARGS__) : 0)
	if (isfinite(m->max_A))
		AND(m->min_V < SAGGED * m->open_V ? " up to %.3g A, voltage down to %.3g V of %.3g V at light load"
						  : " up to %.3g A at %.3g V",
		    m->max_A, m->min_V, m->open_V);
	if (isfinite(m->max_drive_A))
		AND(", drive up to %.3g A (indicated)", m->max_drive_A);
	if (m->undervoltage || m->strained > 0) {
		AND(m->undervoltage ? "; the drive dropped out on undervoltage"
				    : "; the supply was at its limit or sagged");
		return LIMIT_SUPPLY;
	}
	if (m->derating > 0) {
		AND("; the drive derated itself for heat");
		return LIMIT_HEAT;
	}
	if (m->drive_fault || m->current_limited > 0) {
		AND(m->drive_fault ? "; the drive reported a fault" : "; the drive held its own current limit");
		return LIMIT_DRIVE;
	}
	if (plan_gives_all(rig, m->max_drive_A)) {
		AND("; the drive held the %.3g A that the plan gives", rig->plan->drive_A);
		return LIMIT_PLAN;
	}
	if (rig->rig->brake_max_A > 0 && m->max_brake_A >= NEAR_FULL * rig->rig->brake_max_A) {
		AND("; the brake was at its full %.3g A", rig->rig->brake_max_A);
		return LIMIT_BRAKE;
	}
	if (m->enabled == 0 || !isfinite(m->max_A)) {
		AND("; the samples do not show why");
		return LIMIT_NOT_KNOWN;
	}
	AND("; supply, drive and brake were below their limits");
#undef AND
	return LIMIT_ACTUATOR;
}
