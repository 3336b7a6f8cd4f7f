/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/modbus_line.h"

#include <string.h>

#define THINKS_US 4000 /* before it answers; common practice, no source */
#define NO_FUNCTION 1
#define NO_REGISTER 2

void modbus_line_add(struct modbus_server *l, const struct instrument_profile *profile, struct meter *meter)
{
	l->unit[l->n_units++] = (struct modbus_unit){ .profile = profile, .meter = meter };
}

void modbus_line_silence(struct modbus_server *l, int address)
{
	for (size_t i = 0; i < l->n_units; i++)
		l->unit[i].silent |= address == 0 || l->unit[i].profile->address == address;
}

void modbus_line_mend(struct modbus_server *l)
{
	for (size_t i = 0; i < l->n_units; i++)
		l->unit[i].silent = false;
}

/* Fills the registers asked for; false: one of them is none of its. */
static bool fill(const struct modbus_unit *u, int table, unsigned address, unsigned n, const double *temp_degC,
		 uint8_t *data)
{
	double value[MODBUS_WORDS], ripple_W;
	unsigned filled = 0;

	meter_read(u->meter, &value[MODBUS_VOLTAGE], &value[MODBUS_CURRENT], &ripple_W);
	memcpy(&value[MODBUS_TEMP], temp_degC, TEMP_COUNT * sizeof *temp_degC);
	for (int w = 0; w < MODBUS_WORDS; w++) {
		const struct modbus_register *r = &u->profile->modbus[w];
		unsigned size = modbus_registers(r->type);

		if (!r->given || (int)r->table != table || r->address < address || r->address + size > address + n)
			continue;
		modbus_put_value(r, value[w], data + 2 * (r->address - address));
		filled += size;
	}
	return filled == n && n > 0;
}

static void answer(struct modbus_server *l, const struct modbus_unit *u, uint16_t transaction, uint8_t function,
		   uint16_t address, unsigned n, const double *temp_degC)
{
	const struct modbus_line line = { .tcp = u->profile->modbus_tcp, .unit = (uint8_t)u->profile->address };
	uint8_t data[2 * MODBUS_READ_MOST] = { 0 }, code = 0;

	if (function != MODBUS_HOLDING && function != MODBUS_INPUT)
		code = NO_FUNCTION;
	else if (n > MODBUS_READ_MOST || !fill(u, function, address, n, temp_degC, data))
		code = NO_REGISTER;
	l->out_n = modbus_put_answer(&line, transaction, function, data, code ? 0 : n, code, l->out);
}

void modbus_line_receive(struct modbus_server *l, const char *bytes, size_t n, const double *temp_degC, int64_t t_us)
{
	uint16_t transaction, address;
	uint8_t unit, function;
	unsigned registers;

	if (n > sizeof l->in - l->n)
		l->n = 0;
	if (n > sizeof l->in || l->n_units == 0)
		return;
	memcpy(l->in + l->n, bytes, n);
	l->n += n;
	if (modbus_read_question(l->unit[0].profile->modbus_tcp, l->in, l->n, &transaction, &unit, &function, &address,
				 &registers) == 0)
		return;
	l->n = 0;
	for (size_t i = 0; i < l->n_units; i++)
		if (l->unit[i].profile->address == unit && !l->unit[i].silent) {
			answer(l, &l->unit[i], transaction, function, address, registers, temp_degC);
			l->out_us = t_us + THINKS_US + (int64_t)l->out_n * 11 * 1000000 / l->unit[i].profile->baud;
		}
}

size_t modbus_line_take(struct modbus_server *l, int64_t t_us, char *buf, size_t size)
{
	size_t n = l->out_n;

	if (n == 0 || t_us < l->out_us || n > size)
		return 0;
	memcpy(buf, l->out, n);
	l->out_n = 0;
	return n;
}
