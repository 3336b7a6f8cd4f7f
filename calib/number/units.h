/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Conversions between the units that the code itself uses. Units that people
 * write are read by calib/number/quantity.h. */
#ifndef BRIDLE_CALIB_NUMBER_UNITS_H
#define BRIDLE_CALIB_NUMBER_UNITS_H

#include <stdint.h>

#define UNITS_PI 3.14159265358979323846

static inline double rad_per_s_from_rpm(double speed_rpm)
{
	return speed_rpm * (UNITS_PI / 30.0);
}
static inline double rpm_from_rad_per_s(double speed_rad_per_s)
{
	return speed_rad_per_s * (30.0 / UNITS_PI);
}
static inline double s_from_ns(int64_t ns)
{
	return (double)ns * 1e-9;
}
static inline int64_t ns_from_s(double s)
{
	return (int64_t)(s * 1e9 + (s < 0 ? -0.5 : 0.5));
}
/* Power at the shaft, positive when the actuator drives it. */
static inline double shaft_power_W(double torque_Nm, double speed_rpm)
{
	return torque_Nm * rad_per_s_from_rpm(speed_rpm);
}

#endif
