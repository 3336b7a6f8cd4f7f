/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of `suit`: what was asked, what was found, its ways onto paper. */
#ifndef BRIDLE_COMMAND_SUIT_H
#define BRIDLE_COMMAND_SUIT_H

#include "calib/joint/suit_found.h"
#include "profile/mistakes.h"

#include <jansson.h>
#include <stdbool.h>

#define SUIT_ACTUATORS 6 /* side by side */

struct suit_wanted {
	const char *from, *arm, *curve, *thermal, *inertia, *ratio, *limit, *ambient, *voltage, *supply_A, *supply_W,
		*efficiency, *play, *stiffness, *reach, *tip, *out, *actuators;
	double inertia_kgm2, ratio_1, limit_degC, ambient_degC, voltage_V, supply_current_A, supply_power_W,
		efficiency_1, play_arcmin, stiffness_Nm_per_arcmin, reach_m, tip_mm;
	/* Standard uncertainties, where one was typed with the number ("4 arcmin ± 0.5 arcmin"); else 0. */
	double u_voltage_V, u_supply_current_A, u_supply_power_W, u_efficiency_1, u_play_arcmin,
		u_stiffness_Nm_per_arcmin, u_reach_m;
	bool any_brake; /* the supply takes power back */
	bool one_way;   /* the cycle goes on from where it ends */
};

/* The run that a file comes from, "" where it does not tell. */
struct suit_run {
	char id[64]; /* as it is quoted */
	char digest[72], actuator[96];
	bool on_bench; /* of a virtual bench */
};

/* A model of `hold --json`. */
struct suit_thermal {
	bool known, watts;
	struct thermal_model model;
	struct thermal_loss loss;
	double u_tau_s[2], u_resistance[2]; /* by the scatter of the record */
	double u_loss_1;                    /* of all watts together, relative; 0: not told */
	double u_torque_1;                  /* of all torques together, which the loss goes by; 0: not told */
	double most_Nm;                     /* largest torque that was held, NaN: not told */
	struct suit_run run;                /* that it was measured in, "run 3" */
	bool case_only;                     /* of the case alone: nothing tells the winding */
	double continuous_Nm, u_continuous_Nm, continuous_dof, limit_degC, ambient_degC; /* NaN where not told */
};

/* One actuator under its duty. */
struct suit_case {
	char name[48]; /* "" where there is one alone */
	struct joint_duty duty;
	struct joint_heat heat; /* where a thermal model is known */
	struct joint_curve curve;
	struct suit_thermal thermal;
	char curve_on[240], thermal_on[240]; /* the file, and the run in which it was measured where one is known */
	struct suit_run curve_run;
	const struct suit_wanted *wanted; /* the caller's, of suit_find */
	struct suit_found found;
};

/* suit_options.c. Options as typed to numbers; RC_ARG at the first that is wrong, and where nothing says what the
 * actuator can. */
enum rc suit_options(struct suit_wanted *w, struct err *err) MUST_CHECK;
/* suit_find.c. Reads duty, curve and model of w and judges. ret: of zeros, the caller's in any case: suit_case_free. */
enum rc suit_find(const struct suit_wanted *w, struct suit_case *ret, struct mistakes *m, struct err *err) MUST_CHECK;
void suit_case_free(struct suit_case *c);
bool suit_refuted(const struct suit_found *f);       /* one of its requirements is */
bool suit_carries(const struct suit_found *f);       /* each of them is confirmed, and there is one */
const char *suit_answer(const struct suit_found *f); /* "carries it", ...: for figure and page */
bool suit_on_bench(const struct suit_case *c);       /* something that was measured comes from a virtual bench */

/* suit_change.c: the changes of c->found, by its verdicts. */
void suit_changes(const struct suit_wanted *w, struct suit_case *c);
double suit_ambient_degC(const struct suit_wanted *w, const struct suit_thermal *t);

/* suit_tell.c */
json_t *suit_json(const struct suit_found *f);
void suit_print(const struct suit_found *f);
/* With the path of the page in it; out NULL: as it is. */
json_t *suit_json_page(json_t *doc, const char *out);
void suit_print_page(const char *out);
const char *suit_unit(const struct suit_verdict *v); /* for people */
/* Width for printf so that the unit, whose one letter beyond ASCII has two bytes, fills so many columns. */
int suit_columns(int columns, const char *unit);

/* suit_many.c: the actuators of w->actuators under the duty of w; one table, one figure. Returns the exit status: 1
 * when each of them has a requirement that is refuted. */
struct cli;
int suit_many(const struct cli *cli, const struct suit_wanted *w, struct mistakes *m, struct err *err);

/* suit_input.c and suit_curve.c; duty and curve are the caller's: suit_duty_free, suit_curve_free, also after a
 * failure. A table with a column limit is points.csv of a report: of its points the heaviest at each speed stays, of
 * both ways the weaker, open (joint_fit.h) where neither the actuator nor a search ended it. */
enum rc suit_duty(const struct suit_wanted *w, struct joint_duty *ret, struct mistakes *m, struct err *err) MUST_CHECK;
enum rc suit_curve(const char *path, struct joint_curve *ret, struct mistakes *m, struct err *err) MUST_CHECK;
/* Of a report.json, or of what `hold` wrote: NULL, or no object: tells nothing. */
void suit_run_of(const json_t *doc, struct suit_run *ret);
/* Of the report.json beside a points.csv. */
void suit_curve_run(const char *path, struct suit_run *ret);
/* The arm of a file in one line, "mass 4 kg, centre 0.25 m, ...". Errors as suit_duty. */
enum rc suit_arm_text(const char *path, char *buf, size_t size, struct err *err) MUST_CHECK;
/* What `hold` wrote; path: its name for the sentence. */
enum rc suit_thermal_of(const json_t *doc, const char *path, struct suit_thermal *ret, struct err *err) MUST_CHECK;
enum rc suit_thermal(const char *path, struct suit_thermal *ret, struct err *err) MUST_CHECK;
void suit_duty_free(struct joint_duty *d);
void suit_curve_free(struct joint_curve *c);

/* suit_figure.c: for each case cycle-N.csv and curve-N.csv, N from 1 on, then cycle.gp and, by gnuplot, cycle.svg in
 * that folder, which exists: a panel for each, on the same scales. */
enum rc suit_figure(const char *dir, const struct suit_case *c, size_t n, struct err *err) MUST_CHECK;
double suit_figure_px(size_t n); /* its height */

/* suit_publish.c: the figure and suit.html into a folder, made where it is missing; one writer at a time. Where the
 * figure cannot be drawn the page stands without it, and the error says so. RC_IO, RC_RANGE, RC_NOMEM. */
enum rc suit_publish(const char *dir, const struct suit_case *c, size_t n, struct err *err) MUST_CHECK;

#endif
