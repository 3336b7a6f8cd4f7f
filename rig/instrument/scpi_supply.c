/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/scpi_supply.h"

#include "instrument/scpi_output.h"

#include <stdlib.h>
#include <string.h>

#define ANSWER_S 2.0
#define LOOK_S 0.01
#define LINE_MAX_BYTES 160
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
	struct scpi_output output;
	bool await, has_answer; /* somebody waits for a line, which is then in line[] */
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
	char text[SCPI_TEXT];
	size_t n = scpi_output_put(&s->output, text);

	if (n == 0)
		n = scpi_put_measure(s->output.sets ? &s->output.setup : NULL, text);
	s->open = link_write(s->link, text, n, 0, NULL) == RC_OK;
	s->gone |= !s->open;
	s->asked = now;
}

static bool measured(struct supply *s)
{
	double v[3];

	if (!s->output.sets || !s->output.setup.limited[0])
		return supply_answer(s->line, &s->voltage_V, &s->current_A);
	if (!scpi_numbers(s->line, 3, v))
		return false;
	s->voltage_V = v[0];
	s->current_A = v[1];
	scpi_output_status(&s->output, v[2]);
	return true;
}

static void take_line(struct supply *s, struct mono now)
{
	s->line[s->n] = '\0';
	if (s->n > 0 && s->line[s->n - 1] == '\r')
		s->line[s->n - 1] = '\0';
	if (s->await) {
		s->has_answer = !s->too_long;
	} else if (!s->too_long && scpi_output_take(&s->output, s->line)) {
		s->open = false;
	} else if (!s->too_long && !s->output.open && measured(s)) {
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

/* What is set goes out as soon as nothing is open; what is measured once a period. */
static bool is_due(const struct supply *s, struct mono now)
{
	double since_s = mono_diff_s(now, s->asked), period_s = s->config.period_s;

	if (s->open)
		return since_s >= ASK_AGAIN_PERIODS * period_s;
	return since_s >= period_s || (s->output.sets && s->output.want != s->output.told);
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
	bool refused = s->output.error[0] != '\0';

	note_absence(s, now);
	take(s, now);
	if (!s->gone && is_due(s, now)) {
		scpi_output_lost(&s->output);
		ask(s, now);
	}
	s->channel.age_s = s->channel.fresh == 0 || s->gone || refused
				   ? INFINITY
				   : fmax(0, mono_diff_s(now, s->channel.taken) - s->away_s);
	if (s->gone)
		s->channel.quality = QUALITY_MISSING;
	snap->voltage_V = s->gone ? NAN : s->voltage_V;
	snap->current_A = s->gone ? NAN : s->current_A;
	snap->ripple_W = NAN;
	snap->supply_limited = s->output.limited;
	snap->channel[CHANNEL_VOLTAGE] = snap->channel[CHANNEL_CURRENT] = s->channel;
}

/* Off at once, without waiting for an answer; the question for it follows. */
static void set_supply(void *ctx, const struct wish *allowed)
{
	struct supply *s = ctx;
	char text[SCPI_TEXT];

	if (!scpi_output_want(&s->output, allowed->power) || s->gone)
		return;
	size_t n = scpi_put_off(&s->output.setup, text);
	s->gone |= link_write(s->link, text, n, 0, NULL) != RC_OK;
}

/* Send and wait, before the first tick. */
static enum rc ask_now(struct supply *s, const char *text, size_t n, struct err *err)
{
	struct mono now = s->clock->now(s->clock->ctx), until = mono_add_ns(now, (int64_t)(ANSWER_S * 1e9));
	enum rc rc = link_write(s->link, text, n, 200, err);

	s->await = true;
	s->has_answer = false;
	while (rc == RC_OK && !s->has_answer && !s->gone && now.ns < until.ns) {
		rc = s->clock->sleep_until(s->clock->ctx, mono_add_ns(now, (int64_t)(LOOK_S * 1e9)), err);
		now = s->clock->now(s->clock->ctx);
		if (rc == RC_OK)
			take(s, now);
	}
	s->await = false;
	if (rc != RC_OK || s->has_answer)
		return rc;
	return err_set(err, RC_TIMEOUT, 0,
		       "no answer within %g s to \"%.*s\"; check its cable, and its header words in rig.ini", ANSWER_S,
		       (int)n - 1, text);
}

/* Off, limits set, asked whether it took them, read back. */
static enum rc set_limits(struct supply *s, struct err *err)
{
	char text[SCPI_TEXT], answer[SCPI_TEXT];
	long number;
	enum rc rc = ask_now(s, text, scpi_put_limits(&s->output.setup, text), err);

	if (rc != RC_OK)
		return rc;
	if (!scpi_error(s->line, &number, answer))
		return err_set(err, RC_PROTOCOL, 0,
			       "it answers \"%.60s\" to %s, expected a number and a text; check ask_error in rig.ini",
			       s->line, s->output.setup.error);
	if (number != 0)
		return err_set(err, RC_ARG, 0,
			       "it answered error %ld (%s) to \"%.*s\"; check [supply] and its header words in rig.ini",
			       number, answer, (int)strlen(text) - 1, text);
	rc = ask_now(s, text, scpi_put_read_back(&s->output.setup, text), err);
	if (rc == RC_OK && scpi_output_check(&s->output, s->line, answer))
		rc = err_set(err, RC_ARG, 0, "%s; check its range, [supply] and its header words in rig.ini", answer);
	return rc;
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
	static const struct instrument_ops ops = {
		.begin = begin, .poll = poll_supply, .set = set_supply, .close = close_supply
	};
	struct supply *s = calloc(1, sizeof *s);

	if (s == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", config->name);
	s->config = *config;
	s->link = link;
	s->clock = clock;
	s->voltage_V = s->current_A = NAN;
	s->output.sets = config->scpi && config->roles & ROLE_POWER;
	if (s->output.sets)
		s->output.setup = *config->scpi;
	s->channel = (struct channel){ .age_s = INFINITY, .instrument = config->number };
	s->polled = clock->now(clock->ctx);
	enum rc rc = s->output.sets ? set_limits(s, err) : RC_OK;

	if (rc != RC_OK) {
		free(s);
		return rc;
	}
	*ret = (struct instrument){ .ops = &ops,
				    .ctx = s,
				    .name = config->name,
				    .roles = config->roles,
				    .error = s->output.error,
				    .stale_s = fmax(STALE_LEAST_S, STALE_PERIODS * config->period_s) };
	return RC_OK;
}
