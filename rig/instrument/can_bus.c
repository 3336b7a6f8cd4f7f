/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/can_bus.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BIT_WARNING 0x04u
#define BIT_PASSIVE 0x20u
#define WIRES "check the drive's power, its bit rate, and 60 ohm between the bus wires (two ends of 120 ohm)"

size_t can_bus_put_open(int bit_rate, char buf[CAN_BUS_LINE])
{
	if (can_rate_number(bit_rate) < 0)
		return 0;
	return (size_t)snprintf(buf, CAN_BUS_LINE, "\rC\rS%d\rO\r", can_rate_number(bit_rate));
}

static enum can_bus_state state_of(char c)
{
	switch (c) {
	case 'b': return CAN_BUS_OFF;
	case 'p': return CAN_BUS_PASSIVE;
	case 'w': return CAN_BUS_WARNING;
	case 'a': return CAN_BUS_ACTIVE;
	default: return CAN_BUS_UNKNOWN;
	}
}

static void take_status(struct can_bus *b)
{
	char *end;
	unsigned long bits = strtoul(b->line + 1, &end, 16);

	if (b->line[0] == 's' && b->n == 8)
		b->state = state_of(b->line[1]);
	else if (b->line[0] == 'F' && b->n == 3 && *end == '\0')
		b->state = bits & BIT_PASSIVE ? CAN_BUS_PASSIVE : bits & BIT_WARNING ? CAN_BUS_WARNING : CAN_BUS_ACTIVE;
}

static bool take_line(struct can_bus *b)
{
	b->line[b->n] = '\0';
	b->answers = true;
	if (b->too_long)
		return false;
	take_status(b);
	/* An adapter that acknowledges what it sent puts z or Z, sometimes right before a frame. */
	const char *frame = b->line + strspn(b->line, "zZ");
	if (!can_frame_read(frame, &b->newest))
		return false;
	b->frames++;
	return true;
}

bool can_bus_take(struct can_bus *b, char c)
{
	bool frame = false;

	if (c == '\r' || c == '\a') {
		frame = take_line(b);
		b->n = 0;
		b->too_long = false;
	} else if (c != '\n' && b->n < sizeof b->line - 1) {
		b->line[b->n++] = c ? c : '?';
	} else if (c != '\n') {
		b->too_long = true;
	}
	return frame;
}

void can_bus_hint(const struct can_bus *b, uint32_t expected, char *buf, size_t size)
{
	if (!b->answers)
		snprintf(buf, size, "the CAN adapter does not answer: check its cable and its baud");
	else if (b->state == CAN_BUS_OFF)
		snprintf(buf, size, "the CAN bus is off after too many errors: " WIRES);
	else if (b->state == CAN_BUS_PASSIVE)
		snprintf(buf, size, "the CAN adapter is error-passive, nobody answers it: " WIRES);
	else if (b->frames == 0)
		snprintf(buf, size, "no frame came from the CAN bus: " WIRES);
	else
		snprintf(buf, size,
			 "frame 0x%X is missing or too short, newest 0x%X with %u bytes: check the identifiers",
			 (unsigned)expected, (unsigned)b->newest.id, b->newest.n);
}
