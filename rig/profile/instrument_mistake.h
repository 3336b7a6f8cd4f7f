/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Mistakes in an [instrument NAME], by the key. Inside this room only. */
#ifndef BRIDLE_PROFILE_INSTRUMENT_MISTAKE_H
#define BRIDLE_PROFILE_INSTRUMENT_MISTAKE_H

#include "profile/inifile.h"

/* Of a key of the [instrument NAME] that is being read: with the file's name, the key's line and the section. */
void instrument_mistake(struct inifile *r, const char *key, const char *format, ...) PRINTF_LIKE(3, 4);

/* text: a line that is sent as it stands. A mistake where it is no text pattern (channel/text_pattern.h) or has values;
 * "" is fine. */
void instrument_check_line(struct inifile *r, const char *key, const char *text);

#endif
