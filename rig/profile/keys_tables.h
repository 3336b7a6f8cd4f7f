/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tables, one a file. Inside this room only; others ask profile_table. */
#ifndef BRIDLE_PROFILE_KEYS_TABLES_H
#define BRIDLE_PROFILE_KEYS_TABLES_H

#include "profile/profile_private.h"

/* A section of rig.ini that may stand any number of times, each with a name of its own in place of NAME. */
#define INSTRUMENT_SECTION "instrument NAME"

extern const struct profile_table profile_rig_table, profile_actuator_table, profile_plan_table, profile_weights_table;

/* One section of weights.ini as written. */
struct piece_values {
	int class_index;
	double nominal_kg;
	struct quantity mass_kg, density_kg_per_m3;
};

#endif
