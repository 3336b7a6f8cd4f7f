/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Stands between the program and its search for the second executable (tests/unit/meson.build): the warden of this
 * build, which BRIDLE_WARDEN names. After cmocka.h. */
#ifndef BRIDLE_TESTS_BESIDE_SCENE_H
#define BRIDLE_TESTS_BESIDE_SCENE_H

#include "calib/number/err.h"

#include <stdio.h>
#include <stdlib.h>

enum rc __wrap_program_beside(const char *name, char *path, size_t size, struct err *err);
enum rc __wrap_program_beside(const char *name, char *path, size_t size, struct err *err)
{
	const char *there = getenv("BRIDLE_WARDEN");

	assert_string_equal(name, "bridle-warden");
	assert_non_null(there);
	(void)err;
	snprintf(path, size, "%s", there);
	return RC_OK;
}

#endif
