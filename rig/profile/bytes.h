/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes that a person writes for a device: A0 01 01 A2, or "OUT 1\r\n". */
#ifndef BRIDLE_PROFILE_BYTES_H
#define BRIDLE_PROFILE_BYTES_H

#include "profile/instrument_profile.h"

#include <stdbool.h>

/* Two hexadecimal digits each, with blanks between them; or text in double quotes with \r, \n, \t and \\. 1 to
 * PROFILE_BYTES of them; false (nothing written) for anything else. */
bool bytes_read(const char *text, struct profile_bytes *ret);

#endif
