/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The register map of an [instrument NAME] of kind modbus, read and judged as a whole: every mistake by its key. Does
 * nothing for another kind. Inside this room only. */
#ifndef BRIDLE_PROFILE_MODBUS_KEYS_H
#define BRIDLE_PROFILE_MODBUS_KEYS_H

#include "profile/inifile.h"

/* Fills p->modbus. p->roles have to be there. */
void modbus_check(struct inifile *r, struct instrument_profile *p);

#endif
