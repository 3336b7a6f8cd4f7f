/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What an [instrument NAME] of kind indicator states, judged as a whole: every mistake by its key. Does nothing for
 * another kind. Fills division_Nm. */
#ifndef BRIDLE_PROFILE_INDICATOR_KEYS_H
#define BRIDLE_PROFILE_INDICATOR_KEYS_H

#include "profile/inifile.h"

void indicator_check(struct inifile *r, struct instrument_profile *p);

/* Where an indicator fills the cell, its own unit says what full scale makes: full_scale_counts where rig.ini states
 * none, and twice that as the saturation where rig.ini states a wider one. */
void indicator_known(struct rig_profile *rig);

#endif
