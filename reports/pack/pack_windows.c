/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pack/pack_private.h"
#include "reports/pack/pack_run.h"

#include "channel/event.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* The shortest of two forms that reads back as the same number; nothing for one that is not told. */
static void real(FILE *f, double value)
{
	char text[32];

	if (!isfinite(value)) {
		fputc(',', f);
		return;
	}
	snprintf(text, sizeof text, "%.15g", value);
	if (strtod(text, NULL) < value || strtod(text, NULL) > value)
		snprintf(text, sizeof text, "%.17g", value);
	fprintf(f, ",%s", text);
}

struct to {
	FILE *f;
	size_t window;
};

const char pack_samples_head[] =
	"window,time (ns),node time (us),cell count,cell conversions,pulses,edge time (s),voltage (V),current (A),"
	"ripple power (W),brake current (A),drive rotor speed (rpm),drive current (A),brake temperature (degC),case "
	"temperature (degC),winding temperature (degC),ambient temperature (degC),repeats,drive flags\n";

void pack_put_sample(FILE *f, size_t window, const struct sample *s)
{
	fprintf(f, "%zu,%" PRId64 ",%" PRIu64 ",%" PRId32 ",%" PRIu32 ",%" PRId64, window, s->mono_ns, s->node_us,
		s->cell_count, s->cell_conversions, s->pulses);
	real(f, s->edge_time_s);
	real(f, s->voltage_V);
	real(f, s->current_A);
	real(f, s->ripple_W);
	real(f, s->brake_A);
	real(f, s->drive_rotor_rpm);
	real(f, s->drive_A);
	for (int i = 0; i < 4; i++)
		real(f, s->temp_degC[i]);
	fprintf(f, ",%" PRIu32 ",%u\n", s->repeats, s->drive_flags);
}

static bool put_sample(void *ctx, const struct sample *s)
{
	const struct to *to = ctx;

	pack_put_sample(to->f, to->window, s);
	return true;
}

static void put_window(FILE *f, size_t no, int64_t run_id, const struct seq_point *p)
{
	fprintf(f, "%zu,%" PRId64 ",%s,%d,%d,%u,%" PRId64 ",%" PRId64, no, run_id,
		p->flags & POINT_TARE ? "zero" : "load", p->step + 1, p->direction, p->flags, p->begin.ns, p->end.ns);
	real(f, p->setpoint_Nm);
	real(f, p->setpoint_A);
	real(f, p->setpoint_rpm);
	fputc('\n', f);
}

enum rc pack_windows(struct logbook *lb, int64_t run_id, FILE *windows, FILE *samples, struct err *err)
{
	struct seq_point *points = NULL;
	int64_t *run_of = NULL;
	size_t n = 0;
	enum rc rc = logbook_points(lb, run_id, &points, &run_of, &n, err);

	fputs("window,run,kind,step,direction,flags,begin (ns),end (ns),commanded torque (N m),commanded brake current "
	      "(A),commanded speed (rpm)\n",
	      windows);
	if (samples != NULL)
		fputs(pack_samples_head, samples);
	for (size_t i = 0; i < n && rc == RC_OK; i++) {
		struct to to = { samples, i + 1 };
		put_window(windows, i + 1, run_of[i], &points[i]);
		if (samples != NULL)
			rc = logbook_each_sample(lb, run_of[i], points[i].begin.ns, points[i].end.ns, put_sample, &to,
						 err);
	}
	free(points);
	free(run_of);
	return rc;
}
