/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/control_side.h"
#include "bench/hands.h"

#include <string.h>

#define CLOCK_VERSION 2

void control_side_begin(struct control_side *c)
{
	memset(c, 0, sizeof *c);
	c->version = 1;
	c->lines = 1;
}

static void begin(struct control_side *c, struct tether_writer *w)
{
	tether_begin_seq(w, '!', c->seq);
}

static enum control_step end(struct control_side *c, struct tether_writer *w)
{
	c->answer_n = tether_end(w);
	memcpy(c->answer, w->line, c->answer_n);
	return c->answer_n > 0 ? CONTROL_ANSWER : CONTROL_NONE;
}

static enum control_step say(struct control_side *c, const char *words)
{
	struct tether_writer w;

	begin(c, &w);
	tether_put_words(&w, words);
	return end(c, &w);
}

static enum control_step refuse(struct control_side *c, const char *reason)
{
	struct tether_writer w;

	begin(c, &w);
	tether_put_word(&w, "no");
	tether_put_words(&w, reason);
	return end(c, &w);
}

void control_side_advanced(struct control_side *c, int64_t now_us, const uint64_t sent[SIDE_LINES])
{
	struct tether_writer w;

	begin(c, &w);
	tether_put_word(&w, "ok");
	tether_put_decimal(&w, now_us);
	for (size_t i = 0; i < c->lines; i++)
		tether_put_decimal(&w, (int64_t)sent[i]);
	end(c, &w);
}

void control_side_no_bytes(struct control_side *c)
{
	say(c, "no bytes");
}

static enum control_step hello(struct control_side *c, struct world *world, char **token, size_t n)
{
	struct tether_writer w;
	int64_t version;

	if (n != 3 || !tether_decimal(token[2], INT64_MIN, INT64_MAX, &version))
		return say(c, "no args");
	begin(c, &w);
	bool known = version == 1 || version == CLOCK_VERSION;
	tether_put_words(&w, known ? "ok" : "no version");
	tether_put_decimal(&w, known ? version : CLOCK_VERSION);
	if (known) {
		c->version = version;
		c->lines = version < 2 ? 1 : 1 + world->config.rig.n_lines;
		tether_put_word(&w, "bench");
		tether_put_decimal(&w, (int64_t)world->config.seed);
	}
	return end(c, &w);
}

static enum control_step now(struct control_side *c, struct world *world, size_t n)
{
	struct tether_writer w;

	if (n != 2)
		return say(c, "no args");
	begin(c, &w);
	tether_put_word(&w, "ok");
	tether_put_decimal(&w, world->now_us);
	return end(c, &w);
}

/* In the order in which advance counts bytes. */
static enum control_step lines(struct control_side *c, struct world *world, size_t n)
{
	struct tether_writer w;

	if (n != 2)
		return say(c, "no args");
	begin(c, &w);
	tether_put_words(&w, "ok tether");
	for (size_t i = 0; i < world->config.rig.n_lines; i++)
		tether_put_word(&w, instruments_line(&world->config.rig, i)->name);
	return end(c, &w);
}

static enum control_step advance(struct control_side *c, struct world *world, char **token, size_t n)
{
	if (n != 3 + c->lines || !tether_decimal(token[2], INT64_MIN, INT64_MAX, &c->advance_us))
		return say(c, "no args");
	for (size_t i = 0; i < c->lines; i++) {
		int64_t received;

		if (!tether_decimal(token[3 + i], 0, INT64_MAX, &received))
			return say(c, "no args");
		c->received[i] = (uint64_t)received;
	}
	if (c->advance_us < world->now_us)
		return say(c, "no past");
	return CONTROL_ADVANCE;
}

static enum control_step request(struct control_side *c, struct world *world)
{
	char body[TETHER_LINE_MAX + 1];
	char *token[TETHER_TOKENS];
	const char *reason;
	size_t n;
	int64_t seq;

	if (strcmp(c->reader.line, c->last_body) == 0)
		return c->answer_n > 0 ? CONTROL_ANSWER : CONTROL_NONE;
	strcpy(body, c->reader.line);
	n = tether_split(body, token);
	if (n < 2 || token[0][0] != '?' || !tether_decimal(token[0] + 1, 0, 255, &seq))
		return CONTROL_NONE;
	strcpy(c->last_body, c->reader.line);
	c->seq = (uint8_t)seq;
	if (strcmp(token[1], "advance") == 0)
		return advance(c, world, token, n);
	if (strcmp(token[1], "hello") == 0)
		return hello(c, world, token, n);
	if (strcmp(token[1], "now") == 0)
		return now(c, world, n);
	if (strcmp(token[1], "lines") == 0 && c->version >= 2)
		return lines(c, world, n);
	if (strcmp(token[1], "hand") != 0)
		return say(c, "no verb");
	reason = hands_do(world, token + 2, n - 2);
	return reason == NULL ? say(c, "ok") : refuse(c, reason);
}

enum control_step control_side_feed(struct control_side *c, struct world *world, char byte)
{
	return tether_feed(&c->reader, byte) ? request(c, world) : CONTROL_NONE;
}
