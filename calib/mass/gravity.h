/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Acceleration of free fall at the rig: normal gravity by latitude (GRS80,
 * Moritz, Geodetic Reference System 1980, closed form of Somigliana) with the
 * linear free-air term for height, or a value that is given.
 *
 * Pure arithmetic: no I/O, no globals. */
#ifndef BRIDLE_CALIB_MASS_GRAVITY_H
#define BRIDLE_CALIB_MASS_GRAVITY_H

#include "calib/number/err.h"
#include "calib/number/quantity.h"

/* 3rd CGPM (1901). A reference for units, not the gravity of any place: up to 0.3 % off. */
#define GRAVITY_STANDARD_m_per_s2 9.80665

/* What normal gravity cannot know, relative standard uncertainty: the anomaly of the place, about 50 mGal.
 * Common practice, no source. */
#define GRAVITY_ANOMALY_FRAC 5e-5

struct gravity {
	double m_per_s2, u_m_per_s2;
	double u_latitude_m_per_s2, u_height_m_per_s2, u_anomaly_m_per_s2; /* the parts of u; 0 for a given value */
};

/* latitude: degrees, north positive; height: metres above the sea.
 * ret: written on success only. RC_ARG latitude beyond 90 deg, height outside -500 m to 9000 m, not finite. */
enum rc gravity_at(struct quantity latitude_deg, struct quantity height_m, struct gravity *ret,
		   struct err *err) MUST_CHECK;

/* A stated value, for instance from a gravimetric survey. RC_ARG outside 9.76 m/s2 to 9.84 m/s2, where no place on
 * land is. */
enum rc gravity_given(struct quantity m_per_s2, struct gravity *ret, struct err *err) MUST_CHECK;

#endif
