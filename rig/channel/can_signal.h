/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A value within a CAN frame, and a frame that is sent, as rig.ini states them. Pure.
 *
 *   0x281 byte 2 length 32 little signed scale 0.1         a value in a frame that the drive sends
 *   0x201 data 01 00 00 00 00 00 byte 2 length 32 signed   a frame that it is sent: its bytes, and where the value goes
 *
 *   0x281      the identifier; above 0x7FF, or with the word long behind it, one of 29 bits
 *   data       two hexadecimal digits for each byte of the frame; those of the value are 00
 *   byte N     the first byte of the value, from 0 on
 *   bit N      instead of it: bit N of the frame is bit N mod 8 of byte N / 8, and bit 0 of a byte its lowest. Where
 *              the value begins: little, its lowest bit; big, its highest bit
 *   length N   in bits, 1 to 64
 *   little | big, signed | unsigned
 *              the lowest or the highest byte first; two's complement or none. Without them: little, unsigned
 *   scale X, offset X
 *              value = number * scale + offset; 1 and 0 without
 *   is N       of a yes or no: yes when the number is N; without it, when it is not 0 */
#ifndef BRIDLE_CHANNEL_CAN_SIGNAL_H
#define BRIDLE_CHANNEL_CAN_SIGNAL_H

#include "channel/can_frame.h"

#define CAN_SIGNAL_WHY 120

struct can_signal {
	bool there;      /* false: the frame has no value */
	uint64_t bits;   /* of the frame: bit 8 * byte + bit */
	unsigned first;  /* as it is written */
	unsigned length; /* bits */
	bool big, is_signed;
	double scale, offset;
	bool has_is;
	int64_t is;
};

struct can_map {
	struct can_message frame; /* n 0: told; its bytes are not known */
	bool has_data;
	struct can_signal signal;
};

/* False: it is none; why then says it ("found ..., expected ..."). ret is written on success only. */
bool can_map_read(const char *text, struct can_map *ret, char why[CAN_SIGNAL_WHY]);

/* Is it this frame, and long enough for the value? The value then. */
bool can_map_is_for(const struct can_map *map, const struct can_message *m);
bool can_map_get(const struct can_map *map, const struct can_message *m, double *ret);
/* The frame with the value, rounded to its steps and held within its range; not finite: false. Without a value: value
 * is not looked at. */
bool can_map_put(const struct can_map *map, double value, struct can_message *ret);
/* The frame that a drive would send: put into m, which has what others put there; m grows to hold it. */
void can_map_add(const struct can_map *map, double value, struct can_message *m);

/* Have the two values of one frame a bit in common? Two that both say "is" may: they read one number. */
bool can_map_overlap(const struct can_map *a, const struct can_map *b);

#endif
