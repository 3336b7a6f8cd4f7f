/* SPDX-License-Identifier: GPL-3.0-or-later */
/* cmocka's assert_float_equal compares as float; this one as double, and NaN is never near. After cmocka.h. */
#ifndef BRIDLE_TESTS_NEAR_H
#define BRIDLE_TESTS_NEAR_H

#include <math.h>

#define assert_near(found, expected, tolerance) \
	do { \
		double near_found = (found), near_expected = (expected), near_tolerance = (tolerance); \
		if (!(fabs(near_found - near_expected) <= near_tolerance)) \
			fail_msg("%s: found %.15g, expected %.15g +- %.3g", #found, near_found, near_expected, \
				 near_tolerance); \
	} while (0)

#endif
