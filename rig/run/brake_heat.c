/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/brake_heat.h"

#include "guard/guard.h"

#include <math.h>
#include <stdlib.h>

#define RUNS 100 /* in a row without a rest; more are not looked at */

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

static double rest_s(const struct run_info *run, const struct brake_heat_now *next)
{
	int64_t end_ns = run->end_mono_ns > run->mono_ns ? run->end_mono_ns : run->mono_ns;

	if (run->on_bench)
		return (double)(next->mono_ns - end_ns) * 1e-9;
	return fmax(0, (double)(next->wall_ns - (run->wall_ns + end_ns - run->mono_ns)) * 1e-9);
}

/* How many of the newest runs follow each other without a rest that cools the brake, and the rest after each. */
static enum rc runs_in_a_row(struct logbook *lb, const int64_t *ids, size_t n, double cool_s, struct brake_heat_now next,
			     double rest[RUNS], size_t *ret_n, struct err *err)
{
	struct run_info info;
	enum rc rc = RC_OK;

	for (*ret_n = 0; *ret_n < n && *ret_n < RUNS; ++*ret_n) {
		rc = logbook_run_info(lb, ids[*ret_n], &info, err);
		if (rc != RC_OK || info.on_bench != next.on_bench)
			break;
		rest[*ret_n] = rest_s(&info, &next);
		if (rest[*ret_n] < 0 || !(rest[*ret_n] < cool_s))
			break;
		next.mono_ns = info.mono_ns;
		next.wall_ns = info.wall_ns;
	}
	return rc;
}

enum rc brake_heat_left(struct logbook *lb, double slip_power_W, double slip_energy_J, const struct brake_heat_now *now,
			double *ret_J, struct err *err)
{
	struct replay r = { .slip_power_W = slip_power_W };
	int64_t *ids = NULL;
	double rest[RUNS];
	size_t n = 0, in_a_row = 0;

	*ret_J = 0;
	if (!(slip_power_W > 0 && slip_energy_J > 0 && isfinite(slip_energy_J)))
		return RC_OK;
	enum rc rc = logbook_runs(lb, NULL, &ids, &n, err);
	if (rc == RC_OK)
		rc = runs_in_a_row(lb, ids, n, slip_energy_J / slip_power_W, *now, rest, &in_a_row, err);
	while (rc == RC_OK && in_a_row-- > 0) {
		r.last_ns = 0;
		rc = logbook_each_sample(lb, ids[in_a_row], INT64_MIN, INT64_MAX, add_sample, &r, err);
		r.energy_J = guard_heat_J(r.energy_J, 0, 0, rest[in_a_row], slip_power_W);
	}
	free(ids);
	if (rc == RC_OK)
		*ret_J = r.energy_J;
	return rc;
}
