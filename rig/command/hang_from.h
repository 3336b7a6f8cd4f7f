/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Readings taken by hand: a table with the columns indication (any unit) and torque (N.m) or mass (kg), and, where
 * there are any, series, mounting, direction (up or down) and u_torque (N.m, k = 1). */
#ifndef BRIDLE_COMMAND_HANG_FROM_H
#define BRIDLE_COMMAND_HANG_FROM_H

#include "command/hang_loads.h"
#include "profile/mistakes.h"

struct hang_table {
	size_t n;
	struct cellcal_reading *reading;
	size_t n_sources;
	struct cellcal_source source[CELLCAL_SOURCES];
	char unit[32];    /* of the indication */
	double Nm_per_kg; /* of a table of masses; NaN else */
};

/* place: NULL when neither a bench folder nor options give arm and gravity; then the table must have torques. Every
 * mistake of the table is collected. RC_ARG, RC_IO, RC_NOMEM. */
enum rc hang_table_read(const char *path, const struct hang_place *place, struct hang_table *ret, struct mistakes *m,
			struct err *err) MUST_CHECK;
void hang_table_free(struct hang_table *table);

#endif
