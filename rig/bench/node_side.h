/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The node of the virtual bench: the far end of the tether as docs/tether.md describes it. A state machine
 * over bytes, senses and time; it knows no physics and no sockets. Times are bench time in µs. */
#ifndef BRIDLE_BENCH_NODE_SIDE_H
#define BRIDLE_BENCH_NODE_SIDE_H

#include "bench/drive.h"
#include "node/tether.h"

#include <gsl/gsl_rng.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define NODE_SIDE_TX 2048   /* the node's own buffer */
#define NODE_SIDE_OUT 32768 /* bytes that have left the wire and wait for node_side_take */
#define NODE_SIDE_TX_SAMPLES \
	512 /* a sample is dropped when more than this would wait: the rest is for answers and events */

enum node_side_state { NODE_SIDE_IDLE, NODE_SIDE_LIVE, NODE_SIDE_STOPPING, NODE_SIDE_SAFE };

struct node_side_config {
	int baud, brake_mA, cell_bits, cell_sps;
	bool pick_single;
	bool no_cell, no_meter, no_drive, no_brake, no_temp; /* an instrument of its own has it */
	bool cell_temp;            /* the fourth temperature is the cell's, not the ambient one */
	double clock_ppm, clock_s; /* true error of its clock; its reading at the start */
};

/* What the node's pins and sensors say. */
struct node_side_senses {
	bool estop_ok, cage_closed, contactor_closed;
	unsigned drive_flags;
	int64_t pulses;
	double edge_us; /* when the last pulse was noticed; negative before the first */
	/* These are only looked at for samples. */
	int32_t cell_count;
	uint8_t cell_conversion;
	double brake_A, meter_V, meter_A, meter_ripple_W, rotor_rpm, drive_A;
	double rotor_deg;    /* within its turn, 0 to 360 */
	double temp_degC[4]; /* brake, case, winding, ambient or cell */
};

/* What the node's outputs do. */
struct node_side_orders {
	enum bench_mode mode;
	double value; /* tenths of rpm of the rotor, mA, mN.m at the output, or tenths of a degree of the rotor */
	double limit; /* tenths of rpm of the rotor, in torque and position mode */
	int brake_mA;
	bool contactor;
	bool restart; /* clear the drive's fault; whoever obeys resets it */
};

/* What is wrong with line and node; zeroed = nothing. */
struct node_side_faults {
	int64_t silent_until_us;              /* the cable is out */
	bool no_slow;                         /* slow samples never come */
	double garbage_permille;              /* of bytes, both ways */
	double lost_percent, doubled_percent; /* of fast samples */
	double half_percent;                  /* of all lines: their second half is lost */
	double swapped_percent;               /* of samples: each comes after the next one */
	double nonsense_percent;              /* of samples: any numbers, with a right checksum */
	double delay_us;                      /* of everything that the node sends */
};

struct node_side {
	struct node_side_config config;
	struct node_side_faults faults;
	gsl_rng *rng;
	struct tether_reader reader;
	char last_body[TETHER_LINE_MAX + 1], last_answer[TETHER_LINE_MAX + 1];
	size_t last_answer_n;
	uint16_t boot;
	int64_t boot_us;
	enum node_side_state state;
	const char *reason;
	struct node_side_orders orders;
	struct node_side_senses seen;            /* of the last tick */
	int64_t lease_us;                        /* when it ends; INT64_MAX without */
	int64_t stop_us, moved_us, contactor_us; /* stop began; last pulse; command and contact agree since */
	int64_t pulses;
	bool was_closed;
	/* Events of estop, guard, contactor and drive: what was said last, and when the last two were. */
	struct node_side_said {
		unsigned value;
		int64_t at_us, before_us;
	} said[4];
	int rate_Hz, slow_every, slow_left;
	double sample_us, period_us; /* next fast sample, bench time; INFINITY without */
	double ripple_W;             /* summed since the last slow sample */
	uint8_t sample, event, ack;
	char tx[NODE_SIDE_TX];
	size_t tx_head, tx_n;
	double tx_us, byte_us; /* when the byte at the head has left */
	uint64_t tx_dropped;   /* lines that found no room */
	char out[NODE_SIDE_OUT];
	double out_us[NODE_SIDE_OUT];    /* when each may be taken */
	char waits[TETHER_LINE_MAX + 1]; /* a sample that is to come after the next one */
	size_t waits_n;
	size_t out_head, out_n;
};

/* rng: kept, given to the node (boot numbers, line noise). */
void node_side_init(struct node_side *node, const struct node_side_config *config, gsl_rng *rng,
		    const struct node_side_senses *senses);

/* Start anew at t_us: "power", "watchdog", "reset" or "unknown". */
void node_side_boot(struct node_side *node, int64_t t_us, const char *cause);

/* Bytes from the host, acted on at t_us. senses: as they are now. */
void node_side_receive(struct node_side *node, const char *bytes, size_t n, int64_t t_us,
		       const struct node_side_senses *senses);

/* Once a millisecond: lines, lease, safe action, events. */
void node_side_tick(struct node_side *node, int64_t t_us, const struct node_side_senses *senses);

/* Is a fast sample due at t_us? Then call node_side_sample with everything filled. */
static inline bool node_side_due(const struct node_side *node, int64_t t_us)
{
	return (double)t_us >= node->sample_us;
}
void node_side_sample(struct node_side *node, int64_t t_us, const struct node_side_senses *senses);

/* Bytes that have left the node's wire by t_us; at most size, call again when it filled. To be called at least each
 * second of bench time, or bytes are lost. */
size_t node_side_take(struct node_side *node, int64_t t_us, char *buf, size_t size);

#endif
