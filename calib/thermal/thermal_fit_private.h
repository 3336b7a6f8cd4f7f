/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of the thermal fit: where each parameter stands, and the record as the fit follows it. */
#ifndef BRIDLE_CALIB_THERMAL_THERMAL_FIT_PRIVATE_H
#define BRIDLE_CALIB_THERMAL_THERMAL_FIT_PRIVATE_H

#include "calib/thermal/thermal_fit.h"

/* Parameters: ln tau_w, heat, [fixed], [ln tau_c, ln R_c/R_w], starts. heat is ln R_w, ln of K per Nm2, or K. */
struct thermal_layout {
	bool two, watts, torque, fixed;
	size_t at_fixed, at_case, at_start, holds, p;
};
struct thermal_layout thermal_layout(bool two, bool watts, bool torque, bool fixed, size_t holds);

/* Rows to follow: input[i] holds from row i to i + 1 (watts, or Nm2, or 1), on[i] is the share of that time under load.
 * */
struct thermal_rows {
	size_t n;
	double *time_s, *temp[THERMAL_STORES], *ambient_degC, *input, *on;
	double beside_W;
	size_t *hold;
};
enum rc thermal_rows_new(const struct thermal_record *r, size_t most, struct thermal_rows *ret,
			 struct err *err) MUST_CHECK;
void thermal_rows_free(struct thermal_rows *rows);

/* Temperatures by the equations; out[1] is left alone for one store. */
void thermal_follow(const struct thermal_layout *l, const struct thermal_rows *rows, const double *param,
		    double *out[2]);

/* Loss against torque from rows that have both: fixed part, factor of the square, copper's warming. ret_cov 3 x 3. */
enum rc thermal_loss_fit(const struct thermal_record *r, struct thermal_loss *ret, double ret_cov[3][3],
			 struct err *err) MUST_CHECK;
bool thermal_levels_differ(const struct thermal_record *r);
double thermal_loaded_Nm(const struct thermal_record *r); /* below that there is no load */

#endif
