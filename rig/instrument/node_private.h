/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside the room: the state of the host's end, and what node.c (samples in, set-points out) and
 * node_talk.c (requests and answers) call of each other. */
#ifndef BRIDLE_INSTRUMENT_NODE_PRIVATE_H
#define BRIDLE_INSTRUMENT_NODE_PRIVATE_H

#include "instrument/cell_row.h"
#include "instrument/node.h"
#include "instrument/nodetime.h"
#include "instrument/sample.h"
#include "instrument/turn.h"
#include "node/tether.h"

const char *node_mode_word(enum drive_mode mode); /* on the tether */

#define NODE_RETRY_NS 200000000LL
#define NODE_TRIES 3
#define NODE_GREET_NS 3000000000LL

/* At most one request besides set-points is unanswered. */
enum talk_what {
	TALK_NONE,
	TALK_PLAIN,
	TALK_POWER_ON,
	TALK_POWER_OFF,
	TALK_AGAIN /* hello, to see whether it restarted */
};
enum talk_result { TALK_WAITING, TALK_OK, TALK_NO, TALK_SILENT };

struct talk {
	enum talk_what what;
	enum talk_result result;
	uint8_t seq, tries;
	struct mono sent;
	char request[TETHER_LINE_MAX];
	char answer[TETHER_LINE_MAX]; /* the words after ok or no */
};

struct node {
	struct link *link;
	const struct clock_src *clock;
	struct node_config config;
	struct node_caps caps;
	int temp_place[SAMPLE_TEMPS]; /* enum temp_place; -1: a place that this program does not know */
	int temps;
	int estop_bit, cage_bit, contactor_bit; /* -1: not there */

	struct tether_reader reader;
	uint16_t bad_seen;
	uint8_t seq;
	struct talk talk;
	bool flowing; /* the rate was accepted: samples count from here */

	struct snapshot view; /* the node's fields are the newest; the others are not looked at */
	struct nodetime time;
	struct turn turn;
	struct mono polled;
	uint8_t last_number, last_conversion, last_ack;
	int64_t fresh_node_us, slow_node_us; /* freshest conversion; slow sample */
	struct cell_row row;
	struct mono heard; /* when the last fast sample came, or telemetry was started */
	/* The host's own absence: it did not look between away_from and away_to. excused: the part of the newest
	 * sample's and of the freshest conversion's age in which nobody looked. */
	struct mono away_from, away_to;
	int64_t away_us, sample_excused_us, fresh_excused_us, slow_excused_us;

	struct tether_writer last_set; /* words after the number, to see a change */
	struct mono set_sent;
	bool set_once;
	int64_t set_ns[256]; /* when the set of that number was sent; 0 = no set, or answered */
	uint8_t newest_set, oldest_set;
	bool set_open; /* a set is unanswered: the oldest is oldest_set */

	int power_told;     /* 1 on, 0 off, -1 not known */
	bool power_granted; /* on, and the node said ok */
	struct mono power_at, again_at;
};

/* node.c */
void node_take(struct node *node);                   /* read what is there, act on every line */
void node_renew(struct node *node, struct mono now); /* the last set-points again, when due */
bool node_send(struct node *node, struct tether_writer *w);
void node_set_answered(struct node *node, uint8_t seq);

/* node_talk.c */
void talk_begin(struct node *node, enum talk_what what, const char *request);
void talk_hear(struct node *node, char *const token[], size_t n); /* a "!" line */
void talk_tend(struct node *node, struct mono now);               /* repeat, give up */
enum rc talk_greet(struct node *node, struct err *err) MUST_CHECK;
enum rc talk_start(struct node *node, struct err *err) MUST_CHECK; /* the rate */

#endif
