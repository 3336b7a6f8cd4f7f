/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/scpi_supply_private.h"

#include "instrument/absence.h"
#include "instrument/scpi_output.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ANSWER_S 2.0
#define LOOK_S 0.01
#define LINE_MAX_BYTES 160
#define ASK_AGAIN_PERIODS 3 /* a question or an answer was lost */
#define TURN_PERIODS 2      /* the same on a line that others wait for */
#define STALE_PERIODS 5
#define STALE_LEAST_S 1.0
#define QUESTION_TO "INST:NSEL %d;NSEL?;:MEAS:VOLT?;CURR?\n"

struct supply {
	struct instrument_config config;
	struct link *link;
	const struct clock_src *clock;
	char line[LINE_MAX_BYTES];
	size_t n;
	bool too_long, gone, open;   /* open: a question is */
	struct mono asked, measured; /* newest question; newest one that measures */
	struct absence absence;
	unsigned me; /* among the turns */
	double voltage_V, current_A;
	struct channel channel; /* of both: one answer tells both */
	struct scpi_output output;
	bool await, has_answer; /* somebody waits for a line, which is then in line[] */
};

/* Past the number of the output that answers; NULL: it is another. */
static const char *past_address(const char *line, int address)
{
	char *end;
	long number = strtol(line, &end, 10);

	return end != line && *end == ';' && number == address ? end + 1 : NULL;
}

bool supply_answer(const char *line, int address, double *ret_V, double *ret_A)
{
	char *end;

	line = address ? past_address(line, address) : line;
	if (line == NULL)
		return false;
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
	/* A coil's current may change in each tick: what is measured has its turn. */
	bool turn = s->output.setup.coil && mono_diff_s(now, s->measured) >= s->config.period_s;
	size_t n = turn ? 0 : scpi_output_put(&s->output, text);

	if (n == 0)
		s->measured = now;
	if (s->config.address)
		n = (size_t)snprintf(text, sizeof text, QUESTION_TO, s->config.address);
	else if (n == 0)
		n = scpi_put_measure(s->output.sets ? &s->output.setup : NULL, text);
	s->open = link_write(s->link, text, n, s->config.wait_ms, NULL) == RC_OK;
	s->gone |= !s->open;
	s->asked = now;
}

static bool measured(struct supply *s)
{
	double v[4] = { 0 };

	if (!s->output.sets || !s->output.setup.limited[0])
		return supply_answer(s->line, s->config.address, &s->voltage_V, &s->current_A);
	if (!scpi_numbers(s->line, s->output.setup.limiting[0] ? 4 : 3, v))
		return false;
	s->voltage_V = v[0];
	s->current_A = v[1];
	scpi_output_status(&s->output, v[2], v[3]);
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
		absence_over(&s->absence);
		s->open = false;
		if (s->config.turns)
			turns_give(s->config.turns, s->me);
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
	return since_s >= period_s || scpi_output_differs(&s->output);
}

/* What stands on the line belongs to a turn before. */
static void drop(struct supply *s)
{
	char buf[256];
	size_t n = sizeof buf;

	while (n == sizeof buf && !s->gone)
		s->gone |= link_read(s->link, buf, sizeof buf, &n, NULL) != RC_OK;
	s->n = 0;
	s->too_long = false;
}

static void go_on_alone(struct supply *s, struct mono now)
{
	take(s, now);
	if (s->gone || !is_due(s, now))
		return;
	scpi_output_lost(&s->output);
	ask(s, now);
}

static void go_on_in_turn(struct supply *s, struct mono now)
{
	struct turns *turns = s->config.turns;
	double since_s = mono_diff_s(now, s->asked);

	if (turns_is_mine(turns, s->me)) {
		take(s, now);
		if (s->gone || (s->open && since_s >= TURN_PERIODS * s->config.period_s)) {
			s->open = false;
			turns_give(turns, s->me);
		}
		return;
	}
	if (s->gone || since_s < s->config.period_s || !turns_take(turns, s->me))
		return;
	drop(s);
	if (!s->gone)
		ask(s, now);
}

static void tell(const struct supply *s, struct snapshot *snap)
{
	if (s->output.setup.coil) {
		snap->brake_A = s->gone ? NAN : s->current_A;
		snap->channel[CHANNEL_BRAKE] = s->channel;
		return;
	}
	if (s->config.roles & ROLE_VOLTAGE) {
		snap->voltage_V = s->gone ? NAN : s->voltage_V;
		snap->channel[CHANNEL_VOLTAGE] = s->channel;
	}
	if (s->config.roles & ROLE_CURRENT) {
		snap->current_A = s->gone ? NAN : s->current_A;
		snap->channel[CHANNEL_CURRENT] = s->channel;
	}
	snap->ripple_W = NAN;
	if (s->output.sets)
		snap->supply_limited = s->output.limited;
}

static void poll_supply(void *ctx, struct snapshot *snap)
{
	struct supply *s = ctx;
	struct mono now = s->clock->now(s->clock->ctx);
	bool refused = s->output.error[0] != '\0';

	absence_look(&s->absence, now);
	if (s->config.turns)
		go_on_in_turn(s, now);
	else
		go_on_alone(s, now);
	s->channel.age_s = s->channel.fresh == 0 || s->gone || refused
				   ? INFINITY
				   : absence_age_s(&s->absence, now, s->channel.taken);
	if (s->gone)
		s->channel.quality = QUALITY_MISSING;
	tell(s, snap);
}

/* Off at once, without waiting for an answer; the question for it follows. */
static void set_supply(void *ctx, const struct wish *allowed)
{
	struct supply *s = ctx;
	char text[SCPI_TEXT];

	bool off = s->output.setup.coil ? scpi_output_want_coil(&s->output, allowed)
					: scpi_output_want(&s->output, allowed->power);
	if (!off || s->gone)
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
	if (s->gone)
		return err_set(err, RC_IO, 0, "its line ended; check its cable");
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

	struct mono now = s->clock->now(s->clock->ctx);

	(void)err;
	s->absence.looked = now;
	if (s->config.turns)
		return RC_OK;
	take(s, now);
	if (!s->gone)
		ask(s, now);
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
	s->output.sets = config->scpi && config->roles & (ROLE_POWER | ROLE_CUT | ROLE_BRAKE);
	if (s->output.sets)
		s->output.setup = *config->scpi;
	s->channel = (struct channel){ .age_s = INFINITY, .instrument = config->number };
	s->absence = absence_from(clock->now(clock->ctx));
	enum rc rc = s->output.sets ? set_limits(s, err) : RC_OK;

	if (rc != RC_OK) {
		free(s);
		return rc;
	}
	if (config->turns)
		s->me = turns_join(config->turns);
	unsigned sharers = config->turns ? config->sharers : 1;
	*ret = (struct instrument){ .ops = &ops,
				    .ctx = s,
				    .name = config->name,
				    .roles = config->roles,
				    .error = s->output.error,
				    .stale_s = sharers * fmax(STALE_LEAST_S, STALE_PERIODS * config->period_s) };
	return RC_OK;
}
