/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The steps of which the answers are made, for checks of each by itself. */
#ifndef BRIDLE_CALIB_THERMAL_THERMAL_MODEL_PRIVATE_H
#define BRIDLE_CALIB_THERMAL_THERMAL_MODEL_PRIVATE_H

#include "calib/thermal/thermal_model.h"

/* What one step does with a torque held. */
struct thermal_step thermal_step_at(const struct thermal_model *m, const struct thermal_loss *loss, double torque_Nm,
				    double dt_s, double ambient_degC);

/* The winding's warmest in the intermittent duty of thermal_s3_Nm, periodic; INFINITY when it never settles. */
double thermal_s3_peak_degC(const struct thermal_model *m, const struct thermal_loss *loss, double torque_Nm,
			    double cycle_s, double duty, double ambient_degC);

#endif
