/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Density of moist air: the CIPM-2007 equation (Picard et al., Metrologia 45
 * (2008) 149) and the short formula of OIML R 111-1:2004, E.3-1.
 *
 * Pure arithmetic: no I/O, no globals. */
#ifndef BRIDLE_CALIB_MASS_AIR_H
#define BRIDLE_CALIB_MASS_AIR_H

#include "calib/number/err.h"
#include "calib/number/quantity.h"

#include <stdbool.h>

enum air_formula { AIR_CIPM_2007, AIR_SHORT };

struct air_state {
	struct quantity pressure_Pa;
	struct quantity temp_degC;
	struct quantity humidity_frac; /* relative humidity, 0 to 1 */
	double co2_frac; /* mole fraction of carbon dioxide; 0.0004 is usual. Not used by the short formula */
};

struct air {
	double density_kg_per_m3, u_density_kg_per_m3;
	double u_pressure_kg_per_m3, u_temp_kg_per_m3, u_humidity_kg_per_m3; /* parts from the inputs */
	double u_formula_kg_per_m3; /* 22e-6 relative (CIPM-2007), 2e-4 relative (short) */
	bool inside;                /* within the range for which the formula is stated */
};

/* Full formula: stated for 600 hPa to 1100 hPa and 15 degC to 27 degC; short: 900 hPa to 1100 hPa, 10 degC to
 * 30 degC, up to 80 %. Outside it is still computed and inside is false.
 * ret: written on success only. RC_ARG pressure outside 300 hPa..1200 hPa, temperature outside -40..60 degC,
 * humidity outside 0..1, CO2 outside 0..0.1, or not finite. */
enum rc air_density(enum air_formula formula, const struct air_state *state, struct air *ret,
		    struct err *err) MUST_CHECK;

#endif
