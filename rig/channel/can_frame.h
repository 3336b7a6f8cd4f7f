/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A frame of a CAN bus (ISO 11898-1, classic), and the line of text in which a serial adapter tells and takes it: "t"
 * with three hexadecimal digits of an 11-bit identifier or "T" with eight of a 29-bit one, one digit of length, two
 * digits a byte, CR (as the Linux kernel's driver slcan reads and writes it). Pure. */
#ifndef BRIDLE_CHANNEL_CAN_FRAME_H
#define BRIDLE_CHANNEL_CAN_FRAME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CAN_FRAME_BYTES 8
#define CAN_FRAME_LINE 28 /* the longest line with its CR and a NUL */
#define CAN_STAMP_DIGITS 4
#define CAN_SHORT_MOST 0x7ffu
#define CAN_LONG_MOST 0x1fffffffu

struct can_message {
	uint32_t id;
	bool is_long; /* 29 bits */
	uint8_t n;
	uint8_t byte[CAN_FRAME_BYTES]; /* those from n on are 0 */
};

/* The line with its CR; its length. */
size_t can_frame_put(const struct can_message *message, char buf[CAN_FRAME_LINE]);
/* A line without its CR; a time stamp behind the data, four digits and no other number of them (from memory), is passed
 * over. False: it is no data frame. */
bool can_frame_read(const char *line, struct can_message *ret);

/* The number by which an adapter knows a bit rate (bit/s): 10, 20, 50, 100, 125, 250, 500, 800, 1000 kbit/s are 0 to 8
 * (the same driver). -1: it has none for it. */
int can_rate_number(int bit_rate);

#endif
