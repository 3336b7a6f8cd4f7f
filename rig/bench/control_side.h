/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The control line of the virtual bench as docs/tether.md describes it: requests in, answers out, without sockets. */
#ifndef BRIDLE_BENCH_CONTROL_SIDE_H
#define BRIDLE_BENCH_CONTROL_SIDE_H

#include "bench/world.h"
#include "node/tether.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SIDE_LINES (1 + PROFILE_INSTRUMENTS)

struct control_side {
	struct tether_reader reader;
	char last_body[TETHER_LINE_MAX + 1];
	char answer[TETHER_LINE_MAX + 1]; /* to be sent when control_side_feed returns CONTROL_ANSWER */
	size_t answer_n;
	uint8_t seq;
	int64_t advance_us; /* of a CONTROL_ADVANCE */
	int64_t version;    /* that this host greeted with: 1 knows the tether alone */
	size_t lines;       /* bytes are counted on so many */
	uint64_t received[SIDE_LINES];
};

enum control_step { CONTROL_NONE, CONTROL_ANSWER, CONTROL_ADVANCE };

/* A new connection. */
void control_side_begin(struct control_side *side);

/* One byte. CONTROL_ADVANCE asks the caller to do what advance_us and received say and then to call one of the two
 * functions below, after which answer is to be sent. */
enum control_step control_side_feed(struct control_side *side, struct world *world, char byte);
void control_side_advanced(struct control_side *side, int64_t now_us, const uint64_t sent[SIDE_LINES]);
void control_side_no_bytes(struct control_side *side);

#endif
