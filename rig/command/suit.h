/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of `suit`: what was asked, what was found, its ways onto paper. */
#ifndef BRIDLE_COMMAND_SUIT_H
#define BRIDLE_COMMAND_SUIT_H

#include "calib/joint/joint_fit.h"
#include "calib/number/conformity.h"
#include "profile/mistakes.h"

#include <jansson.h>
#include <stdbool.h>

#define SUIT_VERDICTS 8

struct suit_wanted {
	const char *from, *arm, *curve, *thermal, *inertia, *ratio, *limit, *ambient, *voltage, *supply_A, *supply_W,
		*efficiency, *play, *stiffness, *reach, *tip, *out;
	double inertia_kgm2, ratio_1, limit_degC, ambient_degC, voltage_V, supply_current_A, supply_power_W,
		efficiency_1, play_arcmin, stiffness_Nm_per_arcmin, reach_m, tip_mm;
	bool any_brake; /* the supply takes power back */
};

/* A model of `hold --json`. */
struct suit_thermal {
	bool known, watts;
	struct thermal_model model;
	struct thermal_loss loss;
	double u_tau_s[2], u_resistance[2];
	double continuous_Nm, u_continuous_Nm, continuous_dof, limit_degC, ambient_degC; /* NaN where not told */
};

struct suit_verdict {
	const char *requirement, *unit, *change;
	double needed, available, u, dof, probability; /* u of the difference */
	bool at_most;                                  /* needed must stay below available; false never comes */
	enum verdict verdict;
	char rests_on[120];
};

struct suit_found {
	struct joint_sums sums;
	double peak_winding_degC, u_peak_winding_K, supply_A, supply_W, regenerated_W, tip_mm;
	size_t n, decides;
	struct suit_verdict verdict[SUIT_VERDICTS];
};

/* suit_input.c; duty and curve are the caller's: suit_duty_free, suit_curve_free, also after a failure. */
enum rc suit_duty(const struct suit_wanted *w, struct joint_duty *ret, struct mistakes *m, struct err *err) MUST_CHECK;
enum rc suit_curve(const char *path, struct joint_curve *ret, struct mistakes *m, struct err *err) MUST_CHECK;
/* What `hold` wrote; path: its name for the sentence. */
enum rc suit_thermal_of(const json_t *doc, const char *path, struct suit_thermal *ret, struct err *err) MUST_CHECK;
enum rc suit_thermal(const char *path, struct suit_thermal *ret, struct err *err) MUST_CHECK;
void suit_duty_free(struct joint_duty *d);
void suit_curve_free(struct joint_curve *c);

/* suit_figure.c: cycle.csv, curve.csv, cycle.gp and, by gnuplot, cycle.svg in that folder. */
enum rc suit_figure(const char *dir, const struct joint_duty *duty, const struct joint_curve *curve,
		    struct err *err) MUST_CHECK;

#endif
