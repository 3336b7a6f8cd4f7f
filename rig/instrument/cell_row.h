/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is derived from the torque cell's readings one after the other, whoever fills the cell: how many in a row had
 * exactly the same count, for how long, and how likely an equal neighbour is by those before that row. Pure.
 *
 * Before any neighbours were seen the chance is stated: a half for a fine converter (Laplace's rule of succession);
 * 99 of 100 for an instrument whose last digit is coarse, where equal readings are the rule (common practice, no
 * source). */
#ifndef BRIDLE_INSTRUMENT_CELL_ROW_H
#define BRIDLE_INSTRUMENT_CELL_ROW_H

#include "channel/rigio.h"

struct cell_row {
	uint32_t pairs, equals; /* neighbours before the present row, and equal ones of them */
	bool any;               /* a reading came */
	int64_t since_us;       /* the present row's first reading */
};

static inline struct cell_row cell_row_fine(void)
{
	return (struct cell_row){ .pairs = 2, .equals = 1 };
}

static inline struct cell_row cell_row_coarse(void)
{
	return (struct cell_row){ .pairs = 100, .equals = 99 };
}

/* A fresh reading at t_us, of any clock that only goes forward: into the snapshot's cell fields. The channel is its
 * instrument's. */
void cell_row_take(struct cell_row *row, struct snapshot *view, int32_t count, int64_t t_us);

#endif
