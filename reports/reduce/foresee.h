/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the uncertainty of each point of a plan will be, before the run: the reduction itself, fed with readings that
 * such a point would give. Known beforehand are the calibration, the profiles, the brake's drag, the order of the steps
 * and a study of repeatability (reports/reduce/study.h); noise as far as an earlier sweep or the map of the brake shows
 * it (reports/reduce/expect.h). Not known: how far the zero will move (taken as half of what would be explained, common
 * practice, no source). Pure. */
#ifndef BRIDLE_REPORTS_REDUCE_FORESEE_H
#define BRIDLE_REPORTS_REDUCE_FORESEE_H

#include "calib/cell/cellcal.h"
#include "profile/actuator_profile.h"
#include "profile/plan_profile.h"
#include "profile/rig_profile.h"

struct study_source;

struct foresee_input { /* all borrowed */
	const struct rig_profile *rig;
	const struct actuator_profile *actuator;
	const struct plan_profile *plan;
	const struct cellcal *cal;
	double drag_Nm;                   /* of the brake without current; NaN: 3 % of its rating */
	bool turned;                      /* the zeros will be read by turning both ways */
	double length_s;                  /* of the sweep; NaN or 0: 600 s */
	double zero_noise_Nm, zero_dof;   /* of each zero reading, k = 1; 0 or NaN: not known, and not in it */
	double zero_u_faded_Nm;           /* of each zero that is turned, by the drag that fades; likewise */
	const struct study_source *study; /* that rig.ini names, a source of each point; NULL: none */
};

struct foresee_step {
	double torque_Nm, speed_rpm, input_W, volt_V; /* expected; volt_V at the actuator. Speed
							       * negative: backward; the torque is that along it */
	double at_s;                                  /* middle of its dwell after the first zero */
	double noise_Nm, noise_W; /* of the means of torque and input power over its dwell, k = 1; 0 or NaN as above */
	int direction;            /* of the load, as of a point */
	double fluctuation_Nm; /* of the torque within the dwell, which shakes the cradle's bearing loose; likewise */
};

struct foreseen {
	double u_torque_Nm, U_torque_Nm, u_efficiency, U_efficiency; /* NaN: not to be told, or means nothing */
	char source[64];    /* the largest of the torque, those of one kind together; "" when there is none */
	double share;       /* of the variance, 0 to 1 */
	double U_part_Nm;   /* what it alone would give, with the coverage of the whole */
	double U_common_Nm; /* without the noise of the point's own window: no dwell makes it smaller */
	double U_halved_Nm; /* of the torque, were that source half as large */
	char advice[400];   /* U and its largest part, what would make it smaller, what twice the dwell would do */
	char cannot[160];   /* why the plan's target cannot be reached; "" it can or there is none (ready_foresee) */
};

/* steps in the order of the sweep, between two zeros or with one where the way of turning changes: the branch of the
 * calibration is that of their history. ret[n]. RC_NOMEM; else what is wrong with a step leaves NaN. */
enum rc foresee(const struct foresee_input *in, const struct foresee_step *steps, size_t n, struct foreseen *ret,
		struct err *err) MUST_CHECK;

#endif
