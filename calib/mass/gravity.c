/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/mass/gravity.h"
#include "calib/number/units.h"

#include <math.h>

#define EQUATOR_m_per_s2 9.7803267715
#define SOMIGLIANA_K 0.001931851353
#define ECCENTRICITY2 0.00669438002290
#define FREE_AIR_per_s2 -3.086e-6

/* On the ellipsoid, latitude geodetic. */
static double gravity_normal(double latitude_rad)
{
	double s2 = sin(latitude_rad) * sin(latitude_rad);

	return EQUATOR_m_per_s2 * (1.0 + SOMIGLIANA_K * s2) / sqrt(1.0 - ECCENTRICITY2 * s2);
}

/* Derivative of the closed form by latitude, m/s2 per rad. */
static double gravity_slope(double latitude_rad)
{
	double s2 = sin(latitude_rad) * sin(latitude_rad), root2 = 1.0 - ECCENTRICITY2 * s2;
	double by_s2 = EQUATOR_m_per_s2 / sqrt(root2) *
		       (SOMIGLIANA_K + 0.5 * ECCENTRICITY2 * (1.0 + SOMIGLIANA_K * s2) / root2);

	return by_s2 * sin(2.0 * latitude_rad);
}

enum rc gravity_at(struct quantity latitude_deg, struct quantity height_m, struct gravity *ret, struct err *err)
{
	if (!(fabs(latitude_deg.value) <= 90.0))
		return err_set(err, RC_ARG, 0, "the latitude %g deg is not on this earth; expected -90 deg to 90 deg",
			       latitude_deg.value);
	if (!(height_m.value >= -500.0 && height_m.value <= 9000.0))
		return err_set(err, RC_ARG, 0, "the height %g m is not that of a workshop; expected -500 m to 9000 m",
			       height_m.value);
	if (!(latitude_deg.u >= 0 && latitude_deg.u < 90.0 && height_m.u >= 0 && height_m.u < 9000.0))
		return err_set(err, RC_ARG, 0, "the uncertainty of latitude or height is not a sensible number");
	double rad = UNITS_PI / 180.0, latitude = latitude_deg.value * rad;
	double g = gravity_normal(latitude) + FREE_AIR_per_s2 * height_m.value;
	struct gravity out = {
		.m_per_s2 = g,
		.u_latitude_m_per_s2 = fabs(gravity_slope(latitude)) * latitude_deg.u * rad,
		.u_height_m_per_s2 = fabs(FREE_AIR_per_s2) * height_m.u,
		.u_anomaly_m_per_s2 = GRAVITY_ANOMALY_FRAC * g,
	};
	out.u_m_per_s2 = hypot(hypot(out.u_latitude_m_per_s2, out.u_height_m_per_s2), out.u_anomaly_m_per_s2);
	*ret = out;
	return RC_OK;
}

enum rc gravity_given(struct quantity m_per_s2, struct gravity *ret, struct err *err)
{
	if (!(m_per_s2.value >= 9.76 && m_per_s2.value <= 9.84))
		return err_set(err, RC_ARG, 0,
			       "a gravity of %g m/s2 is found nowhere on land; expected 9.76 m/s2 to "
			       "9.84 m/s2",
			       m_per_s2.value);
	if (!(m_per_s2.u >= 0 && m_per_s2.u < 0.1))
		return err_set(err, RC_ARG, 0, "an uncertainty of gravity of %g m/s2 is not a sensible number",
			       m_per_s2.u);
	*ret = (struct gravity){ .m_per_s2 = m_per_s2.value, .u_m_per_s2 = m_per_s2.u };
	return RC_OK;
}
