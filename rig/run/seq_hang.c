/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_hang.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static size_t put(struct hang_item *items, size_t n, struct hang_item item)
{
	if (n < HANG_ITEMS)
		items[n++] = item;
	return n;
}

static size_t put_preloads(struct hang_item *items, size_t n, size_t n_loads, struct hang_item base, int times)
{
	for (int i = 0; i < times; i++) {
		base.act = HANG_PRELOAD;
		base.load = n_loads;
		n = put(items, n, base);
		base.remount = false;
		base.act = HANG_PRELOAD_OFF;
		base.load = 0;
		n = put(items, n, base);
	}
	return n;
}

static size_t put_series(struct hang_item *items, size_t n, size_t n_loads, struct hang_item base)
{
	base.act = HANG_ZERO;
	base.direction = +1;
	base.load = 0;
	n = put(items, n, base);
	base.act = HANG_LOAD;
	for (base.load = 1; base.load <= n_loads; base.load++)
		n = put(items, n, base);
	base.direction = -1;
	for (base.load = n_loads - 1; base.load >= 1; base.load--)
		n = put(items, n, base);
	base.act = HANG_ZERO_RETURN;
	base.load = 0;
	return put(items, n, base);
}

size_t hang_plan(size_t n_loads, int n_series, struct hang_item items[HANG_ITEMS])
{
	size_t n = 0;

	if (n_loads < 1 || n_loads > HANG_LOADS || n_series < 1 || n_series > HANG_SERIES)
		return 0;
	for (int series = 1; series <= n_series; series++) {
		int position = series <= 2 ? 1 : series - 1;
		struct hang_item base = { .series = series, .position = position, .remount = series > 2 };
		if (series != 2)
			n = put_preloads(items, n, n_loads, base, series == 1 ? HANG_PRELOADS : 1);
		base.remount = false;
		n = put_series(items, n, n_loads, base);
	}
	return n;
}

void cell_reading_begin(struct cell_reading *r, const struct cell_reading_config *config)
{
	memset(r, 0, sizeof *r);
	r->config = *config;
	r->live = NAN;
	stats_run_begin(&r->raw);
	stats_run_begin(&r->torque_Nm);
	stats_run_begin(&r->block);
	for (int i = 0; i < TEMP_COUNT; i++)
		r->temp_degC[i] = NAN;
}

static void start_average(struct cell_reading *r, const struct snapshot *snap, bool still)
{
	r->averaging = true;
	r->still = still;
	r->average_begin = snap->now;
	r->settle_s = mono_diff_s(snap->now, r->begin);
}

static void finish(struct cell_reading *r, const struct snapshot *snap, struct seq_out *ret)
{
	struct seq_point *p = &ret->event.point;

	ret->done = true;
	ret->event.kind = r->config.silent ? SEQ_EVENT_NONE : SEQ_EVENT_POINT;
	*p = (struct seq_point){
		.step = r->config.step,
		.direction = r->config.direction,
		.flags = r->config.flags | (r->still ? 0 : POINT_NOT_SETTLED),
		.setpoint_Nm = r->config.setpoint_Nm,
		.setpoint_A = NAN,
		.setpoint_rpm = NAN,
		.begin = r->average_begin,
		.end = snap->now,
		.settle_s = r->settle_s,
		.mean_torque_Nm = stats_run_result(&r->torque_Nm).mean,
		.mean_speed_rpm = snap->speed_rpm,
	};
	memcpy(r->temp_degC, snap->temp_degC, sizeof r->temp_degC);
	if (r->config.set_tare) {
		ret->set_tare = true;
		ret->tare_count = stats_run_result(&r->raw).mean;
	}
}

static void take(struct cell_reading *r, const struct snapshot *snap)
{
	stats_run_add(&r->raw, r->config.sign * (double)snap->cell_count);
	if (isfinite(snap->torque_Nm))
		stats_run_add(&r->torque_Nm, snap->torque_Nm);
}

/* A window is full: is it like the one before, and quiet in itself? */
static bool block_is_still(struct cell_reading *r)
{
	struct stats_mean now = stats_run_result(&r->block), before = r->before;
	bool alike = false;

	if (before.n > 0) {
		double noise = 3 * hypot(now.u_mean_naive, before.u_mean_naive);
		alike = fabs(now.mean - before.mean) <= fmax(r->config.still_count, noise);
	}
	r->before = now;
	stats_run_begin(&r->block);
	return alike && !(now.sd > r->config.still_sd);
}

/* Where the reading stands while it settles. */
static void settle(struct cell_reading *r, const struct snapshot *snap, bool fresh)
{
	bool at_rest = isinf(r->config.most_rpm) || fabs(snap->speed_rpm) <= r->config.most_rpm;

	if (snap->channel[CHANNEL_CELL].quality == QUALITY_UNSTABLE) { /* its instrument sees more than its readings */
		stats_run_begin(&r->block);
		r->block_begin = snap->now;
	} else if (fresh) {
		stats_run_add(&r->block, (double)snap->cell_count);
	}
	if (mono_diff_s(snap->now, r->block_begin) >= r->config.window_s && r->block.n >= 4) {
		r->block_begin = snap->now;
		if (block_is_still(r) && at_rest) {
			start_average(r, snap, true);
			return;
		}
	}
	if (!(mono_diff_s(snap->now, r->begin) < r->config.timeout_s))
		start_average(r, snap, false);
}

static void average(struct cell_reading *r, const struct snapshot *snap, bool fresh, struct seq_out *ret)
{
	double done_s = mono_diff_s(snap->now, r->average_begin);

	if (fresh)
		take(r, snap);
	ret->remaining_s = r->config.average_s - done_s;
	ret->progress_frac = done_s / r->config.average_s;
	/* The clock alone does not end it: a converter that stands still gives no mean. */
	if (!(done_s < r->config.average_s) && r->raw.n >= 4) {
		finish(r, snap, ret);
	} else if (done_s > r->config.average_s + r->config.timeout_s) {
		ret->stop = true;
		snprintf(ret->event.text, sizeof ret->event.text,
			 "the cell's converter gives no fresh readings: check its clock and its wires");
	}
}

void cell_reading_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct cell_reading *r = state;
	bool fresh = snap->sample_total > 0 && snap->channel[CHANNEL_CELL].fresh != r->last_conversion;

	ret->phase = r->averaging ? "average" : "settle";
	ret->remaining_s = r->config.average_s + (r->averaging ? 0 : r->config.window_s);
	if (!r->started) {
		if (snap->sample_total == 0)
			return;
		r->started = true;
		r->begin = r->block_begin = snap->now;
		r->last_conversion = snap->channel[CHANNEL_CELL].fresh;
		return;
	}
	r->live = snap->indication;
	r->last_conversion = snap->channel[CHANNEL_CELL].fresh;
	if (r->averaging)
		average(r, snap, fresh, ret);
	else
		settle(r, snap, fresh);
}
