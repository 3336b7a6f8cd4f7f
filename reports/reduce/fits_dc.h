/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The direct-current relations fitted to a curve: T = k_t (I - I0) and
 * n = n0 - T n0/T_stall, with best efficiency (1 - sqrt(I0/I_stall))^2 and most
 * power at half the stall torque. Straight lines by ordinary least squares over
 * the loading points that only the actuator limits; what the points share
 * (lever, meter gains) goes through by source, scatter about the line is added. They hold at one voltage. Pure. */
#ifndef BRIDLE_REPORTS_REDUCE_FITS_DC_H
#define BRIDLE_REPORTS_REDUCE_FITS_DC_H

#include "reports/reduce/curve.h"

struct fits_dc {
	bool torque_current; /* the two below hold */
	struct unc k_t_Nm_per_A, no_load_A;
	bool speed_torque; /* the rest holds: speed falls with torque clearly */
	struct unc no_load_rpm, stall_Nm, max_power_W, at_power_Nm;
	bool stall_extrapolated; /* no point came near: always said with the number */
	bool with_stall_current; /* both lines: */
	struct unc stall_A, peak_efficiency;
	size_t n;                   /* points used */
	double voltage_spread_frac; /* highest to lowest voltage by their mean; NaN unknown */
};

/* held: the drive held the speed by itself, so that the second line says nothing. NaN numbers are left out. */
struct fits_dc fits_dc_of(const struct curve *curve, bool held);

/* Point on the speed-torque line at a speed. NaN when the line does not hold. */
struct unc fits_dc_torque_at(const struct curve *curve, const struct fits_dc *fit, double speed_rpm);

#endif
