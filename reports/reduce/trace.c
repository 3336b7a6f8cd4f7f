/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/trace.h"

#include "calib/number/units.h"
#include "channel/rigio.h"

#include <math.h>
#include <string.h>

void trace_begin(struct trace *t)
{
	memset(t, 0, sizeof *t);
	t->width_s = 0.05;
}

static void join(struct trace_value *to, const struct trace_value *from)
{
	if (from->n == 0)
		return;
	if (to->n == 0) {
		*to = *from;
		return;
	}
	to->low = fmin(to->low, from->low);
	to->high = fmax(to->high, from->high);
	to->sum += from->sum;
	to->n += from->n;
}

static void halve(struct trace *t)
{
	for (size_t i = 0; i < TRACE_BINS / 2; i++) {
		for (size_t c = 0; c < TRACE_CHANNELS; c++) {
			struct trace_value v = t->bin[2 * i][c];
			join(&v, &t->bin[2 * i + 1][c]);
			t->bin[i][c] = v;
		}
	}
	memset(t->bin[TRACE_BINS / 2], 0, sizeof t->bin / 2);
	t->width_s *= 2;
	t->n = (t->n + 1) / 2;
}

static void take(struct trace_value *to, double x)
{
	if (to->n == 0 || x < to->low)
		to->low = x;
	if (to->n == 0 || x > to->high)
		to->high = x;
	to->sum += x;
	to->n++;
}

void trace_add(struct trace *t, const struct sample *s)
{
	const double value[TRACE_CHANNELS] = {
		[TRACE_TORQUE] = s->torque_Nm,
		[TRACE_SPEED] = s->speed_rpm,
		[TRACE_VOLT] = s->voltage_V,
		[TRACE_AMP] = s->current_A,
		[TRACE_BRAKE_A] = s->brake_A,
		[TRACE_CASE] = s->temp_degC[TEMP_CASE],
		[TRACE_WINDING] = s->temp_degC[TEMP_WINDING],
		[TRACE_BRAKE] = s->temp_degC[TEMP_BRAKE],
		[TRACE_AMBIENT] = s->temp_degC[TEMP_AMBIENT],
	};

	if (t->n == 0)
		t->begin_ns = s->mono_ns;
	double at_s = s_from_ns(s->mono_ns - t->begin_ns);
	if (!(at_s >= 0))
		return;
	while (at_s >= t->width_s * TRACE_BINS)
		halve(t);
	size_t bin = (size_t)(at_s / t->width_s);
	if (bin >= TRACE_BINS)
		bin = TRACE_BINS - 1;
	if (bin + 1 > t->n)
		t->n = bin + 1;
	for (size_t c = 0; c < TRACE_CHANNELS; c++)
		if (isfinite(value[c]))
			take(&t->bin[bin][c], value[c]);
}

double trace_mean(const struct trace *t, size_t bin, enum trace_channel channel)
{
	const struct trace_value *v = &t->bin[bin][channel];

	return v->n ? v->sum / (double)v->n : NAN;
}
