/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A small text file as a whole. */
#ifndef BRIDLE_PROFILE_TEXTFILE_H
#define BRIDLE_PROFILE_TEXTFILE_H

#include "calib/number/err.h"

#include <stddef.h>

#define TEXTFILE_MAX 262144 /* bytes: no file that a person writes comes near */

/* Given to the caller, malloc'ed, NUL-terminated; written on success only. Never blocks on a pipe or device.
 * RC_ARG   there is no such file, it is no plain file (folder, pipe, device), too large for a file that people
 *          write, or it holds a NUL byte
 * RC_IO    the machine will not read it
 * RC_NOMEM */
enum rc textfile_read(const char *path, size_t max, char **ret, struct err *err) MUST_CHECK;

#endif
