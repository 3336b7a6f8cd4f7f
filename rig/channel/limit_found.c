/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/limit_found.h"

#include <math.h>
#include <stdio.h>

void limit_found_write(const struct limit_found *f, const char *unit, const char *why, char *buf, size_t size)
{
	if (!isfinite(f->held))
		snprintf(buf, size, "no limit found at %.6g rpm: %s", f->rpm, why);
	else if (!isfinite(f->failed))
		snprintf(buf, size, "no limit at %.6g rpm up to %.6g %s: %s", f->rpm, f->held, unit, why);
	else
		snprintf(buf, size, "limit at %.6g rpm: %.6g %s held, %.6g %s did not: %s", f->rpm, f->held, unit,
			 f->failed, unit, why);
}

#define SAME_DIGITS 1e-5

bool limit_found_same(double commanded, double told)
{
	return fabs(commanded - told) <= SAME_DIGITS * fabs(commanded);
}

bool limit_found_read(const char *text, struct limit_found *ret)
{
	*ret = (struct limit_found){ NAN, NAN, NAN };
	if (sscanf(text, "limit at %lf rpm: %lf %*s held, %lf", &ret->rpm, &ret->held, &ret->failed) == 3)
		return true;
	ret->held = ret->failed = NAN;
	if (sscanf(text, "no limit found at %lf rpm:", &ret->rpm) == 1)
		return true;
	if (sscanf(text, "no limit at %lf rpm up to %lf", &ret->rpm, &ret->held) != 2)
		return false;
	if (!(ret->held > 0)) /* how an older logbook says that no load held */
		ret->held = NAN;
	return true;
}
