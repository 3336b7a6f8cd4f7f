/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The host's end of the tether: keeps the conversation with the node, fills the
 * snapshot, sends set-points with their lease. Owns no thread. */
#ifndef BRIDLE_INSTRUMENT_NODE_H
#define BRIDLE_INSTRUMENT_NODE_H

#include "channel/rigio.h"
#include "link/link.h"
#include "channel/clock.h"

struct node_caps {
	char name[20];
	char boot[8];
	bool cell, pick, brake, meter, drive, temp, lines;
	bool pick_quad;
	bool drive_mode[DRIVE_POSITION + 1]; /* that it knows, by enum drive_mode; off is always one */
	bool line_estop, line_cage,
		line_contactor; /* which lines it senses; one that it does not stays false in the snapshot */
	int cell_bits, cell_sps, brake_max_mA, max_rate_Hz;
	uint64_t clock_us;
};

struct node_config {
	int fast_Hz, slow_every;
	int lease_ms;
	double pulses_per_rev;   /* of the output */
	double gear_ratio;       /* rotor turns per output turn; 1 when no actuator */
	int32_t cell_saturation; /* counts either way at which the cell's signal is cut off; 0, or beyond the converter:
				    its ends */
	unsigned roles; /* ROLE_...: what another instrument fills is neither taken from the node nor commanded there,
			   whatever it can do; 0 = all */
	uint8_t instrument; /* its number in the session, for its channels */
	int direction;      /* +1 or -1: sign of the pulses against the rig's positive direction ([pickup] sign) */
};

struct node;

/* Greet the node and read its capabilities. No sample is asked for yet: before node_start the caller may take its time.
 * link, clock: borrowed, must outlive the node. Takes up to 3 s of the clock's time (boards that restart when their
 * port is opened), a few ms when the node is awake. RC_TIMEOUT no answer; RC_IO link or clock gone; RC_PROTOCOL wrong
 * version or malformed answer; RC_ARG config, or a rate beyond the node's. */
enum rc node_open(struct link *link, const struct clock_src *clock, const struct node_config *config, struct node **ret,
		  struct err *err) MUST_CHECK;
/* Ask for the samples, the first time; look at once and then at least every other period. Later times take in what came
 * while nobody looked. RC_TIMEOUT, RC_IO, RC_PROTOCOL as above. */
enum rc node_start(struct node *node, struct err *err) MUST_CHECK;
void node_close(struct node *node); /* NULL is fine; sends nothing */
const struct node_caps *node_caps(const struct node *node);

/* Take in all bytes that are there and update snap: what is said of the node itself, and the fields and channels of the
 * roles that it fills. All others are left alone. Never waits, allocates nothing. A dead link is not an error here:
 * snap->node_lost says it. A node that has fallen silent is greeted again now and then, only to learn whether it
 * restarted (snap->node_reset). The time in which the host itself did not look (more than two periods and 20 ms after
 * the time before) is not held against the node: the ages of sample, conversion and unanswered set-point do not count
 * it, and samples that were lost in it are missed, not lost. */
void node_poll(struct node *node, struct snapshot *snap);

/* Send set-points; call each tick. It sends when something changed or a third of the lease has passed (a sixth while
 * unanswered). Values are clamped to the channel's range and NaN becomes 0 / off. The contactor too: when wish->power
 * differs from what was asked last, "power on" or "power off" goes out, repeated while unanswered as any request,
 * without waiting; a refusal shows as a contactor that does not move. Off is sent again at once when the node says it
 * is not off. On a failed write the node counts as lost (seen at the next poll). */
void node_set(struct node *node, const struct wish *wish);

/* A plain request ("restart", "safe", "clear", "status"; power is node_set's) and its answer's words after ok.
 * Three tries, at most 600 ms of the clock's time; set-points are renewed meanwhile. RC_SAYS_NO with the node's reason;
 * RC_TIMEOUT; RC_IO link or clock gone; RC_ARG not a request for a line. ret may be NULL. */
enum rc node_request(struct node *node, const char *request, char *ret, size_t ret_size, struct err *err) MUST_CHECK;

#endif
