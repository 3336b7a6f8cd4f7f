/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a measured curve tells about one place of the actuator's own curve, and how well: the torque at a speed, the
 * speed without load, the peak of efficiency or power, brought to the voltage at which the claims hold. Pure.
 *
 * A point is free when its samples show that the actuator gave all the speed that it has at that load and voltage
 * (curve_point.free_running). Only between free points is there a curve to go along. All other points are lower bounds:
 * the actuator carried that torque at that speed, and may do more. Between a free point and another one lies a kink.
 *
 * Between the points nothing was measured. The chord, the shape-keeping cubic (calib/fit/monotone.h) and the parabolas
 * through three neighbours disagree by what the bend allows; the widest of them, and a quarter of their spread beyond,
 * are limits. A verdict is taken from the nearer limit, not from the middle.
 *
 * Voltage: speed at a load is n = (V - R I)/k, so at the same torque it changes by n0 (Vc - V)/V, n0 the speed without
 * load (the relations of a permanent-magnet motor at constant voltage, docs/method.md section 9). A tenth of that
 * change is taken as limits of the model (common practice, no source). A lower bound is brought down by it and never
 * up. */
#ifndef BRIDLE_REPORTS_REDUCE_CLAIM_CURVE_H
#define BRIDLE_REPORTS_REDUCE_CLAIM_CURVE_H

#include "reports/reduce/curve.h"
#include "profile/sizes.h"

#define PLACES_MAX (2 * PROFILE_STEPS + 2)

enum known {
	KNOWN_NOTHING, /* no point bears on it */
	KNOWN_LEAST,   /* the actuator gave at least this */
	KNOWN_VALUE
};

struct answer {
	enum known known;
	struct unc value;    /* its u holds what is random or common to the curve, and the scatter of another window */
	double below, above; /* how far the place may lie from the value, besides u; 0 or more; above INFINITY for
				KNOWN_LEAST */
	const struct curve_point *at; /* the point next to it, NULL for KNOWN_NOTHING */
	const struct curve_point
		*lost; /* KNOWN_LEAST: the point at which a limit came first; NULL when the curve ended */
	double add_from_Nm, add_to_Nm; /* a load step between these would narrow it; NaN when none would */
};

/* One way of the sweep (rising or falling) in the order of torque, at the claims' voltage. */
struct claim_branch {
	struct unc_ctx *ctx;
	size_t n;
	struct place {
		const struct curve_point *p;
		struct unc speed_rpm; /* at the claims' voltage */
		bool free;
	} at[PLACES_MAX];
	double no_load_rpm;    /* estimate, for the voltage; NaN when there is no free point */
	double worst_off_frac; /* largest departure of the terminals' voltage from the claims', of the latter; 0 when
				  unknown */
};

/* volt: of the claims. falling false: rising, shuffled and by hand. Points that did not settle, repeats, outliers and
 * the impossible are left out. */
void claim_branch_of(const struct curve *curve, bool falling, double volt, struct claim_branch *ret);

struct answer claim_torque_at(const struct claim_branch *b, double rpm);
struct answer claim_most_torque(const struct claim_branch *b);
struct answer claim_no_load(const struct claim_branch *b);
/* at_rpm NaN: along the free points; else along the points that ran at that speed. */
struct answer claim_peak_efficiency(const struct claim_branch *b, double at_rpm);
struct answer claim_peak_power(const struct claim_branch *b);

/* Both ways know the same place: limits that hold both. */
struct answer claim_join(struct answer rising, struct answer falling);

#endif
