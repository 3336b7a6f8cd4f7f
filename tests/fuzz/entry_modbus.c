/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes as what a Modbus device sent, and as a question to one. The first says tcp or not (bit 0), table (bit 1), type
 * of the value (bits 2 to 4) and which register comes first (bit 5), the second how many registers were asked for.
 * Never a crash; data that was found lies within the bytes; what the virtual end answers is found. */
#include "channel/modbus.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void check_value(const struct modbus_register *r, const uint8_t *data)
{
	double value = modbus_value(r, data);
	uint8_t again[4];

	if (isnan(value))
		return;
	modbus_put_value(r, value, again);
	if (modbus_value(r, again) < value || modbus_value(r, again) > value)
		abort();
}

static void answer(const struct modbus_line *line, const uint8_t *bytes, size_t n)
{
	uint8_t unit, function, frame[MODBUS_FRAME], code;
	uint16_t transaction, address;
	unsigned asked;
	const uint8_t *data;
	static const uint8_t zeros[2 * MODBUS_READ_MOST];

	size_t used = modbus_read_question(line->tcp, bytes, n, &transaction, &unit, &function, &address, &asked);
	if (used > n)
		abort();
	if (used == 0 || (function != MODBUS_HOLDING && function != MODBUS_INPUT) || asked > MODBUS_READ_MOST ||
	    asked == 0)
		return;
	struct modbus_line its = { .tcp = line->tcp, .unit = unit };
	size_t length = modbus_put_answer(&its, transaction, function, zeros, asked, 0, frame);
	if (modbus_find(&its, transaction, (enum modbus_table)function, asked, frame, length, &data, &code) !=
	    MODBUS_DATA)
		abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n)
{
	const uint8_t *data = NULL;
	uint8_t code = 0;

	if (n < 2)
		return 0;
	struct modbus_line line = { .tcp = bytes[0] & 1, .unit = 1 };
	enum modbus_table table = bytes[0] & 2 ? MODBUS_INPUT : MODBUS_HOLDING;
	struct modbus_register r = { .given = true,
				     .table = table,
				     .type = (enum modbus_type)((bytes[0] >> 2 & 7) % (MODBUS_F32 + 1)),
				     .low_first = bytes[0] & 32,
				     .step = 1 };
	unsigned registers = 1 + bytes[1] % MODBUS_READ_MOST;
	uint8_t *own = malloc(n > 2 ? n - 2 : 1); /* of just this size: a byte beyond is seen */

	if (!own)
		return 0;
	memcpy(own, bytes + 2, n - 2);
	enum modbus_found found = modbus_find(&line, 0, table, registers, own, n - 2, &data, &code);
	if (found == MODBUS_DATA && (data < own || data + 2 * registers > own + n - 2))
		abort();
	if (found == MODBUS_DATA && registers >= modbus_registers(r.type))
		check_value(&r, data);
	if (!modbus_exception(code))
		abort();
	answer(&line, own, n - 2);
	free(own);
	return 0;
}
