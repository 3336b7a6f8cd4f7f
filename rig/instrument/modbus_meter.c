/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/modbus_meter.h"

#include "instrument/absence.h"
#include "instrument/modbus_output.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COLDEST_degC (-273.15) /* loggers tell an open sensor by a number far below */
#define READS_MOST 8
#define CHARACTER_BITS 11.0
#define QUIET_LEAST_S 0.00175
#define ERROR MODBUS_WHY
#define LOOK_S 0.01

struct question {
	enum modbus_table table;
	uint16_t address;
	unsigned registers;
	enum modbus_word first; /* of them, by place in order */
};

struct meter {
	struct modbus_setup setup;
	struct modbus_line line;
	unsigned roles, me;
	double period_s, quiet_s;
	struct link *link;
	const struct clock_src *clock;
	struct turns *turns;
	struct question question[MODBUS_WORDS];
	size_t n_questions, at;               /* at: the open one, or the next */
	enum modbus_word order[MODBUS_WORDS]; /* by table and address */
	size_t n_words;
	bool sets, orders_open, off_now; /* the open question is one of the output's; off waits for nobody */
	struct modbus_output output;
	bool open, gone, over; /* over: the round is, and the line rests before the next one's turn */
	uint16_t transaction;
	struct mono asked, rest_until, round;
	uint8_t buf[2 * MODBUS_FRAME];
	size_t n;
	double told[MODBUS_WORDS], value[MODBUS_WORDS]; /* of this round; of the last whole one */
	struct channel channel;                         /* of all its words: they come together */
	struct absence absence;
	char error[ERROR];
};

static bool stands_before(const struct modbus_register *a, const struct modbus_register *b)
{
	return a->table != b->table ? a->table < b->table : a->address < b->address;
}

static void put_in_order(struct meter *m)
{
	for (int w = 0; w < MODBUS_WORDS; w++) {
		size_t i = m->n_words;

		if (!m->setup.word[w].given)
			continue;
		for (; i > 0 && stands_before(&m->setup.word[w], &m->setup.word[m->order[i - 1]]); i--)
			m->order[i] = m->order[i - 1];
		m->order[i] = (enum modbus_word)w;
		m->n_words++;
	}
}

static void plan_questions(struct meter *m)
{
	put_in_order(m);
	for (size_t i = 0; i < m->n_words; i++) {
		const struct modbus_register *r = &m->setup.word[m->order[i]];
		struct question *q = m->n_questions > 0 ? &m->question[m->n_questions - 1] : NULL;

		if (q && q->table == r->table && q->address + q->registers == r->address) {
			q->registers += modbus_registers(r->type);
			continue;
		}
		m->question[m->n_questions++] =
			(struct question){ r->table, r->address, modbus_registers(r->type), (enum modbus_word)i };
	}
}

static void rest(struct meter *m, struct mono now, double s)
{
	m->open = false;
	m->n = 0;
	m->rest_until = mono_add_ns(now, (int64_t)(s * 1e9));
}

static void end_round(struct meter *m)
{
	m->at = 0;
	m->over = true;
}

static void take_whole(struct meter *m, struct mono now)
{
	memcpy(m->value, m->told, sizeof m->value);
	m->channel.fresh++;
	m->channel.taken = now;
	m->channel.quality = QUALITY_GOOD;
	if (!m->output.error[0])
		m->error[0] = '\0';
	absence_over(&m->absence);
	end_round(m);
}

static void take_data(struct meter *m, const uint8_t *data, struct mono now)
{
	const struct question *q = &m->question[m->at];

	for (size_t i = q->first, at = 0; at < q->registers; i++) {
		const struct modbus_register *r = &m->setup.word[m->order[i]];

		double value = modbus_value(r, data + 2 * at);
		bool cannot_be = m->order[i] >= MODBUS_TEMP && !(value >= COLDEST_degC);

		m->told[m->order[i]] = cannot_be ? NAN : value;
		at += modbus_registers(r->type);
	}
	rest(m, now, m->quiet_s);
	if (++m->at == m->n_questions)
		take_whole(m, now);
}

static void take_refusal(struct meter *m, uint8_t code, struct mono now)
{
	const struct question *q = &m->question[m->at];

	snprintf(m->error, sizeof m->error, "asked for %s register %u, it %s (exception %u)",
		 q->table == MODBUS_INPUT ? "input" : "holding", q->address, modbus_exception(code), code);
	rest(m, now, m->quiet_s);
	end_round(m);
}

static void judge_orders(struct meter *m, struct mono now)
{
	double since_s = mono_diff_s(now, m->asked);

	if (modbus_output_take(&m->output, &m->line, m->transaction, m->buf, m->n)) {
		rest(m, now, m->quiet_s);
	} else if (since_s >= MODBUS_ANSWER_S || (m->off_now && since_s >= MODBUS_OFF_S)) {
		modbus_output_lost(&m->output);
		rest(m, now, m->off_now || !m->output.want ? m->quiet_s : MODBUS_ANSWER_S);
	}
	if (m->output.error[0])
		snprintf(m->error, sizeof m->error, "%s", m->output.error);
}

static void judge(struct meter *m, struct mono now)
{
	const struct question *q = &m->question[m->at];
	const uint8_t *data = NULL;
	uint8_t code = 0;

	switch (modbus_find(&m->line, m->transaction, q->table, q->registers, m->buf, m->n, &data, &code)) {
	case MODBUS_DATA: take_data(m, data, now); break;
	case MODBUS_REFUSED: take_refusal(m, code, now); break;
	case MODBUS_NOTHING:
		if (m->off_now && mono_diff_s(now, m->asked) >= MODBUS_OFF_S) {
			rest(m, now, m->quiet_s);
			break;
		}
		if (mono_diff_s(now, m->asked) < MODBUS_ANSWER_S)
			break;
		if (m->n > 0)
			snprintf(m->error, sizeof m->error, "%zu bytes came from it, and no answer to its question",
				 m->n);
		rest(m, now, MODBUS_ANSWER_S);
		end_round(m);
	}
}

/* What comes while nothing is open is nobody's answer. On a shared line it may be another's: his to read. */
static void take(struct meter *m)
{
	size_t n = 1;

	for (int i = 0; i < READS_MOST && n > 0 && !m->gone; i++) {
		if (m->n > MODBUS_FRAME) {
			memmove(m->buf, m->buf + m->n - MODBUS_FRAME, MODBUS_FRAME);
			m->n = MODBUS_FRAME;
		}
		m->gone = link_read(m->link, (char *)m->buf + m->n, sizeof m->buf - m->n, &n, NULL) != RC_OK;
		m->n += m->gone ? 0 : n;
	}
	if (!m->open)
		m->n = 0;
}

static void ask(struct meter *m, struct mono now)
{
	const struct question *q = &m->question[m->at];
	uint8_t buf[MODBUS_FRAME];

	size_t n = modbus_put_read(&m->line, ++m->transaction, q->table, q->address, q->registers, buf);
	m->gone = link_write(m->link, (const char *)buf, n, 0, NULL) != RC_OK;
	m->asked = now;
	if (m->at == 0)
		m->round = now;
	m->n = 0;
	m->open = true;
	m->orders_open = false;
}

static void order(struct meter *m, struct mono now)
{
	uint8_t buf[MODBUS_FRAME];

	size_t n = modbus_output_put(&m->output, &m->line, ++m->transaction, buf);
	m->gone = link_write(m->link, (const char *)buf, n, 0, NULL) != RC_OK;
	m->asked = now;
	m->n = 0;
	m->open = m->orders_open = true;
	m->off_now = false;
}

static bool has_orders(const struct meter *m, struct mono now)
{
	return m->sets && now.ns >= m->rest_until.ns && modbus_output_due(&m->output);
}

static bool is_due(const struct meter *m, struct mono now)
{
	return now.ns >= m->rest_until.ns && (m->at > 0 || mono_diff_s(now, m->round) >= m->period_s);
}

static void work(struct meter *m, struct mono now)
{
	bool due = is_due(m, now);

	if (m->over && now.ns >= m->rest_until.ns) {
		m->over = false;
		if (m->turns)
			turns_give(m->turns, m->me);
	}
	if (m->gone || m->over || (!m->open && !due && !has_orders(m, now)))
		return;
	if (m->turns && !turns_take(m->turns, m->me))
		return;
	take(m);
	if (m->open && m->orders_open)
		judge_orders(m, now);
	else if (m->open)
		judge(m, now);
	else if (has_orders(m, now))
		order(m, now);
	else if (due)
		ask(m, now);
}

static enum rc begin(void *ctx, struct err *err)
{
	struct meter *m = ctx;

	(void)err;
	m->absence.looked = m->clock->now(m->clock->ctx);
	return RC_OK;
}

static void tell_word(const struct meter *m, enum modbus_word word, enum channel_id channel, double *field,
		      struct snapshot *snap)
{
	*field = m->gone || !m->setup.word[word].given ? NAN : m->value[word];
	snap->channel[channel] = m->channel;
	if (!isfinite(*field)) {
		snap->channel[channel].quality = QUALITY_MISSING;
		if (m->channel.fresh > 0 && m->setup.word[word].given && !m->gone)
			snap->channel[channel].age_s = INFINITY; /* no number in it is no reading */
	}
}

static void tell(const struct meter *m, struct snapshot *snap)
{
	if (m->roles & ROLE_VOLTAGE)
		tell_word(m, MODBUS_VOLTAGE, CHANNEL_VOLTAGE, &snap->voltage_V, snap);
	if (m->roles & ROLE_CURRENT)
		tell_word(m, MODBUS_CURRENT, CHANNEL_CURRENT, &snap->current_A, snap);
	if (m->roles & ROLE_METER)
		snap->ripple_W = NAN;
	if (m->setup.word[MODBUS_LIMITED].given)
		snap->supply_limited = fabs(m->value[MODBUS_LIMITED]) > 0;
	for (int i = 0; m->roles & ROLE_TEMP && i < TEMP_COUNT; i++) {
		if (!m->setup.word[MODBUS_TEMP + i].given)
			continue;
		tell_word(m, (enum modbus_word)(MODBUS_TEMP + i), (enum channel_id)(CHANNEL_TEMP + i),
			  &snap->temp_degC[i], snap);
	}
}

static void poll_meter(void *ctx, struct snapshot *snap)
{
	struct meter *m = ctx;
	struct mono now = m->clock->now(m->clock->ctx);

	absence_look(&m->absence, now);
	work(m, now);
	m->channel.age_s = m->channel.fresh > 0 && !m->gone && !m->output.error[0]
				   ? absence_age_s(&m->absence, now, m->channel.taken)
				   : INFINITY;
	tell(m, snap);
}

static void set_meter(void *ctx, const struct wish *allowed)
{
	struct meter *m = ctx;

	m->off_now |= modbus_output_want(&m->output, allowed->power);
	if (m->off_now && !m->open && !m->gone)
		order(m, m->clock->now(m->clock->ctx));
}

/* Before the first tick: off, voltage and limit, each read back. */
static enum rc set_up(struct meter *m, struct err *err)
{
	char why[MODBUS_WHY];
	enum rc rc = RC_OK;

	if (modbus_output_init(&m->output, m->setup.set, m->setup.set_V, m->setup.set_A, why))
		return err_set(err, RC_ARG, 0, "%s. Check that key in rig.ini, and [supply]", why);
	while (rc == RC_OK && modbus_output_due(&m->output) && !m->output.error[0] && !m->gone) {
		struct mono now = m->clock->now(m->clock->ctx);

		if (m->open)
			take(m);
		if (m->open)
			judge_orders(m, now);
		else if (has_orders(m, now))
			order(m, now);
		rc = m->clock->sleep_until(m->clock->ctx, mono_add_ns(now, (int64_t)(LOOK_S * 1e9)), err);
	}
	if (rc == RC_OK && m->gone)
		return err_set(err, RC_IO, 0, "its line ended; check its cable");
	return rc == RC_OK && m->output.error[0] ? err_set(err, RC_ARG, 0, "%s", m->output.error) : rc;
}

static void close_meter(void *ctx)
{
	free(ctx);
}

enum rc modbus_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		    struct instrument *ret, struct err *err)
{
	static const struct instrument_ops reads = { .begin = begin, .poll = poll_meter, .close = close_meter };
	static const struct instrument_ops sets = {
		.begin = begin, .poll = poll_meter, .set = set_meter, .close = close_meter
	};
	struct meter *m = calloc(1, sizeof *m);

	if (m == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", config->name);
	struct mono now = clock->now(clock->ctx);
	m->setup = *config->modbus;
	m->line = (struct modbus_line){ .tcp = m->setup.tcp, .unit = (uint8_t)config->address };
	m->roles = config->roles;
	m->period_s = config->period_s;
	m->quiet_s = fmax(QUIET_LEAST_S, 3.5 * CHARACTER_BITS / m->setup.baud);
	m->link = link;
	m->clock = clock;
	m->turns = config->turns;
	m->me = m->turns ? turns_join(m->turns) : 0;
	m->round = mono_add_ns(now, -(int64_t)(m->period_s * 1e9));
	m->channel = (struct channel){ .age_s = INFINITY, .instrument = config->number };
	m->absence = absence_from(now);
	for (int w = 0; w < MODBUS_WORDS; w++)
		m->value[w] = NAN;
	plan_questions(m);
	m->sets = config->roles & (ROLE_POWER | ROLE_CUT);
	enum rc rc = m->sets ? set_up(m, err) : RC_OK;
	if (rc != RC_OK) {
		free(m);
		return rc;
	}
	*ret = (struct instrument){ .ops = m->sets ? &sets : &reads,
				    .ctx = m,
				    .name = config->name,
				    .roles = config->roles,
				    .error = m->error,
				    .stale_s = fmax(1, 5 * config->period_s) * fmax(1, config->sharers) };
	return RC_OK;
}
