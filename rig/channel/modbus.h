/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Modbus as bytes: registers to values and frames to registers, for a client and for a virtual server. Pure.
 *
 * After "MODBUS Application Protocol Specification V1.1b3" (functions 3, 4, 6, 16, exception answers, the MBAP head of
 * TCP) and "MODBUS over Serial Line V1.02" (RTU: address, CRC-16 low byte first), both published by the Modbus
 * Organization; cited from memory, the CRC checked against the example that the latter's 6.2.2 prints. It is no
 * library because that waits for its own descriptor: here the line's bytes are read without waiting, from whatever
 * link, and counted for the lock-step of the bench clock.
 *
 * A register holds 16 bits, high byte first. Values of 32 bits take two, and makers differ in which comes first. */
#ifndef BRIDLE_CHANNEL_MODBUS_H
#define BRIDLE_CHANNEL_MODBUS_H

#include "channel/channel.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum modbus_table { MODBUS_HOLDING = 3, MODBUS_INPUT = 4 }; /* the function that reads it */
enum modbus_type { MODBUS_U16, MODBUS_S16, MODBUS_U32, MODBUS_S32, MODBUS_F32 };

/* What a device may tell. */
enum modbus_word {
	MODBUS_VOLTAGE,
	MODBUS_CURRENT,
	MODBUS_LIMITED, /* not 0: its current limit acts */
	MODBUS_TEMP,
	MODBUS_WORDS = (int)MODBUS_TEMP + TEMP_COUNT
};

/* What a supply may be set by; of the output 1 is on and 0 off. */
enum modbus_set { MODBUS_SET_OUTPUT, MODBUS_SET_VOLTAGE, MODBUS_SET_CURRENT, MODBUS_SETS };

struct modbus_register {
	bool given;
	enum modbus_table table;
	uint16_t address; /* as it stands in the frame, from 0 on */
	enum modbus_type type;
	bool low_first; /* of 32 bits: the first register holds the lower half */
	double step;    /* what 1 of it is: V, A or degC; below 0 turns its sign */
};

unsigned modbus_registers(enum modbus_type type); /* 1 or 2 */
/* NaN when a float is no number. */
double modbus_value(const struct modbus_register *r, const uint8_t *bytes);
/* The nearest that it can hold. */
void modbus_put_value(const struct modbus_register *r, double value, uint8_t *bytes);

#define MODBUS_FRAME 260
#define MODBUS_READ_MOST 125 /* registers of one request */

struct modbus_line {
	bool tcp; /* else RTU, on whatever link */
	uint8_t unit;
};

/* The question for n registers from address on; its length, at most 12. transaction: of TCP alone. */
size_t modbus_put_read(const struct modbus_line *line, uint16_t transaction, enum modbus_table table, uint16_t address,
		       unsigned n, uint8_t buf[MODBUS_FRAME]);

enum modbus_found { MODBUS_NOTHING, MODBUS_DATA, MODBUS_REFUSED };
/* The answer to that question among bytes[n], wherever it begins: what stands before it (an echo, a disturbance,
 * another one's answer) is passed over. MODBUS_DATA: *ret_data points to 2 * registers bytes. MODBUS_REFUSED:
 * *ret_code is the exception. */
enum modbus_found modbus_find(const struct modbus_line *line, uint16_t transaction, enum modbus_table table,
			      unsigned registers, const uint8_t *bytes, size_t n, const uint8_t **ret_data,
			      uint8_t *ret_code);

/* Writes what modbus_put_value made of a holding register: function 6, or 16 where it has 32 bits; its length. */
size_t modbus_put_write(const struct modbus_line *line, uint16_t transaction, const struct modbus_register *r,
			const uint8_t *value, uint8_t buf[MODBUS_FRAME]);
/* Its acknowledgement, found as above; MODBUS_DATA: it stands there. An adapter's echo of function 6 looks the same. */
enum modbus_found modbus_find_written(const struct modbus_line *line, uint16_t transaction,
				      const struct modbus_register *r, const uint8_t *value, const uint8_t *bytes,
				      size_t n, uint8_t *ret_code);

/* The server's side: a whole write at the beginning of bytes[n], function 6 or 16; its length, 0: none, or not whole.
 * ret_data: 2 * *ret_n bytes among them. */
size_t modbus_read_write(bool tcp, const uint8_t *bytes, size_t n, uint16_t *ret_transaction, uint8_t *ret_unit,
			 uint8_t *ret_function, uint16_t *ret_address, unsigned *ret_n, const uint8_t **ret_data);
/* Its answer, or with code above 0 the exception; the length. data: as it came. */
size_t modbus_put_written(const struct modbus_line *line, uint16_t transaction, uint8_t function, uint16_t address,
			  unsigned n, const uint8_t *data, uint8_t code, uint8_t buf[MODBUS_FRAME]);
/* The same: a whole question at the beginning of bytes[n]; its length, 0: not whole yet or no question to that
 * unit. */
size_t modbus_read_question(bool tcp, const uint8_t *bytes, size_t n, uint16_t *ret_transaction, uint8_t *ret_unit,
			    uint8_t *ret_function, uint16_t *ret_address, unsigned *ret_n);
/* Its answer, or with code above 0 the exception; the length. */
size_t modbus_put_answer(const struct modbus_line *line, uint16_t transaction, uint8_t function, const uint8_t *data,
			 unsigned registers, uint8_t code, uint8_t buf[MODBUS_FRAME]);

/* "has no such register" of an exception's code; never NULL. */
const char *modbus_exception(uint8_t code);

#endif
