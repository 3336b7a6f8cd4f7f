/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The keys of an [instrument NAME] that is a drive. Inside this room only. */
#ifndef BRIDLE_PROFILE_TEXT_DRIVE_KEYS_H
#define BRIDLE_PROFILE_TEXT_DRIVE_KEYS_H

#include "profile/inifile.h"

/* Of a drive that speaks lines of text (other kinds: nothing is checked): patterns that are none, values with a wrong
 * name, an example that does not fit, no speed or no enabled among what it tells, a question or a command of another
 * form, a period too long for a drive. */
void text_drive_check(struct inifile *r, const struct instrument_profile *p);

#endif
