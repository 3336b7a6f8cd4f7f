/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual drive's end of CANopen: its list of objects with the SDO server over it, its process data objects by the
 * maps that it was written, the state machine of CiA 402 and the host's heartbeat. It shares the layout of a frame with
 * the rest and nothing else; state machine and maps are its own. No physics, no sockets. */
#ifndef BRIDLE_BENCH_CANOPEN_NODE_H
#define BRIDLE_BENCH_CANOPEN_NODE_H

#include "channel/can_frame.h"

#include <stdbool.h>
#include <stdint.h>

#define CANOPEN_NODE_RPDOS 3
#define CANOPEN_NODE_MAPPED 4

/* As statuswords, without the bits that tell more. */
enum canopen_node_state {
	NODE402_DISABLED = 0x40,
	NODE402_READY = 0x21,
	NODE402_SWITCHED_ON = 0x23,
	NODE402_ENABLED = 0x27,
	NODE402_FAULT = 0x08
};

struct canopen_node_pdo {
	uint32_t id, type, inhibit, timer_ms, n, map[CANOPEN_NODE_MAPPED];
};

/* What its rig's physics say; in the units of its objects. */
struct canopen_node_senses {
	int32_t velocity;    /* 606Ch */
	int16_t current;     /* 6078h, per mille */
	int16_t temperature; /* 2031h:1, tenths of a degree */
	uint16_t fault;      /* code of 603Fh, 0: none */
	bool limited, powered;
};

struct canopen_node {
	unsigned number;
	uint32_t modes, rated_mNm, rated_mA; /* 6502h, 6076h, 6075h */
	enum canopen_node_state state;
	bool operational;
	uint32_t control, mode, mode_shown, velocity, torque, most_rpm, error; /* 6040h to 603Fh, as written */
	uint32_t consumer, without_host;                                       /* 1016h:1, 6007h */
	int64_t heard_us; /* the host's heartbeat; -1: it has not begun */
	int64_t tell_us;
	struct canopen_node_pdo rpdo[CANOPEN_NODE_RPDOS], tpdo;
	struct canopen_node_senses senses;
	bool restart;     /* its fault was reset; whoever takes that sets it back */
	int64_t blind_us; /* until then what is sensed is older than the reset */
};

void canopen_node_init(struct canopen_node *node, unsigned number, uint32_t modes, uint32_t rated_mNm,
		       uint32_t rated_mA);
/* It has come up: all as it was delivered; *ret says so on the bus. */
void canopen_node_boot(struct canopen_node *node, struct can_message *ret);
/* A frame came. True: *ret is the answer. */
bool canopen_node_take(struct canopen_node *node, const struct can_message *m, int64_t t_us, struct can_message *ret);
/* Once a millisecond: the host's heartbeat, faults. True: *ret is a process data object that is due. */
bool canopen_node_tick(struct canopen_node *node, const struct canopen_node_senses *senses, int64_t t_us,
		       struct can_message *ret);

#endif
