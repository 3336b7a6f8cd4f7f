/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The lines that the virtual bench's node writes, and its wire: each byte takes its ten bits of time. */
#ifndef BRIDLE_BENCH_NODE_SIDE_PRIVATE_H
#define BRIDLE_BENCH_NODE_SIDE_PRIVATE_H

#include "bench/node_side.h"

uint32_t node_wire_clock(const struct node_side *node, int64_t t_us);
int node_wire_rate_limit(const struct node_side_config *config);

static inline bool node_wire_silent(const struct node_side *node, int64_t t_us)
{
	return t_us < node->faults.silent_until_us;
}

/* Let what is due by t_us leave the wire. */
void node_wire_flow(struct node_side *node, int64_t t_us);

/* Put a line on the wire; it is dropped when the buffer has no room for all of it. Samples, which come again, have less
 * room than answers and events, which do not: see NODE_SIDE_TX_SAMPLES. */
void node_wire_bytes(struct node_side *node, const char *bytes, size_t n, int64_t t_us);
void node_wire_put(struct node_side *node, struct tether_writer *w, int64_t t_us);

void node_wire_event(struct node_side *node, struct tether_writer *w, const char *word);
void node_wire_fast(struct node_side *node, const struct node_side_senses *senses, int64_t t_us);
void node_wire_slow(struct node_side *node, const struct node_side_senses *senses, const char *state, int64_t t_us);

/* hello, caps, info, status: true with the answer in w, which has its sequence number already. */
bool node_wire_query(struct node_side *node, char **token, size_t count, const char *state, int64_t t_us,
		     struct tether_writer *w);

/* The byte, or another one when line noise is on. */
char node_wire_spoil(struct node_side *node, char byte);

#endif
