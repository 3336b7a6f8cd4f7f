/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/node_private.h"

#include <stdio.h>
#include <string.h>

#define LOOK_NS 1000000LL

static void send_request(struct node *node, struct mono now)
{
	struct tether_writer w;

	tether_begin_seq(&w, '?', node->talk.seq);
	tether_put_words(&w, node->talk.request);
	node->talk.sent = now;
	node->talk.tries++;
	node_send(node, &w);
}

void talk_begin(struct node *node, enum talk_what what, const char *request)
{
	node->talk = (struct talk){ .what = what, .seq = ++node->seq };
	if (node->set_ns[node->talk.seq] != 0)
		node_set_answered(node, node->talk.seq); /* 256 numbers ago: whatever comes now answers this request */
	snprintf(node->talk.request, sizeof node->talk.request, "%s", request);
	send_request(node, node->clock->now(node->clock->ctx));
}

static void join(char *buf, size_t size, char *const token[], size_t n)
{
	size_t at = 0;

	buf[0] = '\0';
	for (size_t i = 0; i < n && at < size; i++)
		at += (size_t)snprintf(buf + at, size - at, "%s%s", i > 0 ? " " : "", token[i]);
}

/* What the node's own clock and start number say when it is greeted again. */
static void judge_again(struct node *node, char *const token[], size_t n)
{
	int64_t host_us = node->clock->now(node->clock->ctx).ns / 1000;
	uint64_t t_us;

	if (n < 6 || !tether_hex(token[5], 0xffffffff, &t_us))
		return;
	if (strcmp(token[4], node->caps.boot) != 0 ||
	    !nodetime_fits(&node->time, nodetime_unwrap(&node->time, (uint32_t)t_us, host_us), host_us))
		node->view.node_reset = true;
}

static void conclude(struct node *node, char *const token[], size_t n, bool ok)
{
	struct talk *t = &node->talk;

	t->result = ok ? TALK_OK : TALK_NO;
	join(t->answer, sizeof t->answer, token + 2, n - 2);
	if (t->what == TALK_PLAIN) {
		/* Here and not in the caller: the first sample may stand in the same read. */
		if (ok && strncmp(t->request, "rate ", 5) == 0) {
			node->flowing = true;
			node->heard = node->clock->now(node->clock->ctx);
		}
		return;
	}
	if (t->what == TALK_AGAIN && ok)
		judge_again(node, token, n);
	/* A refusal counts as told: asking again each tick would not change the node's mind. */
	if (t->what == TALK_POWER_ON || t->what == TALK_POWER_OFF) {
		node->power_told = t->what == TALK_POWER_ON;
		node->power_granted = ok && t->what == TALK_POWER_ON;
	}
	t->what = TALK_NONE;
}

static void set_refused(struct node *node, uint8_t seq, const char *reason)
{
	if (strcmp(reason, "safe") == 0)
		node->view.node_state = NODE_SAFE;
	else if (strcmp(reason, "stopping") == 0)
		node->view.node_state = NODE_STOPPING;
	else if (strcmp(reason, "power") != 0)
		return; /* range, args: never obeyed, so it stays unanswered */
	node_set_answered(node, seq);
}

void talk_hear(struct node *node, char *const token[], size_t n)
{
	int64_t seq;
	bool ok;

	if (n < 2 || !tether_decimal(token[0] + 1, 0, 255, &seq))
		return;
	ok = strcmp(token[1], "ok") == 0;
	if (!ok && strcmp(token[1], "no") != 0)
		return;
	/* A second host is told so before it has asked anything: the number says nothing. */
	bool busy = !ok && n == 3 && strcmp(token[2], "busy") == 0 && node->caps.name[0] == '\0';
	if (node->talk.what != TALK_NONE && node->talk.result == TALK_WAITING && (seq == node->talk.seq || busy))
		conclude(node, token, n, ok);
	else if (node->set_ns[seq] != 0 && ok)
		node_set_answered(node, (uint8_t)seq);
	else if (node->set_ns[seq] != 0 && n >= 3)
		set_refused(node, (uint8_t)seq, token[2]);
}

void talk_tend(struct node *node, struct mono now)
{
	struct talk *t = &node->talk;

	if (t->what == TALK_NONE || t->result != TALK_WAITING || now.ns - t->sent.ns < NODE_RETRY_NS)
		return;
	if (t->tries < NODE_TRIES) {
		send_request(node, now);
		return;
	}
	t->result = TALK_SILENT;
	if (t->what == TALK_POWER_ON)
		node->power_told = 1; /* the contactor that does not close tells; off is asked for again, for ever */
	if (t->what != TALK_PLAIN)
		t->what = TALK_NONE;
}

/* Begin a plain request and wait for its result, until at the latest. */
static enum rc wait_answer(struct node *node, const char *request, struct err *err)
{
	const struct clock_src *clock = node->clock;

	talk_begin(node, TALK_PLAIN, request);
	for (;;) {
		struct mono now;
		enum rc rc;

		node_take(node);
		now = node->polled;
		talk_tend(node, now);
		if (node->talk.result == TALK_SILENT || node->talk.result == TALK_OK || node->talk.result == TALK_NO)
			break;
		if (node->view.node_lost)
			return err_set(err, RC_IO, 0, "%s: the connection to the node is closed",
				       link_address(node->link));
		node_renew(node, now);
		rc = clock->sleep_until(clock->ctx, mono_add_ns(now, LOOK_NS), err);
		if (rc != RC_OK)
			return rc;
	}
	node->talk.what = TALK_NONE;
	if (node->talk.result == TALK_SILENT)
		return err_set(err, RC_TIMEOUT, 0, "%s: the node does not answer \"%s\" (%d tries)",
			       link_address(node->link), request, NODE_TRIES);
	return RC_OK;
}

enum rc node_request(struct node *node, const char *request, char *ret, size_t ret_size, struct err *err)
{
	struct tether_writer w;
	enum rc rc;

	tether_begin_seq(&w, '?', 255);
	tether_put_words(&w, request);
	if (tether_end(&w) == 0)
		return err_set(err, RC_ARG, 0, "\"%s\" is not a request for the node", request);
	rc = wait_answer(node, request, err);
	if (rc != RC_OK)
		return rc;
	if (node->talk.result == TALK_NO)
		return err_set(err, RC_SAYS_NO, 0, "the node refuses \"%s\": %s", request, node->talk.answer);
	if (ret != NULL)
		snprintf(ret, ret_size, "%s", node->talk.answer);
	return RC_OK;
}

static enum rc malformed(const struct node *node, const char *request, const char *expected, struct err *err)
{
	return err_set(err, RC_PROTOCOL, 0, "%s: the node answers \"%s\" with \"%s\", expected %s",
		       link_address(node->link), request, node->talk.answer, expected);
}

static enum rc ask(struct node *node, const char *request, char *words, char *token[], size_t *ret_n, struct err *err)
{
	enum rc rc = wait_answer(node, request, err);

	if (rc != RC_OK)
		return rc;
	if (node->talk.result == TALK_NO)
		return malformed(node, request, "ok", err);
	strcpy(words, node->talk.answer);
	*ret_n = words[0] == '\0' ? 0 : tether_split(words, token);
	return RC_OK;
}

static enum rc hello(struct node *node, struct err *err)
{
	const struct clock_src *clock = node->clock;
	int64_t until_ns = clock->now(clock->ctx).ns + NODE_GREET_NS;
	char words[TETHER_LINE_MAX], *token[TETHER_TOKENS];
	uint64_t t_us, boot;
	enum rc rc;
	size_t n;

	do
		rc = wait_answer(node, "hello 1", err);
	while (rc == RC_TIMEOUT && clock->now(clock->ctx).ns < until_ns);
	if (rc == RC_TIMEOUT)
		return err_set(err, rc, 0,
			       "%s: the node did not answer a greeting within %d s (%lu bytes came, %lu lines of them "
			       "garbage); "
			       "is it powered, and are address and baud rate right?",
			       link_address(node->link), (int)(NODE_GREET_NS / 1000000000),
			       (unsigned long)link_bytes_read(node->link), (unsigned long)node->view.line_bad);
	if (rc == RC_IO)
		err_prefix(err, "another program may drive this rig (the node hung up before it greeted): ");
	if (rc != RC_OK)
		return rc;
	strcpy(words, node->talk.answer);
	n = tether_split(words, token);
	if (node->talk.result == TALK_NO && n == 1 && strcmp(token[0], "busy") == 0)
		return err_set(err, RC_SAYS_NO, 0, "%s: another program drives this rig; end that one first",
			       link_address(node->link));
	if ((node->talk.result == TALK_NO && n == 2 && strcmp(token[0], "version") == 0) ||
	    (node->talk.result == TALK_OK && n > 0 && strcmp(token[0], "1") != 0))
		return err_set(
			err, RC_PROTOCOL, 0,
			"%s: the node has version %s of the tether, this program has version %d; load the node's "
			"program that belongs to it",
			link_address(node->link), token[node->talk.result == TALK_NO ? 1 : 0], TETHER_VERSION);
	if (node->talk.result == TALK_NO || n < 4 || strlen(token[1]) > 16 || !tether_hex(token[2], 0xffff, &boot) ||
	    !tether_hex(token[3], 0xffffffff, &t_us))
		return malformed(node, "hello 1", "\"ok 1 NAME BOOT T\"", err);
	strcpy(node->caps.name, token[1]);
	strcpy(node->caps.boot, token[2]);
	node->caps.clock_us = t_us;
	return RC_OK;
}

/* One number of a channel's info. */
static enum rc number(struct node *node, const char *request, size_t which, size_t of, int64_t min, int64_t max,
		      int *ret, struct err *err)
{
	char words[TETHER_LINE_MAX], *token[TETHER_TOKENS], expected[80];
	int64_t value;
	size_t n;

	strcpy(words, node->talk.answer);
	n = tether_split(words, token);
	if (n < of || !tether_decimal(token[which], min, max, &value)) {
		snprintf(expected, sizeof expected, "%zu whole number(s), the %s from %lld to %lld", of,
			 which == 0 ? "first" : "second", (long long)min, (long long)max);
		return malformed(node, request, expected, err);
	}
	*ret = (int)value;
	return RC_OK;
}

static enum rc info_numbers(struct node *node, const char *channel, const char *request, struct err *err)
{
	struct node_caps *c = &node->caps;
	enum rc rc;

	if (strcmp(channel, "brake") == 0)
		return number(node, request, 0, 1, 1, 9999, &c->brake_max_mA, err);
	if (strcmp(channel, "clock") == 0)
		return number(node, request, 0, 1, 1, 10000, &c->max_rate_Hz, err);
	rc = number(node, request, 0, 2, 8, 24, &c->cell_bits, err);
	return rc == RC_OK ? number(node, request, 1, 2, 1, 10000, &c->cell_sps, err) : rc;
}

static bool take_word(struct node *node, const char *channel, const char *word, int at)
{
	static const char *const places[TEMP_COUNT] = { "brake", "case", "winding", "ambient", "cell" };
	struct node_caps *c = &node->caps;

	if (strcmp(channel, "pick") == 0) {
		if (at == 0)
			c->pick_quad = strcmp(word, "quad") == 0;
		return at > 0 || (c->pick_quad || strcmp(word, "single") == 0);
	}
	if (strcmp(channel, "drive") == 0) {
		for (int mode = DRIVE_SPEED; mode <= DRIVE_POSITION; mode++)
			c->drive_mode[mode] |= strcmp(word, node_mode_word((enum drive_mode)mode)) == 0;
		return true; /* a mode that this program does not know is no harm */
	}
	if (strcmp(channel, "lines") == 0) {
		int *bit = strcmp(word, "estop") == 0       ? &node->estop_bit
			   : strcmp(word, "guard") == 0     ? &node->cage_bit
			   : strcmp(word, "contactor") == 0 ? &node->contactor_bit
							    : NULL;

		if (bit != NULL && at < 4)
			*bit = at;
		return true; /* a line that this program does not know has a bit all the same */
	}
	if (at >= SAMPLE_TEMPS)
		return true;
	node->temps = at + 1;
	node->temp_place[at] = -1; /* a place that this program does not know has its field all the same */
	for (int i = 0; i < TEMP_COUNT; i++)
		if (strcmp(word, places[i]) == 0)
			node->temp_place[at] = i;
	return true;
}

static enum rc info(struct node *node, const char *channel, struct err *err)
{
	char request[40], words[TETHER_LINE_MAX], *token[TETHER_TOKENS];
	enum rc rc;
	size_t n;

	snprintf(request, sizeof request, "info %s", channel);
	rc = ask(node, request, words, token, &n, err);
	if (rc != RC_OK)
		return rc;
	if (strcmp(channel, "cell") == 0 || strcmp(channel, "brake") == 0 || strcmp(channel, "clock") == 0)
		return info_numbers(node, channel, request, err);
	if (strcmp(channel, "meter") == 0)
		return RC_OK;
	for (size_t i = 0; i < n; i++)
		if (!take_word(node, channel, token[i], (int)i))
			return malformed(node, request, "the words of docs/tether.md", err);
	if (strcmp(channel, "pick") == 0 && n < 1)
		return malformed(node, request, "quad or single", err);
	return RC_OK;
}

static enum rc channels(struct node *node, struct err *err)
{
	struct node_caps *c = &node->caps;
	const struct {
		const char *name;
		bool *has;
	} known[] = {
		{ "cell", &c->cell },   { "pick", &c->pick }, { "brake", &c->brake }, { "meter", &c->meter },
		{ "drive", &c->drive }, { "temp", &c->temp }, { "lines", &c->lines }, { "clock", NULL },
	};
	char words[TETHER_LINE_MAX], *token[TETHER_TOKENS];
	bool clock = false;
	enum rc rc;
	size_t n;

	rc = ask(node, "caps", words, token, &n, err);
	for (size_t i = 0; rc == RC_OK && i < n; i++)
		for (size_t k = 0; rc == RC_OK && k < sizeof known / sizeof known[0]; k++) {
			if (strcmp(token[i], known[k].name) != 0)
				continue;
			if (known[k].has != NULL)
				*known[k].has = true;
			else
				clock = true;
			rc = info(node, known[k].name, err);
		}
	if (rc != RC_OK)
		return rc;
	if (!clock)
		return err_set(err, RC_PROTOCOL, 0, "%s: the node has no channel clock, which every node has",
			       link_address(node->link));
	c->line_estop = node->estop_bit >= 0;
	c->line_cage = node->cage_bit >= 0;
	c->line_contactor = node->contactor_bit >= 0;
	return RC_OK;
}

static enum rc check_rate(const struct node *node, struct err *err)
{
	if (node->config.fast_Hz <= node->caps.max_rate_Hz)
		return RC_OK;
	return err_set(err, RC_ARG, 0,
		       "the rig's profile asks for %d samples a second, the node \"%s\" gives at most %d",
		       node->config.fast_Hz, node->caps.name, node->caps.max_rate_Hz);
}

enum rc talk_start(struct node *node, struct err *err)
{
	const struct node_config *c = &node->config;
	char request[60];
	enum rc rc;

	snprintf(request, sizeof request, "rate %d %d", c->fast_Hz, c->slow_every);
	rc = wait_answer(node, request, err);
	if (rc != RC_OK)
		return rc;
	if (node->talk.result == TALK_NO)
		return malformed(node, request, "ok", err);
	return RC_OK;
}

enum rc talk_greet(struct node *node, struct err *err)
{
	enum rc rc = link_write(node->link, "\n", 1, 100, err); /* ends what an earlier host left behind */

	if (rc == RC_OK)
		rc = hello(node, err);
	if (rc == RC_OK)
		rc = channels(node, err);
	if (rc == RC_OK)
		rc = check_rate(node, err);
	return rc;
}
