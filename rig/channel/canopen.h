/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The frames of CANopen (CiA 301) that a drive is set up, started and watched by: a service data object (SDO) as an
 * expedited transfer, network management (NMT), heartbeat. Pure.
 *
 * Identifiers of the predefined connection set of CiA 301: 000h NMT, 180h, 280h, ... + node a process data object that
 * the drive sends (TPDO 1, 2, ...), 200h, 300h, ... + node one that it takes (RPDO), 580h + node an SDO's answer,
 * 600h + node its question, 700h + node heartbeat. An object is named as in manuals: 1016h:1 is index 1016h, sub-index
 * 1. Numbers lie with their lowest byte first. All of it from memory; the tests name what was checked where. */
#ifndef BRIDLE_CHANNEL_CANOPEN_H
#define BRIDLE_CHANNEL_CANOPEN_H

#include "channel/can_frame.h"

#define CANOPEN_NODES 127
#define CANOPEN_TPDO 0x180u /* the first one's identifier without the node; the next ones are PDO_STEP apart */
#define CANOPEN_RPDO 0x200u
#define CANOPEN_PDO_STEP 0x100u
#define CANOPEN_SDO_ANSWER 0x580u
#define CANOPEN_SDO_QUESTION 0x600u
#define CANOPEN_HEARTBEAT 0x700u

struct canopen_object {
	uint16_t index;
	uint8_t sub;
};

enum canopen_nmt { CANOPEN_START = 1, CANOPEN_STOP = 2, CANOPEN_PRE_OPERATIONAL = 128, CANOPEN_RESET = 129 };

enum canopen_answer_kind {
	CANOPEN_NO_ANSWER, /* another frame, or of another object */
	CANOPEN_READ,      /* value and size */
	CANOPEN_WRITTEN,
	CANOPEN_REFUSED, /* value: the abort code */
	CANOPEN_TOO_LONG /* more than 4 bytes: only a segmented transfer could bring them */
};

struct canopen_answer {
	enum canopen_answer_kind kind;
	uint32_t value;
	uint8_t size; /* bytes, 1 to 4 */
};

/* The questions of an expedited transfer. size: 1, 2 or 4 bytes of the value. */
void canopen_put_read(unsigned node, struct canopen_object object, struct can_message *ret);
void canopen_put_write(unsigned node, struct canopen_object object, uint8_t size, uint32_t value,
		       struct can_message *ret);
struct canopen_answer canopen_take_answer(unsigned node, struct canopen_object object, const struct can_message *m);
/* What an abort code means, after the table of CiA 301 (7.2.4.3.17); "not listed in CiA 301" else. */
const char *canopen_abort_words(uint32_t code);

/* A number of that many bytes as two's complement. */
int32_t canopen_signed(uint32_t value, uint8_t size);

void canopen_put_nmt(enum canopen_nmt command, unsigned node, struct can_message *ret);
/* That the host is there, state operational (5). */
void canopen_put_heartbeat(unsigned host, struct can_message *ret);
/* A device that has just come up says so: the heartbeat's frame with a 0. */
bool canopen_is_boot(unsigned node, const struct can_message *m);

/* "0x2031:1 scale 0.1": an object's index and sub-index, and what 1 of it is (1 without). False: it is none. */
bool canopen_read_object(const char *text, struct canopen_object *ret, double *ret_scale);

#endif
