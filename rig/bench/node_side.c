/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/node_side.h"
#include "bench/node_side_private.h"

#include <math.h>
#include <string.h>

#define QUIET_US 300000      /* no pulse for this long: the shaft stands */
#define STOPPING_US 60000000 /* longest that the brake is kept: against a shaft that is driven on */
#define CONTACTOR_US 200000  /* longest that a contactor may take */
#define EVENT_US 100000      /* no more than two events of the same word */
#define TOLD (BENCH_DRIVE_ENABLED | BENCH_DRIVE_FAULTS)
#define POWER_US 1000000 /* a contactor that was told to close waits so long for its first set */

static const char *const state_word[] = { "idle", "live", "stopping", "safe" };

static void event_word(struct node_side *n, const char *word, const char *value, int64_t t_us)
{
	struct tether_writer w;

	node_wire_event(n, &w, word);
	tether_put_word(&w, value);
	tether_put_hex(&w, node_wire_clock(n, t_us), 8);
	node_wire_put(n, &w, t_us);
}

/* What chatters must not flood the line: false while the last two events of this word are too near. */
static bool may_say(struct node_side_said *said, unsigned value, int64_t t_us)
{
	if (value == said->value || t_us - said->before_us < EVENT_US)
		return false;
	*said = (struct node_side_said){ value, t_us, said->at_us };
	return true;
}

static void say_line(struct node_side *n, struct node_side_said *said, const char *word, bool good, int64_t t_us)
{
	if (may_say(said, good, t_us))
		event_word(n, word, good ? "1" : "0", t_us);
}

/* Of the drive only what it does and its faults: its limits come and go by the millisecond. */
static void say_drive(struct node_side *n, unsigned flags, int64_t t_us)
{
	const char value[3] = { "0123456789abcdef"[flags >> 4 & 15], "0123456789abcdef"[flags & 15], '\0' };

	if (may_say(&n->said[3], flags & TOLD, t_us))
		event_word(n, "drive", value, t_us);
}

static void say_events(struct node_side *n, int64_t t_us)
{
	say_line(n, &n->said[0], "estop", n->seen.estop_ok, t_us);
	say_line(n, &n->said[1], "guard", n->seen.cage_closed, t_us);
	say_line(n, &n->said[2], "contactor", n->seen.contactor_closed, t_us);
	say_drive(n, n->seen.drive_flags, t_us);
}

/* Nothing is news that was so when the node started. */
static void forget_events(struct node_side *n)
{
	for (int i = 0; i < 4; i++)
		n->said[i].at_us = n->said[i].before_us = -EVENT_US;
	n->said[0].value = n->seen.estop_ok;
	n->said[1].value = n->seen.cage_closed;
	n->said[2].value = n->seen.contactor_closed;
	n->said[3].value = n->seen.drive_flags & TOLD;
}

static void enter(struct node_side *n, enum node_side_state state, int64_t t_us)
{
	if (n->state == state)
		return;
	n->state = state;
	event_word(n, "state", state_word[state], t_us);
}

void node_side_boot(struct node_side *n, int64_t t_us, const char *cause)
{
	struct tether_writer w;

	memset(&n->reader, 0, sizeof n->reader);
	n->last_body[0] = '\0';
	n->boot = (uint16_t)gsl_rng_uniform_int(n->rng, 0x10000);
	n->boot_us = t_us;
	n->state = NODE_SIDE_IDLE;
	n->reason = "none";
	memset(&n->orders, 0, sizeof n->orders);
	n->lease_us = INT64_MAX;
	n->moved_us = n->contactor_us = n->stop_us = t_us;
	n->was_closed = n->seen.contactor_closed;
	n->rate_Hz = 0;
	n->sample_us = INFINITY;
	n->sample = n->event = n->ack = 0;
	n->tx_n = 0;
	forget_events(n);
	node_wire_bytes(n, "\n", 1, t_us); /* ends what was on its way */
	tether_begin(&w, "B");
	tether_put_hex(&w, n->boot, 4);
	tether_put_word(&w, cause);
	node_wire_put(n, &w, t_us);
}

void node_side_init(struct node_side *n, const struct node_side_config *config, gsl_rng *rng,
		    const struct node_side_senses *senses)
{
	memset(n, 0, sizeof *n);
	n->config = *config;
	n->rng = rng;
	n->seen = *senses;
	n->pulses = senses->pulses;
	n->byte_us = 1e7 / config->baud;
	node_side_boot(n, 0, "power");
}

static int largest(int a, int b)
{
	return a > b ? a : b;
}

/* The order of stopping a brake rig: the drive's torque off, the contactor open, the brake kept. */
static void go_safe(struct node_side *n, const char *reason, int64_t t_us)
{
	if (n->state == NODE_SIDE_STOPPING || n->state == NODE_SIDE_SAFE)
		return;
	n->orders.mode = BENCH_OFF;
	n->orders.value = 0;
	n->orders.contactor = false;
	n->orders.brake_mA = largest(n->orders.brake_mA, n->config.brake_mA / 2);
	n->lease_us = INT64_MAX;
	n->stop_us = t_us;
	n->reason = reason;
	enter(n, NODE_SIDE_STOPPING, t_us);
}

static void stop_step(struct node_side *n, int64_t t_us)
{
	int64_t still_since = n->moved_us > n->stop_us ? n->moved_us : n->stop_us;

	if (t_us - still_since < QUIET_US && t_us - n->stop_us < STOPPING_US)
		return;
	n->orders.brake_mA = 0;
	enter(n, NODE_SIDE_SAFE, t_us);
}

/* The contact opened unasked, or does not close. One that does not open is the host's to judge: it holds the brake
 * while its lease lasts. */
static bool contactor_wrong(struct node_side *n, int64_t t_us)
{
	bool closed = n->seen.contactor_closed, dropped = n->was_closed && !closed && n->orders.contactor;

	if (closed == n->orders.contactor)
		n->contactor_us = t_us;
	n->was_closed = closed;
	return dropped || (t_us - n->contactor_us > CONTACTOR_US && n->orders.contactor);
}

static void watch(struct node_side *n, int64_t t_us)
{
	bool wrong = contactor_wrong(n, t_us);

	if (n->state != NODE_SIDE_LIVE && !(n->state == NODE_SIDE_IDLE && n->orders.contactor))
		return;
	if (!n->seen.estop_ok)
		go_safe(n, "estop", t_us);
	else if (!n->seen.cage_closed)
		go_safe(n, "guard", t_us);
	else if (wrong)
		go_safe(n, "contactor", t_us);
	else if (t_us >= n->lease_us)
		go_safe(n, "lease", t_us);
}

static void look(struct node_side *n, const struct node_side_senses *senses, int64_t t_us)
{
	n->seen = *senses;
	if (senses->pulses != n->pulses)
		n->moved_us = t_us;
	n->pulses = senses->pulses;
	say_events(n, t_us);
}

void node_side_tick(struct node_side *n, int64_t t_us, const struct node_side_senses *senses)
{
	node_wire_flow(n, t_us);
	look(n, senses, t_us);
	watch(n, t_us);
	if (n->state == NODE_SIDE_STOPPING)
		stop_step(n, t_us);
}

static int mode_of(const char *word)
{
	static const char *const modes[] = { "off", "speed", "current", "torque", "position" };

	for (int mode = 0; mode < 5; mode++)
		if (strcmp(word, modes[mode]) == 0)
			return mode;
	return -1;
}

static const char *obey_set(struct node_side *n, char **token, size_t count, uint8_t seq, int64_t t_us)
{
	int mode = count > 3 ? mode_of(token[3]) : -1;
	int64_t lease, value, brake, limit = 0;
	bool limited = mode == BENCH_TORQUE || mode == BENCH_POSITION;

	if (mode < 0 || count != (limited ? 7 : 6) || !tether_decimal(token[2], INT64_MIN, INT64_MAX, &lease) ||
	    !tether_decimal(token[4], INT64_MIN, INT64_MAX, &value) ||
	    !tether_decimal(token[5], INT64_MIN, INT64_MAX, &brake) ||
	    (limited && !tether_decimal(token[6], INT64_MIN, INT64_MAX, &limit)))
		return "no args";
	if (lease < 10 || lease > 5000 || value < -999999 || value > 999999 || (mode == BENCH_OFF && value != 0) ||
	    brake < 0 || brake > n->config.brake_mA || limit < limited || limit > 999999)
		return "no range";
	if (n->state == NODE_SIDE_SAFE || n->state == NODE_SIDE_STOPPING)
		return n->state == NODE_SIDE_SAFE ? "no safe" : "no stopping";
	if (mode != BENCH_OFF && !n->seen.contactor_closed)
		return "no power";
	n->orders.mode = (enum bench_mode)mode;
	n->orders.value = (double)value;
	n->orders.limit = (double)limit;
	n->orders.brake_mA = (int)brake;
	n->ack = seq;
	bool idle = mode == BENCH_OFF && brake == 0;
	n->lease_us = idle && !n->orders.contactor ? INT64_MAX : t_us + lease * 1000;
	enter(n, idle ? NODE_SIDE_IDLE : NODE_SIDE_LIVE, t_us);
	return n->rate_Hz > 0 ? NULL : "ok";
}

static const char *obey_power(struct node_side *n, char **token, size_t count, int64_t t_us)
{
	if (count == 3 && strcmp(token[2], "off") == 0) {
		n->orders.contactor = false;
		n->orders.mode = BENCH_OFF;
		n->orders.value = 0;
		if (n->state == NODE_SIDE_LIVE && n->orders.brake_mA == 0)
			enter(n, NODE_SIDE_IDLE, t_us);
		if (n->state == NODE_SIDE_IDLE)
			n->lease_us = INT64_MAX;
		return "ok";
	}
	if (count != 3 || strcmp(token[2], "on") != 0)
		return "no args";
	if (n->state == NODE_SIDE_SAFE || n->state == NODE_SIDE_STOPPING)
		return "no safe";
	if (!n->seen.estop_ok)
		return "no estop";
	if (!n->seen.cage_closed)
		return "no guard";
	n->orders.contactor = true;
	if (n->lease_us == INT64_MAX)
		n->lease_us = t_us + POWER_US;
	return "ok";
}

static const char *obey_clear(struct node_side *n, int64_t t_us)
{
	if (n->state == NODE_SIDE_LIVE || n->state == NODE_SIDE_STOPPING)
		return "no moving";
	if (n->state == NODE_SIDE_SAFE && !n->seen.estop_ok)
		return "no estop";
	if (n->state == NODE_SIDE_SAFE && !n->seen.cage_closed)
		return "no guard";
	if (n->state == NODE_SIDE_SAFE)
		n->reason = "none";
	enter(n, NODE_SIDE_IDLE, t_us);
	return "ok";
}

static const char *obey_rate(struct node_side *n, char **token, size_t count, int64_t t_us)
{
	int64_t rate, slow;

	if (count != 4 || !tether_decimal(token[2], INT64_MIN, INT64_MAX, &rate) ||
	    !tether_decimal(token[3], INT64_MIN, INT64_MAX, &slow))
		return "no args";
	if (rate < 0 || rate > node_wire_rate_limit(&n->config) || slow < 1 || slow > 1000)
		return "no range";
	n->rate_Hz = (int)rate;
	n->slow_every = n->slow_left = (int)slow;
	n->ripple_W = 0;
	n->period_us = rate > 0 ? 1e6 / (double)rate / (1 + n->config.clock_ppm * 1e-6) : INFINITY;
	n->sample_us = (double)t_us + n->period_us;
	return "ok";
}

/* What a request that changes something is answered, or NULL for nothing. */
static const char *obey(struct node_side *n, char **token, size_t count, uint8_t seq, int64_t t_us)
{
	if (strcmp(token[1], "set") == 0)
		return obey_set(n, token, count, seq, t_us);
	if (strcmp(token[1], "rate") == 0)
		return obey_rate(n, token, count, t_us);
	if (strcmp(token[1], "power") == 0)
		return obey_power(n, token, count, t_us);
	if (strcmp(token[1], "restart") != 0 && strcmp(token[1], "safe") != 0 && strcmp(token[1], "clear") != 0)
		return "no verb";
	if (count != 2)
		return "no args";
	if (strcmp(token[1], "clear") == 0)
		return obey_clear(n, t_us);
	if (strcmp(token[1], "safe") == 0) {
		go_safe(n, "host", t_us);
		return "ok";
	}
	if (n->orders.mode != BENCH_OFF)
		return "no live";
	n->orders.restart = true;
	return "ok";
}

static void request(struct node_side *n, int64_t t_us)
{
	char body[TETHER_LINE_MAX + 1];
	char *token[TETHER_TOKENS];
	struct tether_writer w;
	const char *answer;
	size_t count;
	int64_t seq;

	strcpy(body, n->reader.line);
	count = tether_split(body, token);
	if (count < 2 || !tether_decimal(token[0] + 1, 0, 255, &seq)) {
		n->reader.bad++;
		return;
	}
	if (strcmp(n->reader.line, n->last_body) == 0) { /* obeyed once, answered twice */
		node_wire_bytes(n, n->last_answer, n->last_answer_n, t_us);
		return;
	}
	tether_begin_seq(&w, '!', (uint8_t)seq);
	if (node_wire_query(n, token, count, state_word[n->state], t_us, &w)) {
		node_wire_put(n, &w, t_us);
		n->last_body[0] = '\0'; /* no longer twice in a row: a new host may come to the same number and words */
		return;
	}
	strcpy(n->last_body, n->reader.line);
	answer = obey(n, token, count, (uint8_t)seq, t_us);
	n->last_answer_n = 0;
	if (answer == NULL)
		return;
	tether_put_words(&w, answer);
	n->last_answer_n = tether_end(&w);
	memcpy(n->last_answer, w.line, n->last_answer_n);
	node_wire_bytes(n, n->last_answer, n->last_answer_n, t_us);
}

void node_side_receive(struct node_side *n, const char *bytes, size_t count, int64_t t_us,
		       const struct node_side_senses *senses)
{
	look(n, senses, t_us);
	for (size_t i = 0; i < count && !node_wire_silent(n, t_us); i++) {
		if (tether_feed(&n->reader, node_wire_spoil(n, bytes[i])) && n->reader.line[0] == '?')
			request(n, t_us);
	}
}

void node_side_sample(struct node_side *n, int64_t t_us, const struct node_side_senses *senses)
{
	node_wire_fast(n, senses, t_us);
	n->ripple_W += senses->meter_ripple_W;
	if (--n->slow_left == 0) {
		n->slow_left = n->slow_every;
		node_wire_slow(n, senses, state_word[n->state], t_us);
		n->ripple_W = 0;
	}
	n->sample++;
	n->sample_us += n->period_us;
}
