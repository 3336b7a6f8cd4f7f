/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/scpi_supply.h"

#include <stdlib.h>
#include <string.h>

#define QUESTION "MEAS:VOLT?;CURR?\n"
#define LINE_MAX_BYTES 80
#define ASK_AGAIN_PERIODS 3 /* a question or an answer was lost */
#define STALE_PERIODS 5
#define STALE_LEAST_S 1.0
#define AWAY_S 0.1 /* who looks later than that was away; it is not held against the supply */

struct supply {
	struct instrument_config config;
	struct link *link;
	const struct clock_src *clock;
	char line[LINE_MAX_BYTES];
	size_t n;
	bool too_long, gone, open; /* open: a question is */
	struct mono asked, polled;
	double away_s; /* of the newest reading's age */
	double voltage_V, current_A;
	struct channel channel; /* of both: one answer tells both */
};

bool supply_answer(const char *line, double *ret_V, double *ret_A)
{
	char *end;
	double volt = strtod(line, &end);

	if (end == line || *end != ';')
		return false;
	const char *second = end + 1;
	double ampere = strtod(second, &end);
	if (end == second || *end != '\0' || !isfinite(volt) || !isfinite(ampere))
		return false;
	*ret_V = volt;
	*ret_A = ampere;
	return true;
}

static void ask(struct supply *s, struct mono now)
{
	s->open = link_write(s->link, QUESTION, strlen(QUESTION), 0, NULL) == RC_OK;
	s->gone |= !s->open;
	s->asked = now;
}

static void take_line(struct supply *s, struct mono now)
{
	s->line[s->n] = '\0';
	if (s->n > 0 && s->line[s->n - 1] == '\r')
		s->line[s->n - 1] = '\0';
	if (!s->too_long && supply_answer(s->line, &s->voltage_V, &s->current_A)) {
		s->channel.fresh++;
		s->channel.taken = now;
		s->channel.quality = QUALITY_GOOD;
		s->away_s = 0;
		s->open = false;
	}
	s->n = 0;
	s->too_long = false;
}

static void take(struct supply *s, struct mono now)
{
	char buf[256];
	size_t n = sizeof buf;

	while (n == sizeof buf && !s->gone) {
		if (link_read(s->link, buf, sizeof buf, &n, NULL) != RC_OK)
			s->gone = true;
		for (size_t i = 0; i < n; i++) {
			if (buf[i] == '\n')
				take_line(s, now);
			else if (s->n < sizeof s->line - 1)
				s->line[s->n++] = buf[i];
			else
				s->too_long = true;
		}
	}
}

static void note_absence(struct supply *s, struct mono now)
{
	double gap_s = mono_diff_s(now, s->polled);

	if (gap_s > AWAY_S)
		s->away_s += gap_s;
	s->polled = now;
}

static void poll_supply(void *ctx, struct snapshot *snap)
{
	struct supply *s = ctx;
	struct mono now = s->clock->now(s->clock->ctx);
	double period_s = s->config.period_s;

	note_absence(s, now);
	take(s, now);
	if (!s->gone && mono_diff_s(now, s->asked) >= (s->open ? ASK_AGAIN_PERIODS * period_s : period_s))
		ask(s, now);
	s->channel.age_s =
		s->channel.fresh == 0 || s->gone ? INFINITY : fmax(0, mono_diff_s(now, s->channel.taken) - s->away_s);
	if (s->gone)
		s->channel.quality = QUALITY_MISSING;
	snap->voltage_V = s->gone ? NAN : s->voltage_V;
	snap->current_A = s->gone ? NAN : s->current_A;
	snap->ripple_W = NAN;
	snap->channel[CHANNEL_VOLTAGE] = snap->channel[CHANNEL_CURRENT] = s->channel;
}

static enum rc begin(void *ctx, struct err *err)
{
	struct supply *s = ctx;

	(void)err;
	s->polled = s->clock->now(s->clock->ctx);
	take(s, s->polled);
	if (!s->gone)
		ask(s, s->polled);
	return RC_OK;
}

static void close_supply(void *ctx)
{
	free(ctx);
}

enum rc supply_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		    struct instrument *ret, struct err *err)
{
	static const struct instrument_ops ops = { .begin = begin, .poll = poll_supply, .close = close_supply };
	struct supply *s = calloc(1, sizeof *s);

	if (s == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", config->name);
	s->config = *config;
	s->link = link;
	s->clock = clock;
	s->voltage_V = s->current_A = NAN;
	s->channel = (struct channel){ .age_s = INFINITY, .instrument = config->number };
	s->polled = clock->now(clock->ctx);
	*ret = (struct instrument){ .ops = &ops,
				    .ctx = s,
				    .name = config->name,
				    .roles = config->roles,
				    .stale_s = fmax(STALE_LEAST_S, STALE_PERIODS * config->period_s) };
	return RC_OK;
}
