/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The [instrument NAME] sections of rig.ini, read into rig_profile.instrument. Inside this room only.
 *
 * Refused, each with its own sentence: an unknown kind or role, a role that the kind cannot fill, a role that two
 * sections name, bytes that are none, and an output that would go on when this program dies. */
#ifndef BRIDLE_PROFILE_INSTRUMENTS_H
#define BRIDLE_PROFILE_INSTRUMENTS_H

#include "profile/inifile.h"

/* For struct inifile: a section begins, a section ends. */
void instruments_enter(struct inifile *r, const char *section);
void instruments_leave(struct inifile *r);
/* When the whole file is read: outputs without a warden, and a warden that the ticks could not satisfy. */
void instruments_check_outputs(struct inifile *r, const struct rig_profile *rig);

#endif
