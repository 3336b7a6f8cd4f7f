/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual end of a weight indicator's line: it takes each conversion of the cell through a filter of the first
 * order of its own, shows it in its unit and divisions as rig.ini states them, and sends lines at its own rate, or one
 * for each question. Its unit is a little wrong, as it was set somewhere else. Bytes in, bytes out, bench time; no
 * sockets. */
#ifndef BRIDLE_BENCH_INDICATOR_LINE_H
#define BRIDLE_BENCH_INDICATOR_LINE_H

#include "bench/cell.h"
#include "profile/profile.h"

#define INDICATOR_LINE_BYTES 160

struct indicator_line {
	const struct instrument_profile *profile; /* borrowed */
	const struct physics *physics;            /* borrowed */
	double per_count;                         /* divisions per count of the converter */
	double shown, shown_before;               /* divisions, filtered; at the line before */
	uint8_t conversion;
	bool any, over, silent, asked, wrong_unit; /* silent, wrong_unit: faults */
	int64_t tell_us;
	char in[INDICATOR_LINE_BYTES];
	size_t n;
	char out[INDICATOR_LINE_BYTES + 2];
	size_t out_n;
	int64_t out_us; /* when its last byte has left */
};

/* profile: of an indicator; full_scale_Nm: of the cell. Both structs kept. */
void indicator_line_init(struct indicator_line *line, const struct instrument_profile *profile,
			 const struct physics *physics, double full_scale_Nm);
/* Once a millisecond. */
void indicator_line_tick(struct indicator_line *line, const struct cell *cell);
void indicator_line_receive(struct indicator_line *line, const char *bytes, size_t n);
/* Bytes that have left by t_us. */
size_t indicator_line_take(struct indicator_line *line, int64_t t_us, char *buf, size_t size);

#endif
