/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/plausible.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define PI 3.14159265358979323846
#define CARRIES_LOAD (1.0 / 3)
#define HEAVY 0.4
#define MOST_POINTS 400
#define UNKNOWN_EFFICIENCY 0.5 /* [forecast] efficiency when it is left out */

/* What each is about, for sentences: found, expected, and what to look at. */
static const struct {
	const char *word, *found, *expected, *look;
} checks[PLAUSIBLE_CHECKS] = {
	[PLAUSIBLE_BRAKE] = { "brake_torque", "the map gives", "[brake] torque of rig.ini makes it",
			      "Check [arm] length, the weights, [brake] torque and [brake] current" },
	[PLAUSIBLE_CELL] = { "cell_span", "the cell's full scale would be", "rig.ini and the converter let expect",
			     "Check [arm] length, the weights and [cell] full_scale" },
	[PLAUSIBLE_EFFICIENCY] = { "efficiency", "the best efficiency measured is", "the actuator's file expects",
				   "Check torque, speed, the meter's gains and plane, and the forecast" },
	[PLAUSIBLE_ENERGY] = { "energy", "the best efficiency measured is", "nothing exceeds",
			       "Check torque, speed, the meter's gains and plane" },
	[PLAUSIBLE_GEAR] = { "gear_ratio", "rotor and output turn as", "[actuator] ratio says",
			     "Check [actuator] ratio and [pickup] pulses" },
	[PLAUSIBLE_TORQUE_CONSTANT] = { "torque_constant", "torque by the drive's current is", "[drive] k_t says",
					"Check [drive] k_t (at the output), [arm] length and the cell" },
	[PLAUSIBLE_CURRENT_DRAWN] = { "input_power", "the meter reads",
				      "torque, speed and the drive's losses need at least",
				      "Check the meter's current_gain and voltage_gain" },
	[PLAUSIBLE_CLAIMED_POWER] = { "claimed_power", "rated_power is", "rated_torque at its speed makes",
				      "Check the claims in the actuator's file" },
};

static const struct {
	double factor;
	const char *what;
} slips[] = {
	{ 1000, "a factor of 1000: a unit with milli or kilo" },
	{ 100, "a factor of 100: percent, or centimetres for metres" },
	{ 60, "a factor of 60: minutes for seconds" },
	{ 2 * PI, "a factor of 2 pi: turns for radians" },
	{ 9.80665, "a factor near 10: a lever or a weight with a digit too many, or kilograms for newtons (9.81)" },
	{ 10, "a factor near 10: a lever or a weight with a digit too many, or kilograms for newtons (9.81)" },
};

const char *plausible_word(enum plausible_check check)
{
	return checks[check].word;
}

static bool near(double factor, double slip)
{
	return fabs(factor / slip - 1) <= PLAUSIBLE_NEAR;
}

static void name_slip(struct plausible *p, double gear_ratio)
{
	double factor = p->factor < 1 ? 1 / p->factor : p->factor;

	if (gear_ratio > PLAUSIBLE_FACTOR && near(factor, gear_ratio)) {
		snprintf(p->slip, sizeof p->slip, "a factor near the gear ratio %.4g: rotor side for output side",
			 gear_ratio);
		return;
	}
	for (size_t i = 0; i < sizeof slips / sizeof slips[0]; i++)
		if (near(factor, slips[i].factor)) {
			snprintf(p->slip, sizeof p->slip, "%s", slips[i].what);
			return;
		}
}

struct plausible plausible_compare(enum plausible_check check, double found, double expected, double most,
				   double gear_ratio, const char *unit)
{
	struct plausible p = { .check = check, .found = found, .expected = expected, .factor = found / expected };

	snprintf(p.unit, sizeof p.unit, "%s", unit);
	p.known = isfinite(found) && isfinite(expected) && found > 0 && expected > 0;
	p.refused = p.known && !(p.factor <= most && p.factor >= 1 / most);
	if (p.refused)
		name_slip(&p, gear_ratio);
	return p;
}

/* A comparison that only one side can fail. */
static struct plausible one_side(struct plausible p, bool above)
{
	if (above ? !(p.factor > 1) : !(p.factor < 1))
		p.refused = false;
	return p;
}

struct plausible plausible_brake(const struct rig_profile *rig, const struct brakemap *map,
				 const struct actuator_profile *actuator)
{
	double share = map->max_A / rig->brake_max_A;
	double most = share >= PLAUSIBLE_CURRENT ? PLAUSIBLE_FACTOR : PLAUSIBLE_FACTOR_PART;

	return plausible_compare(PLAUSIBLE_BRAKE, map->max_Nm, rig->brake_rated_Nm * fmin(share, 1), most,
				 actuator ? actuator->gear_ratio : NAN, "N\u00b7m");
}

struct plausible plausible_cell(const struct rig_profile *rig, const struct cellcal *cal)
{
	double count = fabs(rig->cell_full_scale_Nm / cellcal_slope_Nm(cal, 0));

	if (rig->cell_full_scale_count > 0)
		return plausible_compare(PLAUSIBLE_CELL, count, rig->cell_full_scale_count, PLAUSIBLE_FACTOR, NAN,
					 "counts");
	return one_side(
		plausible_compare(PLAUSIBLE_CELL, count, rig->cell_saturation_count, PLAUSIBLE_FACTOR, NAN, "counts"),
		true);
}

struct plausible plausible_claimed_power(const struct actuator_profile *a)
{
	bool given = a->rated_power_W.given && a->rated_torque_Nm.given; /* a speed of NaN or 0 is no power */

	return plausible_compare(PLAUSIBLE_CLAIMED_POWER, given ? a->rated_power_W.value : NAN,
				 a->rated_torque_Nm.value * a->rated_torque_Nm.speed_rpm * 2 * PI / 60,
				 PLAUSIBLE_FACTOR, a->gear_ratio, "W");
}

static int by_value(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

static double median(double *x, size_t n)
{
	if (n == 0)
		return NAN;
	qsort(x, n, sizeof *x, by_value);
	return n % 2 ? x[n / 2] : (x[n / 2 - 1] + x[n / 2]) / 2;
}

enum ratio { RATIO_GEAR, RATIO_K_T };

static double median_of(const struct plausible_point *points, size_t n, double least_Nm, enum ratio which)
{
	double x[MOST_POINTS];
	size_t m = 0;

	for (size_t i = 0; i < n && m < MOST_POINTS; i++) {
		const struct plausible_point *p = &points[i];
		double ratio =
			which == RATIO_GEAR ? fabs(p->rotor_rpm / p->speed_rpm) : fabs(p->torque_Nm / p->drive_A);
		if (fabs(p->torque_Nm) >= least_Nm && isfinite(ratio))
			x[m++] = ratio;
	}
	return median(x, m);
}

static const struct plausible_point *best(const struct plausible_point *points, size_t n, double least_Nm)
{
	const struct plausible_point *ret = NULL;

	for (size_t i = 0; i < n; i++)
		if (fabs(points[i].torque_Nm) >= least_Nm && points[i].efficiency > 0 &&
		    (!ret || points[i].efficiency > ret->efficiency))
			ret = &points[i];
	return ret;
}

static size_t keep(struct plausible *ret, size_t at, struct plausible p)
{
	if (!p.known)
		return at;
	ret[at] = p;
	return at + 1;
}

/* As the forecast reckons, method 4. NaN where the file knows none: 50 % is the default and no figure of the owner's.
 */
static double expected_efficiency(const struct actuator_profile *a, double shaft_W)
{
	double eta = a->peak_efficiency.given ? a->peak_efficiency.value : a->expect_efficiency;

	if (!a->peak_efficiency.given && fabs(eta - UNKNOWN_EFFICIENCY) <= 1e-9)
		return NAN;
	return shaft_W / (shaft_W / eta + a->expect_no_load_W);
}

/* A light load's efficiency is low without a slip, unless what the actuator takes without load is known. */
static bool heavy_enough(const struct actuator_profile *a, const struct plausible_point *p)
{
	double rated = a->rated_torque_Nm.given ? a->rated_torque_Nm.value : a->limit_torque_Nm;

	return a->expect_no_load_W > 0 || fabs(p->torque_Nm) >= HEAVY * rated;
}

size_t plausible_curve(const struct actuator_profile *a, const struct plausible_point *points, size_t n,
		       struct plausible ret[PLAUSIBLE_CHECKS])
{
	double most_Nm = 0;
	size_t at = 0;

	for (size_t i = 0; i < n; i++)
		most_Nm = fmax(most_Nm, fabs(points[i].torque_Nm));
	double least_Nm = CARRIES_LOAD * most_Nm;
	const struct plausible_point *top = most_Nm > 0 ? best(points, n, least_Nm) : NULL;
	double gear = median_of(points, n, least_Nm, RATIO_GEAR), k_t = median_of(points, n, least_Nm, RATIO_K_T);

	at = keep(ret, at, plausible_compare(PLAUSIBLE_GEAR, gear, a->gear_ratio, PLAUSIBLE_FACTOR, a->gear_ratio, ""));
	at = keep(ret, at,
		  plausible_compare(PLAUSIBLE_TORQUE_CONSTANT, k_t, a->k_t_Nm_per_A, PLAUSIBLE_FACTOR, a->gear_ratio,
				    "N\u00b7m/A"));
	if (!top)
		return at;
	at = keep(ret, at,
		  one_side(plausible_compare(PLAUSIBLE_ENERGY, top->efficiency, 1, PLAUSIBLE_FACTOR, a->gear_ratio, ""),
			   true));
	double shaft_W = fabs(top->torque_Nm * top->speed_rpm) * 2 * PI / 60;
	struct plausible forecast =
		plausible_compare(PLAUSIBLE_EFFICIENCY, top->efficiency, expected_efficiency(a, shaft_W),
				  PLAUSIBLE_FACTOR, a->gear_ratio, "");
	at = keep(ret, at, heavy_enough(a, top) ? forecast : one_side(forecast, true));
	return keep(ret, at,
		    one_side(plausible_compare(PLAUSIBLE_CURRENT_DRAWN, top->input_power_W, shaft_W, PLAUSIBLE_FACTOR,
					       a->gear_ratio, "W"),
			     false));
}

static void figure(const struct plausible *p, double value, char buf[40])
{
	if (p->check == PLAUSIBLE_EFFICIENCY || p->check == PLAUSIBLE_ENERGY)
		snprintf(buf, 40, "%.3g %%", 100 * value);
	else if (p->check == PLAUSIBLE_CELL)
		snprintf(buf, 40, "%.0f %s", value, p->unit);
	else
		snprintf(buf, 40, "%.3g%s%s", value, p->unit[0] ? " " : "", p->unit);
}

void plausible_sentence(const struct plausible *p, char *buf, size_t size)
{
	char found[40], expected[40], times[60];
	double factor = p->factor < 1 ? 1 / p->factor : p->factor;

	figure(p, p->found, found);
	figure(p, p->expected, expected);
	snprintf(times, sizeof times, "%.3g times %s", factor, p->factor < 1 ? "less" : "as much");
	snprintf(buf, size, "%s %s, %s %s: %s%s%s. %s", checks[p->check].found, found, checks[p->check].expected,
		 expected, times, p->slip[0] ? ", " : "", p->slip, checks[p->check].look);
}
