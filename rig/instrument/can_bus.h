/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A CAN bus behind an adapter that speaks lines (channel/can_frame.h), and what the adapter says of the bus itself.
 * Commands and answers as the Linux kernel's slcan driver has them: "S6" bit rate by number, "O" open, "C" close, each
 * answered by CR, or BEL when refused; "sb256256" a change of state (b off, p passive, w warning, a active; error
 * counters). "F", answered by "F20", the status bits: 0x04 warning, 0x20 error-passive (from memory). Pure. */
#ifndef BRIDLE_INSTRUMENT_CAN_BUS_H
#define BRIDLE_INSTRUMENT_CAN_BUS_H

#include "channel/can_frame.h"

#define CAN_BUS_LINE 40

enum can_bus_state { CAN_BUS_UNKNOWN, CAN_BUS_ACTIVE, CAN_BUS_WARNING, CAN_BUS_PASSIVE, CAN_BUS_OFF };

/* Zeroed = fresh. */
struct can_bus {
	enum can_bus_state state;
	struct can_message newest; /* of all frames, whatever their identifier */
	unsigned long frames;
	bool answers; /* the adapter has said something */
	char line[CAN_BUS_LINE];
	size_t n;
	bool too_long;
};

/* True: a frame is whole, in bus->newest. */
bool can_bus_take(struct can_bus *bus, char c);

/* Opens the adapter at that bit rate (bit/s); the length. 0: it has no such rate. */
size_t can_bus_put_open(int bit_rate, char buf[CAN_BUS_LINE]);
#define CAN_BUS_ASK "F\r" /* asks for the status */

/* Why nothing comes, as a sentence without a capital letter and a full stop. expected: the identifier of a frame that
 * did not come. buf of size bytes. */
void can_bus_hint(const struct can_bus *bus, uint32_t expected, char *buf, size_t size);

#endif
