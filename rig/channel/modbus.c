/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/modbus_private.h"

#include <math.h>
#include <string.h>

#define MBAP 6 /* transaction, protocol 0, length of what follows */
#define REFUSAL 0x80
#define WRITE_ONE 6
#define WRITE_SOME 16

unsigned modbus_registers(enum modbus_type type)
{
	return type == MODBUS_U16 || type == MODBUS_S16 ? 1 : 2;
}

static uint16_t get16(const uint8_t *bytes)
{
	return (uint16_t)(bytes[0] << 8 | bytes[1]);
}

static void put16(uint8_t *bytes, unsigned value)
{
	bytes[0] = (uint8_t)(value >> 8);
	bytes[1] = (uint8_t)value;
}

static float as_float(uint32_t bits)
{
	float ret;

	memcpy(&ret, &bits, sizeof ret);
	return ret;
}

static uint32_t get32(const struct modbus_register *r, const uint8_t *bytes)
{
	uint32_t first = get16(bytes), second = get16(bytes + 2);

	return r->low_first ? second << 16 | first : first << 16 | second;
}

double modbus_value(const struct modbus_register *r, const uint8_t *bytes)
{
	switch (r->type) {
	case MODBUS_U16: return get16(bytes) * r->step;
	case MODBUS_S16: return (int16_t)get16(bytes) * r->step;
	case MODBUS_U32: return get32(r, bytes) * r->step;
	case MODBUS_S32: return (int32_t)get32(r, bytes) * r->step;
	case MODBUS_F32: {
		double value = as_float(get32(r, bytes));
		return isfinite(value) ? value * r->step : NAN;
	}
	}
	return NAN;
}

static uint32_t bits_of(const struct modbus_register *r, double steps)
{
	static const double least[] = { 0, -32768, 0, -2147483648.0 },
			    most[] = { 65535, 32767, 4294967295.0, 2147483647 };
	float single = (float)steps;
	uint32_t ret;

	if (r->type != MODBUS_F32)
		return (uint32_t)(int64_t)llround(fmax(least[r->type], fmin(most[r->type], steps)));
	memcpy(&ret, &single, sizeof ret);
	return ret;
}

void modbus_put_value(const struct modbus_register *r, double value, uint8_t *bytes)
{
	uint32_t bits = bits_of(r, value / r->step);

	if (modbus_registers(r->type) == 1) {
		put16(bytes, bits & 0xffff);
		return;
	}
	put16(bytes, r->low_first ? bits & 0xffff : bits >> 16);
	put16(bytes + 2, r->low_first ? bits >> 16 : bits & 0xffff);
}

uint16_t modbus_crc(const uint8_t *bytes, size_t n)
{
	unsigned crc = 0xffff;

	for (size_t i = 0; i < n; i++) {
		crc ^= bytes[i];
		for (int bit = 0; bit < 8; bit++)
			crc = crc & 1 ? crc >> 1 ^ 0xa001 : crc >> 1;
	}
	return (uint16_t)crc;
}

/* body: unit, function and what follows it. */
static size_t put_frame(bool tcp, uint16_t transaction, const uint8_t *body, size_t n, uint8_t buf[MODBUS_FRAME])
{
	if (tcp) {
		put16(buf, transaction);
		put16(buf + 2, 0);
		put16(buf + 4, (unsigned)n);
		memcpy(buf + MBAP, body, n);
		return MBAP + n;
	}
	unsigned crc = modbus_crc(body, n);
	memcpy(buf, body, n);
	buf[n] = (uint8_t)crc;
	buf[n + 1] = (uint8_t)(crc >> 8);
	return n + 2;
}

size_t modbus_put_read(const struct modbus_line *line, uint16_t transaction, enum modbus_table table, uint16_t address,
		       unsigned n, uint8_t buf[MODBUS_FRAME])
{
	uint8_t body[6] = { line->unit, (uint8_t)table };

	put16(body + 2, address);
	put16(body + 4, n);
	return put_frame(line->tcp, transaction, body, sizeof body, buf);
}

/* A body of that length at bytes, whole and right as a frame. */
static const uint8_t *body_at(bool tcp, uint16_t transaction, const uint8_t *bytes, size_t n, size_t body)
{
	if (tcp) {
		bool head = n >= MBAP + body && get16(bytes) == transaction && get16(bytes + 2) == 0 &&
			    get16(bytes + 4) == body;
		return head ? bytes + MBAP : NULL;
	}
	bool right = n >= body + 2 && modbus_crc(bytes, body) == (bytes[body] | bytes[body + 1] << 8);
	return right ? bytes : NULL;
}

enum modbus_found modbus_find(const struct modbus_line *line, uint16_t transaction, enum modbus_table table,
			      unsigned registers, const uint8_t *bytes, size_t n, const uint8_t **ret_data,
			      uint8_t *ret_code)
{
	for (size_t i = 0; i < n; i++) {
		const uint8_t *b = body_at(line->tcp, transaction, bytes + i, n - i, 3 + 2 * (size_t)registers);

		if (b && b[0] == line->unit && b[1] == table && b[2] == 2 * registers) {
			*ret_data = b + 3;
			return MODBUS_DATA;
		}
		b = body_at(line->tcp, transaction, bytes + i, n - i, 3);
		if (b && b[0] == line->unit && b[1] == (table | REFUSAL)) {
			*ret_code = b[2];
			return MODBUS_REFUSED;
		}
	}
	return MODBUS_NOTHING;
}

static uint8_t write_function(const struct modbus_register *r)
{
	return modbus_registers(r->type) == 1 ? WRITE_ONE : WRITE_SOME;
}

size_t modbus_put_write(const struct modbus_line *line, uint16_t transaction, const struct modbus_register *r,
			const uint8_t *value, uint8_t buf[MODBUS_FRAME])
{
	const size_t size = 2 * (size_t)modbus_registers(r->type);
	uint8_t body[11] = { line->unit, write_function(r) };

	put16(body + 2, r->address);
	if (size == 2) {
		memcpy(body + 4, value, size);
		return put_frame(line->tcp, transaction, body, 6, buf);
	}
	put16(body + 4, modbus_registers(r->type));
	body[6] = (uint8_t)size;
	memcpy(body + 7, value, size);
	return put_frame(line->tcp, transaction, body, 7 + size, buf);
}

enum modbus_found modbus_find_written(const struct modbus_line *line, uint16_t transaction,
				      const struct modbus_register *r, const uint8_t *value, const uint8_t *bytes,
				      size_t n, uint8_t *ret_code)
{
	uint8_t expected[6] = { line->unit, write_function(r) };

	put16(expected + 2, r->address);
	put16(expected + 4, modbus_registers(r->type));
	if (expected[1] == WRITE_ONE)
		memcpy(expected + 4, value, 2);
	for (size_t i = 0; i < n; i++) {
		const uint8_t *b = body_at(line->tcp, transaction, bytes + i, n - i, sizeof expected);

		if (b && memcmp(b, expected, sizeof expected) == 0)
			return MODBUS_DATA;
		b = body_at(line->tcp, transaction, bytes + i, n - i, 3);
		if (b && b[0] == line->unit && b[1] == (expected[1] | REFUSAL)) {
			*ret_code = b[2];
			return MODBUS_REFUSED;
		}
	}
	return MODBUS_NOTHING;
}

size_t modbus_read_write(bool tcp, const uint8_t *bytes, size_t n, uint16_t *ret_transaction, uint8_t *ret_unit,
			 uint8_t *ret_function, uint16_t *ret_address, unsigned *ret_n, const uint8_t **ret_data)
{
	const size_t head = tcp ? MBAP : 0;
	const uint16_t transaction = n >= 2 ? get16(bytes) : 0;

	if (n < head + 2)
		return 0;
	const bool is_some = bytes[head + 1] == WRITE_SOME;
	if (is_some && n < head + 7)
		return 0;
	const size_t body = is_some ? 7 + (size_t)bytes[head + 6] : 6;
	const uint8_t *b = body_at(tcp, transaction, bytes, n, body);
	if (b == NULL || (b[1] != WRITE_ONE && !is_some))
		return 0;
	*ret_transaction = transaction;
	*ret_unit = b[0];
	*ret_function = b[1];
	*ret_address = get16(b + 2);
	*ret_n = is_some ? b[6] / 2u : 1;
	*ret_data = b + (is_some ? 7 : 4);
	return body + (tcp ? MBAP : 2);
}

size_t modbus_put_written(const struct modbus_line *line, uint16_t transaction, uint8_t function, uint16_t address,
			  unsigned n, const uint8_t *data, uint8_t code, uint8_t buf[MODBUS_FRAME])
{
	uint8_t body[6] = { line->unit, function };

	if (code > 0) {
		body[1] |= REFUSAL;
		body[2] = code;
		return put_frame(line->tcp, transaction, body, 3, buf);
	}
	put16(body + 2, address);
	put16(body + 4, n);
	if (function == WRITE_ONE)
		memcpy(body + 4, data, 2);
	return put_frame(line->tcp, transaction, body, sizeof body, buf);
}

size_t modbus_read_question(bool tcp, const uint8_t *bytes, size_t n, uint16_t *ret_transaction, uint8_t *ret_unit,
			    uint8_t *ret_function, uint16_t *ret_address, unsigned *ret_n)
{
	uint16_t transaction = n >= 2 ? get16(bytes) : 0;
	const uint8_t *b = body_at(tcp, transaction, bytes, n, 6);

	if (b == NULL)
		return 0;
	*ret_transaction = transaction;
	*ret_unit = b[0];
	*ret_function = b[1];
	*ret_address = get16(b + 2);
	*ret_n = get16(b + 4);
	return 6 + (tcp ? MBAP : 2);
}

size_t modbus_put_answer(const struct modbus_line *line, uint16_t transaction, uint8_t function, const uint8_t *data,
			 unsigned registers, uint8_t code, uint8_t buf[MODBUS_FRAME])
{
	uint8_t body[3 + 2 * MODBUS_READ_MOST] = { line->unit, function, (uint8_t)(2 * registers) };

	if (code > 0) {
		body[1] |= REFUSAL;
		body[2] = code;
		return put_frame(line->tcp, transaction, body, 3, buf);
	}
	memcpy(body + 3, data, 2 * (size_t)registers);
	return put_frame(line->tcp, transaction, body, 3 + 2 * (size_t)registers, buf);
}

const char *modbus_exception(uint8_t code)
{
	static const char *const words[] = { "gives no reason",
					     "does not know that question",
					     "has no such register",
					     "does not take that value",
					     "failed",
					     "needs more time",
					     "is busy" };

	return words[code < sizeof words / sizeof words[0] ? code : 0];
}
