/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/speed_factor.h"

#include "calib/number/units.h"

#include <math.h>
#include <stddef.h>

#define NEAR 0.05

static int is_near(double factor, double of)
{
	return fabs(factor - of) <= NEAR * of;
}

const char *speed_factor_words(double factor, double gear_ratio)
{
	static const struct {
		double factor;
		const char *words;
	} units[] = {
		{ 6, " (so it would be if it told degrees per second)" },
		{ 1.0 / 6, " (so it would be if its unit were taken for degrees per second)" },
		{ 2 * UNITS_PI / 60, " (so it would be if it told radians per second)" },
		{ 1.0 / 60, " (so it would be if it told turns per second)" },
		{ 60, " (so it would be if its unit were taken for turns per second)" },
	};

	factor = fabs(factor);
	if (gear_ratio > 1 && is_near(factor, 1 / gear_ratio))
		return " (so it would be if it told the speed of the output)";
	if (gear_ratio > 1 && is_near(factor, gear_ratio))
		return " (so it would be if the rotor's speed were taken for the output's)";
	for (size_t i = 0; i < sizeof units / sizeof units[0]; i++)
		if (is_near(factor, units[i].factor))
			return units[i].words;
	return "";
}
