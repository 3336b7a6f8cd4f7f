/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a calibration by dead weights has read so far: the plan's items with their readings, which comes next, what a
 * person takes back, and whether a reading is what the ones before let expect.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_HANG_BOOK_H
#define BRIDLE_RUN_HANG_BOOK_H

#include "run/seq_hang.h"

struct hang_taken {
	bool there;
	double indication, u;           /* mean and its standard error, in counts with the cell's sign, not tared */
	double ambient_degC, cell_degC; /* NaN unknown */
};

struct hang_book {
	size_t n, n_loads;
	int n_series;
	struct hang_item item[HANG_ITEMS];
	struct hang_taken taken[HANG_ITEMS];
	double torque_Nm[HANG_LOADS + 1]; /* of each load; 0 at load 0 */
};

/* As hang_plan; torque_Nm: n_loads + 1 values, rising. Returns the number of items, 0 as hang_plan. */
size_t hang_book_begin(struct hang_book *b, size_t n_loads, int n_series, const double *torque_Nm);

size_t hang_book_next(const struct hang_book *b); /* first item without a reading; n when all have one */

/* Take back the last count readings before the next item, but none of an earlier mounting: the cell is not there any
 * more. mounted: it was mounted again for the next item, where that asks for it. Returns how many were taken back. */
size_t hang_book_back(struct hang_book *b, size_t count, bool mounted);
/* Take back a whole series with its preloads. Returns how many readings. */
size_t hang_book_drop(struct hang_book *b, int series);
/* Take back every series that is not whole. Returns how many readings. */
size_t hang_book_drop_unfinished(struct hang_book *b);
bool hang_book_whole(const struct hang_book *b, int series);

/* A reading against the one before it in the series. Expected: the slope so far times what was hung or taken off.
 * Without a slope that stands out of the noise (the first change of all) only whether it moved, and upwards for a load.
 * The limits are for a question, not for a refusal: common practice, no source. */
#define HANG_MOVED_FRAC 0.2       /* of what was expected: less has not moved */
#define HANG_FAR_FRAC 0.02        /* of the largest torque: further off is told, ... */
#define HANG_FAR_STEP_FRAC 0.5    /* ... or by this share of what was hung, when that is less, but not below ... */
#define HANG_FAR_LEAST_FRAC 0.005 /* ... this share of the largest torque */
#define HANG_NOISES 6.0           /* standard errors: a change below them is none */
#define HANG_LEAST_COUNTS 40.0    /* for the largest torque, as the gate asks (calib/cell/cellcal_gate.h) */
enum hang_doubt { HANG_PLAUSIBLE, HANG_DID_NOT_MOVE, HANG_WRONG_WAY, HANG_FAR_OFF };
struct hang_change {
	double expected_Nm; /* what was hung (positive) or taken off since the reading before */
	double found_Nm;    /* by the slope so far; NaN without one */
	double found_count;
};
/* Item i must have a reading; ret_change may be NULL. HANG_PLAUSIBLE when there is nothing to compare with. */
enum hang_doubt hang_book_doubt(const struct hang_book *b, size_t i, struct hang_change *ret_change);

#endif
