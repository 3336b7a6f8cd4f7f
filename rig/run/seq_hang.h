/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Dead weights: the order of a calibration series, and one reading of it: wait until the indication is still, then
 * average. Nothing is ever energised here: the wish is everything off, always.
 *
 * Order (in the shape of EURAMET cg-14 and DIN 51309): preload to the maximum three times, zero, rising
 * steps, falling steps, zero. Series 1 and 2 in one mounting, series 3 and later each after re-mounting, which
 * begins with one preload again. The first reading of a falling half is the step below the maximum.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_HANG_H
#define BRIDLE_RUN_SEQ_HANG_H

#include "calib/fit/stats.h"
#include "run/sequence.h"

#define HANG_PRELOADS 3
#define HANG_SERIES 12
#define HANG_LOADS 40
#define HANG_ITEMS (HANG_SERIES * (2 * HANG_LOADS + 2 + 2 * HANG_PRELOADS))

enum hang_act { HANG_PRELOAD, HANG_PRELOAD_OFF, HANG_ZERO, HANG_LOAD, HANG_ZERO_RETURN };

struct hang_item {
	enum hang_act act;
	int series, position; /* 1, 2, ...; position = mounting */
	int direction;        /* +1 rising, -1 falling, 0 preload */
	size_t load;          /* how many steps are on the arm: 0 = nothing hung, 1 = first load, ... */
	bool remount;         /* take the cell out and mount it again before this one */
};

/* Fill items for n_loads rising steps (1 .. HANG_LOADS) and n_series (1 .. HANG_SERIES). Returns their number. */
size_t hang_plan(size_t n_loads, int n_series, struct hang_item items[HANG_ITEMS]);

/* One reading. Fill config, call cell_reading_begin, then step it in the loop. */
struct cell_reading_config {
	double window_s, timeout_s, average_s;
	/* Still: the means of two windows in a row differ by no more than still_count or than their noise can tell, and
	 * the scatter within the last one is no more than still_sd (a weight that swings scatters; INFINITY = not known
	 * yet). */
	double still_count, still_sd;
	bool set_tare;   /* the mean becomes the tare of what follows */
	bool silent;     /* no point for the logbook: a provisional reading */
	double most_rpm; /* the shaft must turn no faster than this; INFINITY = not looked at */
	double sign;     /* of the cell: indication = sign * count - tare; for set_tare */
	/* what the point's row says */
	int step, direction;
	unsigned flags;
	double setpoint_Nm;
};
struct cell_reading {
	struct cell_reading_config config;
	struct stats_run block;   /* of the window that is filling */
	struct stats_mean before; /* of the window before; n 0 = none */
	struct mono block_begin;
	bool started, averaging, still;
	struct mono begin, average_begin;
	uint32_t last_conversion;
	/* result, when done */
	struct stats_run raw;       /* sign * count, not tared */
	struct stats_run torque_Nm; /* empty without a calibration */
	double temp_degC[TEMP_COUNT];
	double settle_s;
	double live; /* latest indication, for the live line */
};
void cell_reading_begin(struct cell_reading *r, const struct cell_reading_config *config);
void cell_reading_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
