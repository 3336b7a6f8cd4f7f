/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/modbus_line.h"

#include <string.h>

#define THINKS_US 4000 /* before it answers; common practice, no source */
#define NO_FUNCTION 1
#define NO_REGISTER 2
#define NO_VALUE 3
#define FAILED 4

struct supply_orders *modbus_line_add(struct modbus_server *l, const struct instrument_profile *profile,
				      struct meter *meter)
{
	struct modbus_unit *u = &l->unit[l->n_units++];

	*u = (struct modbus_unit){ .profile = profile, .meter = meter };
	return &u->orders;
}

void modbus_line_silence(struct modbus_server *l, int address)
{
	for (size_t i = 0; i < l->n_units; i++)
		l->unit[i].silent |= address == 0 || l->unit[i].profile->address == address;
}

void modbus_line_mend(struct modbus_server *l)
{
	for (size_t i = 0; i < l->n_units; i++)
		l->unit[i].silent = l->unit[i].orders.refuses = false;
}

/* Fills the registers asked for; false: one of them is none of its. */
static bool fill(const struct modbus_unit *u, int table, unsigned address, unsigned n, const double *temp_degC,
		 uint8_t *data)
{
	const double set[MODBUS_SETS] = { [MODBUS_SET_OUTPUT] = u->orders.on,
					  [MODBUS_SET_VOLTAGE] = u->orders.set_V,
					  [MODBUS_SET_CURRENT] = u->orders.limit_A };
	double value[MODBUS_WORDS], ripple_W;
	unsigned filled = 0;

	meter_read(u->meter, &value[MODBUS_VOLTAGE], &value[MODBUS_CURRENT], &ripple_W);
	memcpy(&value[MODBUS_TEMP], temp_degC, TEMP_COUNT * sizeof *temp_degC);
	value[MODBUS_LIMITED] = u->orders.limiting;
	for (int w = 0; w < (int)MODBUS_WORDS + (int)MODBUS_SETS; w++) {
		const bool is_set = w >= MODBUS_WORDS;
		const struct modbus_register *r =
			is_set ? &u->profile->modbus_set[w - MODBUS_WORDS] : &u->profile->modbus[w];
		unsigned size = modbus_registers(r->type);

		if (!r->given || (int)r->table != table || r->address < address || r->address + size > address + n)
			continue;
		modbus_put_value(r, is_set ? set[w - MODBUS_WORDS] : value[w], data + 2 * (r->address - address));
		filled += size;
	}
	return filled == n && n > 0;
}

/* 0, or the code of an exception. */
static uint8_t obey(struct modbus_unit *u, uint16_t address, unsigned n, const uint8_t *data)
{
	struct supply_orders *o = &u->orders;

	for (int i = 0; i < MODBUS_SETS; i++) {
		const struct modbus_register *r = &u->profile->modbus_set[i];

		if (!r->given || r->address != address || modbus_registers(r->type) != n)
			continue;
		const double value = modbus_value(r, data), most = i == MODBUS_SET_VOLTAGE   ? o->most_V
								   : i == MODBUS_SET_CURRENT ? o->most_A
											     : 1;
		if (!(value >= 0 && value <= most))
			return NO_VALUE;
		if (i == MODBUS_SET_OUTPUT && value > 0 && o->refuses)
			return FAILED;
		if (i == MODBUS_SET_OUTPUT)
			o->on = value > 0;
		else
			*(i == MODBUS_SET_VOLTAGE ? &o->set_V : &o->limit_A) = value;
		return 0;
	}
	return NO_REGISTER;
}

static void send_at(struct modbus_server *l, const struct modbus_unit *u, int64_t t_us)
{
	l->out_us = t_us + THINKS_US + (int64_t)l->out_n * 11 * 1000000 / u->profile->baud;
}

/* A write, whole; false: it is none. */
static bool take_write(struct modbus_server *l, int64_t t_us)
{
	uint16_t transaction, address;
	uint8_t unit, function;
	unsigned n;
	const uint8_t *data;

	if (modbus_read_write(l->unit[0].profile->modbus_tcp, l->in, l->n, &transaction, &unit, &function, &address, &n,
			      &data) == 0)
		return false;
	l->n = 0;
	for (size_t i = 0; i < l->n_units; i++) {
		struct modbus_unit *u = &l->unit[i];
		const struct modbus_line line = { .tcp = u->profile->modbus_tcp, .unit = unit };

		if (u->profile->address != unit || u->silent)
			continue;
		const uint8_t code = obey(u, address, n, data);
		l->out_n = modbus_put_written(&line, transaction, function, address, n, data, code, l->out);
		send_at(l, u, t_us);
	}
	return true;
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
	if (take_write(l, t_us))
		return;
	if (modbus_read_question(l->unit[0].profile->modbus_tcp, l->in, l->n, &transaction, &unit, &function, &address,
				 &registers) == 0)
		return;
	l->n = 0;
	for (size_t i = 0; i < l->n_units; i++)
		if (l->unit[i].profile->address == unit && !l->unit[i].silent) {
			answer(l, &l->unit[i], transaction, function, address, registers, temp_degC);
			send_at(l, &l->unit[i], t_us);
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
