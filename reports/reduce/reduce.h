/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside the reduction of a run: what one window gave (reading), and the uncertain
 * numbers made of it. reduce_run.c walks the samples, reduce_point.c does the
 * arithmetic, which is pure. */
#ifndef BRIDLE_REPORTS_REDUCE_REDUCE_H
#define BRIDLE_REPORTS_REDUCE_REDUCE_H

#include "calib/cell/cellcal.h"
#include "reports/reduce/blocks.h"
#include "reports/reduce/curve.h"
#include "reports/reduce/limit.h"
#include "reports/reduce/speed.h"
#include "reports/reduce/window.h"
#include "channel/event.h"
#include "profile/plan_profile.h"
#include "profile/actuator_profile.h"
#include "profile/rig_profile.h"

/* One window, boiled down. */
struct window_means {
	struct seq_point point;
	int64_t run_id;
	struct mean count; /* raw converter counts, not yet signed by the profile */
	/* What the cell carried since the last zero, signed counts (backward: mirrored): the most, and the
	 * least since that; NaN without a zero before. */
	double turn_count, low_count;
	struct mean speed_rpm, volt, amp, power;
	struct disc disc; /* as this window shows it */
	struct blocks blocks;
	bool product; /* power is the mean of products: the node multiplies before it averages */
	double amp2;  /* mean of the squared current, A^2 */
	double temp_degC[TEMP_COUNT], brake_A, rotor_rpm, drive_A;
	struct limit_facts before, inside;
};

/* Everything that the points of a curve share. */
struct reduction {
	struct rig_profile rig;
	struct actuator_profile actuator;
	struct plan_profile plan;
	struct cellcal cal;
	struct unc_ctx *ctx; /* borrowed */
	struct cellcal_unc cell;
	uint32_t outside_drag, locked, drag_unlike, gain_temp, zero_temp, creep, clock, volt_gain, volt_offset,
		amp_gain, amp_offset, cable, meter_ripple, backward;
	double cal_degC, cal_cell_degC; /* ambient and the cell's own temperature at the calibration; NaN unknown */
	struct zero *zeros;             /* one a tare window, in order of time */
	size_t n_zeros;
};

void reduction_register(struct reduction *r); /* sources into the context; profiles and cal are set */

/* The point's numbers, limit and notes. RC_ARG no zero reading in the point's run; RC_RANGE cell calibration. */
enum rc reduce_point(const struct reduction *r, const struct window_means *reading, struct curve_point *ret,
		     struct err *err) MUST_CHECK;

/* Sets shaft power, efficiency, whether it means something and whether it is possible, from torque, speed and input
 * power; appends to p->note. Shared with hand-taken readings. coverage of the test for the impossible. */
void point_derive(struct unc_ctx *ctx, double coverage, struct curve_point *p);

/* As curve_from_run, and every sample of the runs goes past sample(ctx, ...) too (the time trace). One pass gives the
 * digest of the run itself besides: walked says that its samples went past (not those of a run that continues another
 * and took no point), misfit what logbook_samples_and_digest tells. watch may be NULL. */
struct run_watch {
	void (*sample)(void *ctx, int64_t run_id, const struct sample *sample);
	void *ctx;
	bool walked;
	char digest[LOGBOOK_DIGEST_TEXT];
	struct err misfit;
};
enum rc curve_from_run_watched(struct logbook *lb, int64_t run_id, struct run_watch *watch, struct curve **ret,
			       struct err *err) MUST_CHECK;

#endif
