/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/indicator.h"

#include "channel/gauge_text.h"
#include "instrument/absence.h"
#include "instrument/cell_row.h"
#include "instrument/text_line.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define OPEN_S 2.0
#define LOOK_S 0.01
#define READS_MOST 16 /* a tick does not read for ever */
#define ODD 40

struct indicator {
	struct indicator_setup setup;
	double period_s;
	struct link *link;
	const struct clock_src *clock;
	struct mono asked;
	struct text_line line;
	bool gone;
	struct absence absence;
	struct cell_row row;
	struct snapshot view; /* its cell fields and channel */
	char odd[ODD];        /* newest line that fitted nothing since the newest reading */
	char error[ODD + 80];
};

static struct channel *channel_of(struct indicator *in)
{
	return &in->view.channel[CHANNEL_CELL];
}

static int32_t count_of(const struct indicator *in, const struct gauge_text *told)
{
	double most = in->setup.saturation, count = told->reading / in->setup.division;

	if (isnan(count))
		return in->view.cell_count < 0 ? -in->setup.saturation : in->setup.saturation;
	if (told->over)
		return count < 0 ? -in->setup.saturation : in->setup.saturation;
	return (int32_t)lround(fmax(-most, fmin(most, count)));
}

static void take_reading(struct indicator *in, const struct gauge_text *told, struct mono now)
{
	struct channel *c = channel_of(in);
	int32_t count = count_of(in, told);

	cell_row_take(&in->row, &in->view, count, now.ns / 1000);
	c->fresh++;
	c->taken = now;
	c->quality = abs(count) >= in->setup.saturation ? QUALITY_SATURATED
		     : told->moves                      ? QUALITY_UNSTABLE
							: QUALITY_GOOD;
	in->error[0] = in->odd[0] = '\0';
	absence_over(&in->absence);
}

static void take_line(struct indicator *in, struct mono now)
{
	struct gauge_text told;

	for (size_t i = 0; i < in->setup.n_tell; i++)
		if (gauge_text_read(&in->setup.tell[i], in->line.text, &told)) {
			take_reading(in, &told, now);
			return;
		}
	snprintf(in->odd, sizeof in->odd, "%.39s", in->line.text);
	snprintf(in->error, sizeof in->error, "its newest line fits no form of tell: \"%s\"", in->odd);
}

static void take(struct indicator *in, struct mono now)
{
	char buf[256];
	size_t n = sizeof buf;

	for (int i = 0; i < READS_MOST && n == sizeof buf && !in->gone; i++) {
		in->gone = link_read(in->link, buf, sizeof buf, &n, NULL) != RC_OK;
		for (size_t k = 0; k < n; k++)
			if (text_line_take(&in->line, buf[k]))
				take_line(in, now);
	}
}

static void ask(struct indicator *in, struct mono now)
{
	char text[TEXT_LINE_BYTES + 2];
	size_t n = in->setup.ask.n_items > 0 ? text_pattern_put(&in->setup.ask, NULL, text, TEXT_LINE_BYTES) : 0;

	if (n == 0 || in->gone || mono_diff_s(now, in->asked) < in->period_s)
		return;
	if (text[n - 1] != '\n' && text[n - 1] != '\r')
		text[n++] = '\n';
	in->asked = now;
	in->gone = link_write(in->link, text, n, 0, NULL) != RC_OK;
}

static enum rc begin(void *ctx, struct err *err)
{
	struct indicator *in = ctx;

	(void)err;
	in->absence.looked = in->clock->now(in->clock->ctx);
	return RC_OK;
}

static void poll_indicator(void *ctx, struct snapshot *snap)
{
	struct indicator *in = ctx;
	struct channel *c = channel_of(in);
	struct mono now = in->clock->now(in->clock->ctx);

	absence_look(&in->absence, now);
	take(in, now);
	ask(in, now);
	c->age_s = c->fresh > 0 ? absence_age_s(&in->absence, now, c->taken) : INFINITY;
	if (in->gone) {
		c->age_s = INFINITY;
		c->quality = QUALITY_MISSING;
	}
	snap->channel[CHANNEL_CELL] = *c;
	snap->cell_count = in->view.cell_count;
	snap->cell_same = in->view.cell_same;
	snap->cell_same_s = in->view.cell_same_s;
	snap->cell_equal_chance = in->view.cell_equal_chance;
}

static void close_indicator(void *ctx)
{
	free(ctx);
}

static enum rc refuse(const struct indicator *in, struct err *err)
{
	if (in->gone)
		return err_set(err, RC_IO, 0, "its line ended; check its cable");
	if (in->odd[0])
		return err_set(
			err, RC_TIMEOUT, 0,
			"no reading came within %g s; its newest line fits no form of tell: \"%s\". Check its unit, "
			"and tell in rig.ini",
			OPEN_S, in->odd);
	return err_set(err, RC_TIMEOUT, 0,
		       "no line came within %g s; check its cable, its power, baud, and whether it must be asked",
		       OPEN_S);
}

static enum rc wait_for_one(struct indicator *in, struct err *err)
{
	struct mono now = in->clock->now(in->clock->ctx), until = mono_add_ns(now, (int64_t)(OPEN_S * 1e9));
	enum rc rc = RC_OK;

	while (rc == RC_OK && channel_of(in)->fresh == 0 && !in->gone && now.ns < until.ns) {
		ask(in, now);
		rc = in->clock->sleep_until(in->clock->ctx, mono_add_ns(now, (int64_t)(LOOK_S * 1e9)), err);
		now = in->clock->now(in->clock->ctx);
		absence_look(&in->absence, now);
		if (rc == RC_OK)
			take(in, now);
	}
	return rc == RC_OK && channel_of(in)->fresh == 0 ? refuse(in, err) : rc;
}

enum rc indicator_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		       struct instrument *ret, struct err *err)
{
	static const struct instrument_ops ops = { .begin = begin, .poll = poll_indicator, .close = close_indicator };
	struct indicator *in = calloc(1, sizeof *in);

	if (in == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", config->name);
	struct mono now = clock->now(clock->ctx);
	in->setup = *config->indicator;
	in->period_s = config->period_s;
	in->link = link;
	in->clock = clock;
	in->absence = absence_from(now);
	in->asked = mono_add_ns(now, -(int64_t)(config->period_s * 1e9));
	in->row = cell_row_coarse();
	in->view = snapshot_blank();
	channel_of(in)->instrument = config->number;
	enum rc rc = wait_for_one(in, err);
	if (rc != RC_OK) {
		free(in);
		return rc;
	}
	*ret = (struct instrument){ .ops = &ops,
				    .ctx = in,
				    .name = config->name,
				    .roles = config->roles,
				    .error = in->error,
				    .stale_s = 5 * config->period_s };
	return RC_OK;
}
