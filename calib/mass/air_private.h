/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The pieces of CIPM-2007, for checks against the printed intermediate values. */
#ifndef BRIDLE_CALIB_MASS_AIR_PRIVATE_H
#define BRIDLE_CALIB_MASS_AIR_PRIVATE_H

#include "calib/mass/air.h"

double air_saturation_pressure_Pa(double temp_degC);
double air_enhancement(double pressure_Pa, double temp_degC);
double air_compressibility(double pressure_Pa, double temp_degC, double vapour_mole_frac);

#endif
