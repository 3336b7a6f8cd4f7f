/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The keys of an [instrument NAME] that is a drive after CiA 402 over CANopen. Inside this room only. */
#ifndef BRIDLE_PROFILE_CANOPEN_KEYS_H
#define BRIDLE_PROFILE_CANOPEN_KEYS_H

#include "profile/inifile.h"

/* Of such a drive (other kinds: nothing is checked): no node number or that of the host, no mode at all, a torque mode
 * without the rated torque, two units of one speed, an object or a code that is none. Sets reset_fault_code. */
void canopen_check(struct inifile *r, struct instrument_profile *p);

/* When the whole file is read: one that is asked by SDO has to be asked often enough. */
void canopen_check_rate(struct inifile *r, const struct rig_profile *rig, const struct instrument_profile *p,
			const char *section);

#endif
