/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/brake_heat.h"

#include "guard/guard.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define KIND "brake_heat" /* of the event */
#define RUNS 100          /* in a row without a rest; more are not looked at */

struct replay {
	double energy_J, slip_power_W;
	int64_t last_ns;
};

static bool add_sample(void *ctx, const struct sample *s)
{
	struct replay *r = ctx;
	double dt_s = r->last_ns ? (double)(s->mono_ns - r->last_ns) * 1e-9 : 0;

	r->energy_J = guard_heat_J(r->energy_J, s->torque_Nm, s->speed_rpm, dt_s, r->slip_power_W);
	r->last_ns = s->mono_ns;
	return true;
}

/* Where the row of runs begins that nobody kept the heat of: how much there was, and when. */
struct kept {
	bool found;
	double heat_J;
	int64_t mono_ns;
};

static bool look_for_heat(void *ctx, int64_t mono_ns, const char *kind, const char *text)
{
	struct kept *kept = ctx;
	char *end;

	if (strcmp(kind, KIND) != 0)
		return true;
	double heat_J = strtod(text, &end);
	if (end == text || !(heat_J >= 0 && isfinite(heat_J)))
		return true;
	*kept = (struct kept){ true, heat_J, mono_ns };
	return true;
}

/* From this moment of a run to the next run's begin. */
static double rest_s(const struct run_info *run, int64_t mono_ns, const struct brake_heat_now *next)
{
	if (run->on_bench)
		return (double)(next->mono_ns - mono_ns) * 1e-9;
	return fmax(0, (double)(next->wall_ns - (run->wall_ns + mono_ns - run->mono_ns)) * 1e-9);
}

struct row {
	int64_t id[RUNS];
	double rest_s[RUNS]; /* after each */
	size_t n;            /* to be replayed, newest first */
	struct kept before;  /* and what the run before them kept; its rest_s */
	double before_rest_s;
};

/* The newest runs that follow each other without a rest that cools the brake, back to one that kept its heat. */
static enum rc runs_in_a_row(struct logbook *lb, const int64_t *ids, size_t n, double cool_s,
			     struct brake_heat_now next, struct row *row, struct err *err)
{
	struct run_info info;
	enum rc rc = RC_OK;

	for (size_t i = 0; i < n && row->n < RUNS; i++) {
		rc = logbook_run_info(lb, ids[i], &info, err);
		if (rc != RC_OK || info.on_bench != next.on_bench)
			break;
		if (info.samples == 0)
			continue; /* nothing turned: the rest goes on */
		if (info.ended)
			rc = logbook_each_event(lb, ids[i], look_for_heat, &row->before, err);
		if (rc != RC_OK)
			break;
		int64_t end_ns = info.end_mono_ns > info.mono_ns ? info.end_mono_ns : info.mono_ns;
		double rest = rest_s(&info, row->before.found ? row->before.mono_ns : end_ns, &next);
		if (rest < 0 || !(rest < cool_s)) {
			row->before.found = false;
			break;
		}
		row->before_rest_s = rest;
		if (row->before.found)
			break;
		row->id[row->n] = ids[i];
		row->rest_s[row->n++] = rest;
		next.mono_ns = info.mono_ns;
		next.wall_ns = info.wall_ns;
	}
	return rc;
}

enum rc brake_heat_left(struct logbook *lb, double slip_power_W, double slip_energy_J, const struct brake_heat_now *now,
			double *ret_J, struct err *err)
{
	struct replay r = { .slip_power_W = slip_power_W };
	struct row row = { 0 };
	int64_t *ids = NULL;
	size_t n = 0;

	*ret_J = 0;
	if (!(slip_power_W > 0 && slip_energy_J > 0 && isfinite(slip_energy_J)))
		return RC_OK;
	enum rc rc = logbook_runs(lb, NULL, &ids, &n, err);
	if (rc == RC_OK)
		rc = runs_in_a_row(lb, ids, n, slip_energy_J / slip_power_W, *now, &row, err);
	free(ids);
	if (row.before.found)
		r.energy_J = guard_heat_J(row.before.heat_J, 0, 0, row.before_rest_s, slip_power_W);
	while (rc == RC_OK && row.n-- > 0) {
		r.last_ns = 0;
		rc = logbook_each_sample(lb, row.id[row.n], INT64_MIN, INT64_MAX, add_sample, &r, err);
		r.energy_J = guard_heat_J(r.energy_J, 0, 0, row.rest_s[row.n], slip_power_W);
	}
	if (rc == RC_OK)
		*ret_J = r.energy_J;
	return rc;
}

enum rc brake_heat_keep(struct logbook *lb, int64_t run_id, double heat_J, int64_t mono_ns, struct err *err)
{
	char text[40];

	snprintf(text, sizeof text, "%.9g J", heat_J);
	return logbook_event(lb, run_id, mono_ns, KIND, text, err);
}
