/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The program's own second processes stand in the folder that the running program was started from. */
#ifndef BRIDLE_CHANNEL_BESIDE_H
#define BRIDLE_CHANNEL_BESIDE_H

#include "calib/number/err.h"

#include <stddef.h>

/* The path of name in the folder of the running program (/proc/self/exe); seen to be there and runnable. RC_IO */
enum rc program_beside(const char *name, char *path, size_t size, struct err *err) MUST_CHECK;

#endif
