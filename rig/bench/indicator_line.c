/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/indicator_line.h"

#include "channel/gauge_text.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define MOVES_DIVISIONS 1.0 /* between two lines; common practice, no source */

void indicator_line_init(struct indicator_line *l, const struct instrument_profile *profile,
			 const struct physics *physics, double full_scale_Nm)
{
	double divisions = full_scale_Nm / profile->division_Nm;

	*l = (struct indicator_line){
		.profile = profile,
		.physics = physics,
		.per_count = divisions / physics->cell.gain_count * physics->indicator.gain,
	};
}

void indicator_line_tick(struct indicator_line *l, const struct cell *cell)
{
	double keep = exp(-cell->period_s / fmax(l->physics->indicator.filter_s, 1e-6));
	double now = cell->count * l->per_count;

	if (l->any && cell->conversion == l->conversion)
		return;
	l->shown = l->any ? now + (l->shown - now) * keep : now;
	l->over = cell->fault == CELL_FULL || cell->fault == CELL_EMPTY;
	l->conversion = cell->conversion;
	l->any = true;
}

void indicator_line_receive(struct indicator_line *l, const char *bytes, size_t n)
{
	double value[TEXT_PATTERN_FIELDS];
	char why[TEXT_PATTERN_WHY];
	struct text_pattern ask;

	for (size_t i = 0; i < n && !l->silent; i++) {
		if (bytes[i] != '\n' && bytes[i] != '\r') {
			l->n += l->n < sizeof l->in - 1;
			l->in[l->n - 1] = bytes[i];
			continue;
		}
		l->in[l->n] = '\0';
		l->n = 0;
		l->asked |= *l->profile->ask && text_pattern_read(l->profile->ask, &ask, why) &&
			    text_pattern_match(&ask, l->in, value);
	}
}

static double of_field(const struct indicator_line *l, const struct text_pattern *form, int field)
{
	double reading = round(l->shown) * l->profile->division;
	bool apart = text_pattern_field(form, gauge_field_name(GAUGE_SIGN)) >= 0;

	switch (field) {
	case GAUGE_READING: return apart ? fabs(reading) : reading;
	case GAUGE_SIGN: return reading < 0;
	case GAUGE_STABLE: return fabs(l->shown - l->shown_before) <= MOVES_DIVISIONS;
	case GAUGE_OVER: return l->over;
	default: return 0;
	}
}

/* Its form of an overload has no reading; any other has one. */
static bool pick_form(const struct indicator_line *l, struct text_pattern *ret)
{
	char why[TEXT_PATTERN_WHY];
	bool found = false;

	for (size_t i = 0; i < PROFILE_TELLS; i++) {
		struct text_pattern p;

		if (!l->profile->tell[i][0] || !text_pattern_read(l->profile->tell[i], &p, why))
			continue;
		bool reads = text_pattern_field(&p, gauge_field_name(GAUGE_READING)) >= 0;
		if (found && (reads || !l->over))
			continue;
		if (!reads && !l->over)
			continue;
		*ret = p;
		found = true;
	}
	return found;
}

static void begin_telling(struct indicator_line *l, int64_t t_us)
{
	bool due = *l->profile->ask ? l->asked : t_us >= l->tell_us;
	double value[TEXT_PATTERN_FIELDS];
	struct text_pattern form;

	if (!due || l->silent || !l->any || l->out_n > 0 || !pick_form(l, &form))
		return;
	for (size_t i = 0; i < form.n_fields; i++)
		value[i] = of_field(l, &form, gauge_field_of(form.field[i]));
	l->out_n = text_pattern_put(&form, value, l->out, INDICATOR_LINE_BYTES);
	if (l->wrong_unit && l->out_n > 0)
		l->out[l->out_n - 1] = l->out[l->out_n - 1] == 'b' ? 'c' : 'b'; /* kg -> kb, lb -> lc */
	l->out[l->out_n++] = '\r';
	l->out[l->out_n++] = '\n';
	l->shown_before = l->shown;
	l->asked = false;
	l->tell_us = t_us + (int64_t)(1e6 / l->physics->indicator.rate_Hz);
	l->out_us = t_us + (int64_t)l->out_n * 10 * 1000000 / l->profile->baud;
}

size_t indicator_line_take(struct indicator_line *l, int64_t t_us, char *buf, size_t size)
{
	begin_telling(l, t_us);
	size_t n = l->out_n < size ? l->out_n : size;
	if (n == 0 || t_us < l->out_us)
		return 0;
	memcpy(buf, l->out, n);
	memmove(l->out, l->out + n, l->out_n - n);
	l->out_n -= n;
	return n;
}
