/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The keys of an [instrument NAME] that is a drive on a CAN bus. Inside this room only. */
#ifndef BRIDLE_PROFILE_CAN_DRIVE_KEYS_H
#define BRIDLE_PROFILE_CAN_DRIVE_KEYS_H

#include "profile/inifile.h"

/* Of such a drive (other kinds: nothing is checked): maps that are none, values that overlap, an identifier that both
 * sides send, no speed or no enabled among what it tells, an off that is only a speed of 0, a bit rate that adapters do
 * not have, a period too long for a drive. */
void can_drive_check(struct inifile *r, const struct instrument_profile *p);

/* What any drive on a CAN bus has to have right: a bit rate that adapters have, a period short enough for a drive. */
void can_drive_check_bus(struct inifile *r, const struct instrument_profile *p);

#endif
