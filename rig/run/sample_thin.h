/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Rows of samples on their way to the logbook: where a sequence asks for few of them, the last SAMPLE_THIN_S are held
 * back, and of those before one each thin_s goes on. The moment that all are wanted again (a stop, a cycle that is
 * kept, the end) what is held goes on whole: so each stop has its rows.
 *
 * A row tells which channels it only repeats; of the rows that were left out the first that goes on again tells what
 * came meanwhile. Allocates in _begin alone. */
#ifndef BRIDLE_RUN_SAMPLE_THIN_H
#define BRIDLE_RUN_SAMPLE_THIN_H

#include "logbook/logbook.h"

#define SAMPLE_THIN_S 10.0

struct sample_thin {
	struct sample *row; /* size of them, a ring */
	size_t size, first, n;
	int64_t written_ns;                               /* of the row that went on last; INT64_MIN: none */
	uint32_t repeats;                                 /* of all rows that were left out since */
	bool (*out)(void *ctx, const struct sample *row); /* false: it was not kept */
	void *ctx;
};

/* rate_Hz: rows a second. out and ctx are the caller's. */
enum rc sample_thin_begin(struct sample_thin *t, double rate_Hz, bool (*out)(void *ctx, const struct sample *row),
			  void *ctx, struct err *err) MUST_CHECK;
/* thin_s 0: all. False: out said so. */
bool sample_thin_put(struct sample_thin *t, const struct sample *row, double thin_s);
bool sample_thin_flush(struct sample_thin *t);
void sample_thin_end(struct sample_thin *t); /* frees; flush before it */

#endif
