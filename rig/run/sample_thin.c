/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/sample_thin.h"

#include "calib/number/units.h"

#include <math.h>
#include <stdlib.h>

#define ALL UINT32_MAX
#define ROWS_MOST 4000 /* go out in one tick: the logbook's ring has 8192, and half of it may be waiting */

enum rc sample_thin_begin(struct sample_thin *t, double rate_Hz, bool (*out)(void *ctx, const struct sample *row),
			  void *ctx, struct err *err)
{
	size_t size = (size_t)fmin(ceil(SAMPLE_THIN_S * rate_Hz) + 1, ROWS_MOST);

	*t = (struct sample_thin){ .row = calloc(size, sizeof *t->row),
				   .size = size,
				   .written_ns = INT64_MIN,
				   .repeats = ALL,
				   .out = out,
				   .ctx = ctx };
	return t->row ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", size);
}

static bool go_on(struct sample_thin *t, struct sample row)
{
	row.repeats &= t->repeats;
	t->repeats = ALL;
	t->written_ns = row.mono_ns;
	return t->out(t->ctx, &row);
}

static struct sample oldest(struct sample_thin *t)
{
	struct sample ret = t->row[t->first];

	t->first = (t->first + 1) % t->size;
	t->n--;
	return ret;
}

bool sample_thin_flush(struct sample_thin *t)
{
	bool kept = true;

	while (t->n > 0)
		kept = go_on(t, oldest(t)) && kept;
	return kept;
}

static bool is_due(const struct sample_thin *t, const struct sample *row, double thin_s)
{
	return t->written_ns == INT64_MIN || row->mono_ns - t->written_ns >= ns_from_s(thin_s) - 1000;
}

bool sample_thin_put(struct sample_thin *t, const struct sample *row, double thin_s)
{
	bool kept = true;

	if (!(thin_s > 0)) {
		kept = sample_thin_flush(t);
		return go_on(t, *row) && kept;
	}
	if (t->n == t->size) {
		struct sample left = oldest(t);
		if (is_due(t, &left, thin_s))
			kept = go_on(t, left);
		else
			t->repeats &= left.repeats;
	}
	t->row[(t->first + t->n) % t->size] = *row;
	t->n++;
	return kept;
}

void sample_thin_end(struct sample_thin *t)
{
	free(t->row);
	*t = (struct sample_thin){ 0 };
}
