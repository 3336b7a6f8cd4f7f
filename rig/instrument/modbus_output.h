/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a settable Modbus supply is to do, was told and has confirmed. Pure; the device's own file sends and receives.
 *
 * Voltage, current limit and output each have a register that is written (function 6, or 16 for 32 bits) and then read
 * back (function 3). It counts as set when the write was acknowledged and the register holds the very bits. An
 * adapter's echo looks like the acknowledgement of function 6, and never like the answer to a read. What is not
 * acknowledged, or not read back as written, in three tries, or refused by an exception, ends the trust: error says
 * why and stays. Off is written for ever. */
#ifndef BRIDLE_INSTRUMENT_MODBUS_OUTPUT_H
#define BRIDLE_INSTRUMENT_MODBUS_OUTPUT_H

#include "channel/modbus.h"

#define MODBUS_TRIES 3
#define MODBUS_WHY 160

struct modbus_output {
	struct modbus_register set[MODBUS_SETS];
	double value[MODBUS_SETS]; /* V, A; of the output nothing */
	bool is_set[MODBUS_SETS];  /* acknowledged and read back; of the output: off, at first */
	bool want, told;           /* on; the same as read back */
	bool again;                /* what was told may not be so */
	enum { MODBUS_RESTS, MODBUS_WRITES, MODBUS_READS_BACK } step;
	enum modbus_set item; /* of the step */
	bool asked;           /* of the output: on */
	uint8_t bytes[4];     /* as written */
	unsigned tries;
	char error[MODBUS_WHY];
};

/* Zeroed with set, set_V and set_A. Returns NULL, or in buf (of MODBUS_WHY) which value no register can hold. */
const char *modbus_output_init(struct modbus_output *output, const struct modbus_register set[MODBUS_SETS],
			       double set_V, double set_A, char *buf);
/* Returns true when it turned off: that is to go out at once. */
bool modbus_output_want(struct modbus_output *output, bool on);
/* Is there something to send? Never after an error, but off. */
bool modbus_output_due(const struct modbus_output *output);
/* The next question; its length. Call it where one is due. */
size_t modbus_output_put(struct modbus_output *output, const struct modbus_line *line, uint16_t transaction,
			 uint8_t buf[MODBUS_FRAME]);
/* Is the answer to it among bytes[n]? */
bool modbus_output_take(struct modbus_output *output, const struct modbus_line *line, uint16_t transaction,
			const uint8_t *bytes, size_t n);
/* No answer came, or nobody waits for it any more. */
void modbus_output_lost(struct modbus_output *output);
/* The frame that switches it off, whatever else is. */
size_t modbus_output_put_off(const struct modbus_register *output, const struct modbus_line *line, uint16_t transaction,
			     uint8_t buf[MODBUS_FRAME]);

#endif
