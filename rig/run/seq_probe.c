/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_probe.h"

#include <math.h>

#define TURNS_RPM 3.0 /* slower is no direction; common practice, no source */

static void add(struct probe_sum *sum, double value)
{
	if (!isfinite(value))
		return;
	if (sum->n == 0)
		sum->min = sum->max = value;
	sum->n++;
	double off = value - sum->mean;
	sum->mean += off / (double)sum->n;
	sum->m2 += off * (value - sum->mean);
	sum->min = fmin(sum->min, value);
	sum->max = fmax(sum->max, value);
}

double probe_sd(const struct probe_sum *sum)
{
	return sum->n < 2 ? NAN : sqrt(sum->m2 / (double)(sum->n - 1));
}

/* What is slower than the tick repeats itself: only fresh readings tell its noise. */
static bool is_fresh(const struct probe *w, const struct snapshot *snap, int channel)
{
	return snap->channel[channel].fresh != w->last.channel[channel].fresh;
}

static void keep_conversion(struct probe *w, const struct snapshot *snap)
{
	w->kept[w->n_kept++ % PROBE_KEPT] = (struct probe_conversion){ .number = snap->channel[CHANNEL_CELL].fresh,
								       .t_s = mono_diff_s(snap->now, w->begin),
								       .value = snap->indication };
}

static void add_way(struct probe *w, const struct snapshot *snap)
{
	bool turns = fabs(snap->speed_rpm) > TURNS_RPM && fabs(snap->drive_rotor_rpm) > TURNS_RPM;

	if (!turns || !is_fresh(w, snap, CHANNEL_DRIVE))
		return;
	w->same_way += snap->speed_rpm * snap->drive_rotor_rpm > 0;
	w->other_way += snap->speed_rpm * snap->drive_rotor_rpm < 0;
}

static void add_all(struct probe *w, const struct snapshot *snap)
{
	if (is_fresh(w, snap, CHANNEL_CELL)) {
		if (isfinite(snap->indication))
			keep_conversion(w, snap);
		add(&w->sum[PROBE_CELL], snap->indication);
		add(&w->sum[PROBE_TORQUE], snap->torque_Nm);
	}
	add(&w->sum[PROBE_SPEED], snap->speed_rpm);
	add(&w->sum[PROBE_BRAKE], snap->brake_A);
	if (is_fresh(w, snap, CHANNEL_VOLTAGE))
		add(&w->sum[PROBE_VOLTAGE], snap->voltage_V);
	if (is_fresh(w, snap, CHANNEL_CURRENT))
		add(&w->sum[PROBE_CURRENT], snap->current_A);
	for (int i = 0; i < TEMP_COUNT; i++)
		if (is_fresh(w, snap, CHANNEL_TEMP + i))
			add(&w->sum[PROBE_TEMP_BRAKE + i], snap->temp_degC[i]);
}

static void add_pulses(struct probe *w, const struct snapshot *snap)
{
	w->edges += isfinite(snap->edge_time_s) && snap->edge_time_s > w->last.edge_time_s;
	w->pulses_min = snap->pulses < w->pulses_min ? snap->pulses : w->pulses_min;
	w->pulses_max = snap->pulses > w->pulses_max ? snap->pulses : w->pulses_max;
}

void probe_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct probe *w = state;

	ret->phase = "watch";
	if (!w->started) {
		if (snap->sample_total == 0)
			return;
		w->started = true;
		w->begin = snap->now;
		w->first = w->last = *snap;
		w->pulses_min = w->pulses_max = snap->pulses;
	}
	add_all(w, snap);
	add_pulses(w, snap);
	add_way(w, snap);
	w->last = *snap;

	double elapsed_s = mono_diff_s(snap->now, w->begin);
	ret->remaining_s = w->length_s - elapsed_s;
	ret->progress_frac = isfinite(w->length_s) ? elapsed_s / w->length_s : 0;
	ret->done = !(elapsed_s < w->length_s);
}
