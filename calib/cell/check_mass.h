/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Does a calibration still hold? One check weight on the calibration arm, read between two readings of the empty arm,
 * against the torque that it makes by the calibration's own weights and arm. It is best read from above, after a
 * further piece was taken off it: so load and zeros were all reached by unloading, and dry friction of the cradle's
 * bearing is the same in them.
 *
 * Judged by E_n, the difference by its own expanded uncertainty (95 %): holds when |E_n| <= 1 (ISO/IEC 17043, from
 * memory of the standard; the same criterion is the "most common" one in E. Frahm and J. D. Wright, Evaluating
 * Inter-Laboratory Comparison Data, NIST). What the two share with the same sign is no part of the uncertainty of a
 * difference (JCGM 100:2008, 5.2): arm, gravity and pieces of the calibration cancel when they are the same now. So the
 * check sees the cell, its converter and its friction, and never an error of the arm.
 *
 * Sources of the difference: the noise of the readings; the fit; mounting; what does not cancel of weights and arm; the
 * scatter from loading to loading; on which of its branches the cell and the friction of the cradle are, for the load
 * and for the zeros; temperature. The last but one come from the calibration's own readings, so that a rig with
 * friction in its bearing is not told to calibrate again.
 *
 * Pure arithmetic; allocates for the length of a call. */
#ifndef BRIDLE_CALIB_CELL_CHECK_MASS_H
#define BRIDLE_CALIB_CELL_CHECK_MASS_H

#include "calib/cell/cellcal.h"

/* What a calibration's readings say about a loading at one torque, all in N·m. */
struct check_states {
	double repeat_Nm; /* by how much one more loading scatters about their mean, standard deviation, from the rising
			   * readings of the series at each load; NaN not known */
	double repeat_dof;
	double rising_Nm; /* rising readings less the fit at this torque, mean over the series */
	double above_Nm; /* the same after a step down: the friction of the bearing has turned, the cell's own memory by
			  * half. By the friction that the branches of the calibration show; the middle of the loop
			  * where there are none */
	double loop_Nm;  /* falling less rising at this torque */
	double low_Nm;   /* the same at the lightest load: what friction leaves, and so what a zero may be off by */
	double lightest_Nm; /* load of the calibration; INFINITY without any */
};
/* A heavy load that swings shakes friction loose; one lighter than any of the calibration does not, and the series do
 * not show it. Half-width for the friction of the cradle's bearing then, of the largest torque: 25 mN·m of 50 N·m, and
 * half of it for a load read from above (common practice, no source). */
#define CHECK_LIGHT_FRAC 0.0005

struct check_mass_input {
	const struct cellcal *cal;
	const struct cellcal_point *points; /* of the calibration; NULL and 0 when they are not at hand */
	size_t n_points;
	double indication, u_indication; /* load less the mean of the zeros, with the cell's sign; its standard error */
	bool from_above;                 /* the load was reached by unloading */
	double zero_change;              /* zero after less zero before, indication */
	struct cellcal_load load;        /* what hangs, with its shifts by source */
	const struct cellcal_source *source; /* of load */
	size_t n_sources;
	bool same_arm;           /* arm, gravity and pieces are stated as they were for the calibration */
	double u_temperature_Nm; /* drift of zero and gain since the calibration, at this load; 0 unknown */
};

struct check_mass {
	double torque_Nm; /* by the calibration, on the branch that it was read on where that is known */
	double expected_Nm;
	double off_Nm, u_off_Nm, k, U_off_Nm; /* torque less expected; k: 95 %, by the shapes of the sources */
	double dof;
	double e_n; /* off by U */
	/* the larger parts, standard uncertainties in N·m */
	double u_noise_Nm, u_fit_Nm, u_weights_Nm, u_mounting_Nm, u_repeat_Nm, u_branch_Nm, u_zero_Nm, u_temperature_Nm;
	double zero_change_Nm;
	bool zero_came_back; /* to within what friction, scatter and noise let expect: three times their standard
				uncertainty */
	bool holds;          /* |e_n| <= 1 and the zero came back */
	double sensitivity;  /* indication per expected N·m: what a control chart follows over many calibrations */
};

/* RC_RANGE the reading is beyond the calibration; RC_ARG expected torque not positive; RC_NOMEM. */
enum rc check_mass_judge(const struct check_mass_input *in, struct check_mass *ret, struct err *err) MUST_CHECK;

#endif
