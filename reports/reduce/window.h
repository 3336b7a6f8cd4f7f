/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The samples of one window boiled down to means with honest errors: only fresh
 * conversions of the cell count, a row that repeats an old fast sample counts
 * for nothing, the speed comes from pulses and edge times over the whole window.
 * What may have limited the point is gathered from the samples before the
 * window too. One window is filled at a time, in the order of time. */
#ifndef BRIDLE_REPORTS_REDUCE_WINDOW_H
#define BRIDLE_REPORTS_REDUCE_WINDOW_H

#include "calib/number/err.h"
#include "channel/rigio.h"
#include "logbook/logbook.h"

#include <stdbool.h>
#include <stddef.h>

/* A mean over a window with two errors that answer two questions.
 * u: how far the mean of the readings is from the true mean over this very window: only the noise of the
 *    instrument counts, what really fluctuated is part of the answer. From the differences of neighbours
 *    (von Neumann, Ann. Math. Stat. 12 (1941) 367), which a slow true change hardly touches. Where the window begins
 *    and ends is known to half a reading either way: a steady change by sqrt 12 sd over the window then adds sd / n.
 * scatter: how far another window like it would come out: the standard error of an autocorrelated series
 *    (effective count of readings). It describes the steadiness of what was measured, not the instrument. */
struct mean {
	double value, u, dof;
	double scatter, scatter_dof, n_effective;
	double sd;          /* of all that fluctuates, noise too; NaN when unknown */
	double fluctuation; /* what is left of sd without the noise */
	size_t n;           /* readings */
};

/* What the samples of a stretch say about limits. */
struct limit_facts {
	size_t n;
	size_t current_limited, derating; /* samples with the drive's flag set */
	bool undervoltage, drive_fault;
	double undervoltage_V; /* voltage when the flag first showed, NaN */
	size_t enabled;        /* samples in which the drive said that it runs: its flags can be believed */
	size_t supply_full;    /* samples at the supply's limit with the voltage sagging */
	size_t strained;       /* samples at the supply's limit or with the voltage sagging: either is enough */
	size_t saturated;      /* cell at either end */
	double min_V, max_A;   /* while the contactor is closed; NaN when never */
	double open_V;         /* of the supply at light load, as this run shows it; the profile's when it does not */
	double max_drive_A, min_rpm, max_Nm; /* by the samples; NaN when never */
	double max_brake_A;
};

struct window_rig { /* what the facts are measured against */
	double supply_V, supply_limit_A, cable_ohm, cell_saturation_count;
	bool host_edges; /* edges of the pick-up are dated by the computer, not by the node */
};

/* Readings in the order of time. The room for them is bounded: when it is full, neighbours are merged two by two, so
 * that a dwell of any length fits. What is merged keeps the mean, and all slow correlation; of moments (edges) the
 * earlier one stays. */
#define SERIES_MAX 131072
struct series {
	double *x;
	size_t n, room;
	size_t readings;   /* all that were pushed */
	size_t each, part; /* readings an entry stands for (0 is 1), and how many of the next entry are there */
	double sum;        /* of those */
	bool thinned;      /* an entry is the first of its readings, not their mean */
};

struct window {
	struct window_rig limits;
	struct series count, volt, amp, power, edge_s, edge_pulse;
	double sum_temp[TEMP_COUNT], sum_brake_A, sum_rotor_rpm, sum_drive_A, sum_speed_rpm, sum_amp2;
	size_t n_temp[TEMP_COUNT], n_rows, n_rotor, n_speed;
	double stood_degC[TEMP_COUNT], stood_rpm, stood_A; /* what repeated rows told: for a window without a reading */
	size_t n_untold; /* powers without the node's word on the ripple inside its averages */
	uint32_t last_conversion, last_sample;
	double open_sum_V; /* of the first light samples, at the supply's side of the cable */
	size_t open_n;
	bool started;
	struct limit_facts before, inside;
	bool out_of_memory;
};

void window_open(struct window *w, const struct window_rig *limits); /* zeroes; first use only */
void window_free(struct window *w);
void window_reset(struct window *w); /* for the next point, keeping the room */
/* What the supply gives at light load, when the samples to come cannot tell. */
void window_know_open_voltage(struct window *w, double open_V);
void window_before(struct window *w, const struct sample *s); /* a sample before the window */
void window_inside(struct window *w, const struct sample *s);

/* Of a series of readings; n = 0 gives NaN, n = 1 unknown errors (NaN). */
struct mean mean_of(const double *x, size_t n);
/* The same with n the readings that came in; n_effective counts what they were merged to. */
struct mean series_mean(const struct series *s);

/* Readings that scatter by less than half of their step 1 fall on one step or two: their mean is no better known than
 * the step lets it be, so that u and scatter have its rectangular share (GUM F.2.2.1). A converter of 24 bits never
 * has. */
struct mean mean_with_step(struct mean mean);

/* Means of the readings; in a window too short for one the value that stood. NaN when never told. */
double window_temp(const struct window *w, enum temp_place place);
void window_drive(const struct window *w, double *ret_rotor_rpm, double *ret_A);

#endif
