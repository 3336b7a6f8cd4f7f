/* SPDX-License-Identifier: GPL-3.0-or-later */
/* All mistakes of a file; fixed room, the rest is counted. */
#ifndef BRIDLE_PROFILE_MISTAKES_H
#define BRIDLE_PROFILE_MISTAKES_H

#include <stddef.h>

struct mistakes {
	size_t n, more;
	char line[32]
		 [300]; /* "rig.ini:12: [cell] full_scale: found \"60\", expected a torque with a unit (such as N.m)" */
};

#endif
