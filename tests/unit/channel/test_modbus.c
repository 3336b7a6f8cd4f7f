/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/modbus_private.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

static const struct modbus_line rtu = { .tcp = false, .unit = 17 }, tcp = { .tcp = true, .unit = 17 };

/* "MODBUS over Serial Line V1.02", 6.2.2: the CRC of 02 07 is 1241 hexadecimal (its low byte 41 goes out first). */
static void the_crc_is_that_of_its_specification(void **state)
{
	static const uint8_t frame[] = { 0x02, 0x07 };

	(void)state;
	assert_int_equal(modbus_crc(frame, sizeof frame), 0x1241);
}

/* By hand from the specification of the application protocol: unit 17, function 3, registers 107 to 109. */
static void a_question_is_asked(void **state)
{
	static const uint8_t body[] = { 0x11, 0x03, 0x00, 0x6B, 0x00, 0x03 };
	static const uint8_t head[] = { 0x12, 0x34, 0x00, 0x00, 0x00, 0x06 };
	uint8_t buf[MODBUS_FRAME];

	(void)state;
	assert_int_equal(modbus_put_read(&rtu, 0, MODBUS_HOLDING, 107, 3, buf), 8);
	assert_memory_equal(buf, body, sizeof body);
	assert_int_equal(modbus_crc(buf, 8), 0); /* a frame with its own CRC leaves none */
	assert_int_equal(modbus_put_read(&tcp, 0x1234, MODBUS_HOLDING, 107, 3, buf), 12);
	assert_memory_equal(buf, head, sizeof head);
	assert_memory_equal(buf + 6, body, sizeof body);
}

static void values_of_every_type(void **state)
{
	static const struct {
		struct modbus_register r;
		uint8_t bytes[4];
		double value; /* by hand */
	} rows[] = {
		{ { .type = MODBUS_U16, .step = 0.01 }, { 0xff, 0xfe }, 655.34 },
		{ { .type = MODBUS_S16, .step = 0.1 }, { 0xff, 0xfe }, -0.2 },
		{ { .type = MODBUS_S16, .step = -0.1 }, { 0x00, 0x02 }, -0.2 },
		{ { .type = MODBUS_U32, .step = 1 }, { 0x80, 0x00, 0x00, 0x01 }, 2147483649.0 },
		{ { .type = MODBUS_U32, .step = 1, .low_first = true }, { 0x00, 0x01, 0x80, 0x00 }, 2147483649.0 },
		{ { .type = MODBUS_S32, .step = 1 }, { 0xff, 0xff, 0xff, 0xfd }, -3 },
		{ { .type = MODBUS_F32, .step = 2 }, { 0x41, 0xac, 0x00, 0x00 }, 43 }, /* IEEE 754: 21.5 */
		{ { .type = MODBUS_F32, .step = 2, .low_first = true }, { 0x00, 0x00, 0x41, 0xac }, 43 },
	};
	static const uint8_t no_number[] = { 0x7f, 0xc0, 0, 0 };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		uint8_t back[4] = { 0 };

		if (!(fabs(modbus_value(&rows[i].r, rows[i].bytes) - rows[i].value) < 1e-6))
			fail_msg("row %zu: %g", i, modbus_value(&rows[i].r, rows[i].bytes));
		modbus_put_value(&rows[i].r, rows[i].value, back);
		assert_memory_equal(back, rows[i].bytes, 2 * modbus_registers(rows[i].r.type));
	}
	assert_true(isnan(modbus_value(&rows[6].r, no_number)));
}

/* The answer stands behind an echo and a disturbance, or is another unit's, another transaction's, cut or damaged. */
/* The answer of another: same length, but of another unit, another table, with another count, or a refusal of those. */
static void an_answer_of_another_is_none(void **state)
{
	static const uint8_t answers[][7] = {
		{ 18, MODBUS_INPUT, 4 }, { 17, MODBUS_HOLDING, 4 }, { 17, MODBUS_INPUT, 3 },
		{ 18, 0x84, 2 },         { 17, 0x83, 2 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof answers / sizeof answers[0]; i++) {
		size_t n = answers[i][1] & 0x80 ? 3 : 7;
		uint8_t buf[9], code = 0;
		const uint8_t *found = NULL;

		memcpy(buf, answers[i], n);
		uint16_t crc = modbus_crc(buf, n);
		buf[n] = (uint8_t)crc;
		buf[n + 1] = (uint8_t)(crc >> 8);
		assert_int_equal(modbus_find(&rtu, 0, MODBUS_INPUT, 2, buf, n + 2, &found, &code), MODBUS_NOTHING);
	}
}

/* A refusal of a write: its own is found, that of another unit or of another function is not. */
static void a_write_is_refused_by_the_one_that_was_asked(void **state)
{
	static const struct modbus_register r = { true, MODBUS_HOLDING, 1, MODBUS_U16, false, 1 };
	static const uint8_t three[] = { 0, 3 };
	const struct modbus_line other = { .unit = 18 };
	uint8_t buf[MODBUS_FRAME], code = 0;

	(void)state;
	size_t n = modbus_put_written(&rtu, 0, 6, 1, 1, three, 4, buf);
	assert_int_equal(modbus_find_written(&rtu, 0, &r, three, buf, n, &code), MODBUS_REFUSED);
	assert_int_equal(code, 4);
	assert_string_equal(modbus_exception(code), "failed");
	assert_string_equal(modbus_exception(200), modbus_exception(0));
	assert_int_equal(modbus_find_written(&other, 0, &r, three, buf, n, &code), MODBUS_NOTHING);
	n = modbus_put_written(&rtu, 0, 16, 1, 1, three, 4, buf);
	assert_int_equal(modbus_find_written(&rtu, 0, &r, three, buf, n, &code), MODBUS_NOTHING);
	n = modbus_put_written(&rtu, 0, 6, 1, 1, three, 0, buf); /* one register: its value comes back */
	assert_int_equal(modbus_find_written(&rtu, 0, &r, three, buf, n, &code), MODBUS_DATA);
	for (size_t cut = 0; cut < 2; cut++) {
		uint8_t unit, function;
		uint16_t transaction, address;
		unsigned registers;
		assert_int_equal(
			modbus_read_question(false, buf, cut, &transaction, &unit, &function, &address, &registers), 0);
	}
}

static void an_answer_is_found_and_nothing_else(void **state)
{
	static const uint8_t data[] = { 1, 2, 3, 4 };
	const struct modbus_line *const lines[] = { &rtu, &tcp };

	(void)state;
	for (int t = 0; t < 2; t++) {
		const struct modbus_line other = { .tcp = lines[t]->tcp, .unit = 18 };
		uint8_t buf[3 * MODBUS_FRAME] = { 0 }, code = 0;
		const uint8_t *found = NULL;

		size_t before = modbus_put_read(lines[t], 5, MODBUS_INPUT, 9, 2, buf);
		buf[before++] = 0xff;
		size_t n = before + modbus_put_answer(lines[t], 5, MODBUS_INPUT, data, 2, 0, buf + before);
		assert_int_equal(modbus_find(lines[t], 5, MODBUS_INPUT, 2, buf, n, &found, &code), MODBUS_DATA);
		assert_memory_equal(found, data, sizeof data);
		assert_int_equal(modbus_find(lines[t], 5, MODBUS_INPUT, 2, buf, n - 1, &found, &code), MODBUS_NOTHING);
		assert_int_equal(modbus_find(&other, 5, MODBUS_INPUT, 2, buf, n, &found, &code), MODBUS_NOTHING);
		assert_int_equal(modbus_find(lines[t], 5, MODBUS_HOLDING, 2, buf, n, &found, &code), MODBUS_NOTHING);
		assert_int_equal(modbus_find(lines[t], 5, MODBUS_INPUT, 1, buf, n, &found, &code), MODBUS_NOTHING);
		if (lines[t]->tcp)
			assert_int_equal(modbus_find(lines[t], 6, MODBUS_INPUT, 2, buf, n, &found, &code),
					 MODBUS_NOTHING);
		for (size_t i = before; i < n && !lines[t]->tcp; i++) {
			buf[i] ^= 4;
			assert_int_equal(modbus_find(lines[t], 5, MODBUS_INPUT, 2, buf, n, &found, &code),
					 MODBUS_NOTHING);
			buf[i] ^= 4;
		}
		n = before + modbus_put_answer(lines[t], 5, MODBUS_INPUT, NULL, 0, 2, buf + before);
		assert_int_equal(modbus_find(lines[t], 5, MODBUS_INPUT, 2, buf, n, &found, &code), MODBUS_REFUSED);
		assert_int_equal(code, 2);
	}
}

/* Whatever comes is read within its bounds. */
static void rubbish_is_no_answer(void **state)
{
	unsigned seed = 20261126;

	(void)state;
	for (int round = 0; round < 2000; round++) {
		size_t n = (size_t)rand_r(&seed) % 64;
		uint8_t *bytes = malloc(n + 1), code = 0;
		const uint8_t *found = NULL;

		assert_non_null(bytes);
		for (size_t i = 0; i < n; i++)
			bytes[i] = (uint8_t)rand_r(&seed);
		assert_int_equal(modbus_find(&rtu, 0, MODBUS_INPUT, 2, bytes, n, &found, &code), MODBUS_NOTHING);
		free(bytes);
	}
}

/* The examples of "MODBUS Application Protocol Specification V1.1b3", 6.6 (register 2 to 0003) and 6.12 (registers 2
 * and 3 to 000A 0102), from memory; within RTU frames of unit 17. */
static void a_register_is_written(void **state)
{
	static const struct modbus_register one = { true, MODBUS_HOLDING, 1, MODBUS_U16, false, 1 },
					    two = { true, MODBUS_HOLDING, 1, MODBUS_U32, false, 1 };
	static const uint8_t three[] = { 0x00, 0x03 }, pair[] = { 0x00, 0x0a, 0x01, 0x02 };
	static const uint8_t six[] = { 0x11, 0x06, 0x00, 0x01, 0x00, 0x03 };
	static const uint8_t sixteen[] = { 0x11, 0x10, 0x00, 0x01, 0x00, 0x02, 0x04, 0x00, 0x0a, 0x01, 0x02 };
	static const uint8_t written[] = { 0x11, 0x10, 0x00, 0x01, 0x00, 0x02 };
	uint8_t buf[MODBUS_FRAME], code = 0, unit, function;
	uint16_t transaction, address;
	const uint8_t *data;
	unsigned n;

	(void)state;
	assert_int_equal(modbus_put_write(&rtu, 0, &one, three, buf), 8);
	assert_memory_equal(buf, six, sizeof six);
	assert_int_equal(modbus_crc(buf, 8), 0);
	assert_int_equal(modbus_find_written(&rtu, 0, &one, three, buf, 8, &code), MODBUS_DATA); /* its own echo */
	assert_int_equal(modbus_find_written(&rtu, 0, &one, pair, buf, 8, &code), MODBUS_NOTHING);
	assert_int_equal(modbus_put_write(&rtu, 0, &two, pair, buf), 13);
	assert_memory_equal(buf, sixteen, sizeof sixteen);
	assert_int_equal(modbus_find_written(&rtu, 0, &two, pair, buf, 13, &code), MODBUS_NOTHING);
	for (size_t cut = 0; cut < 13; cut++)
		assert_int_equal(
			modbus_read_write(false, buf, cut, &transaction, &unit, &function, &address, &n, &data), 0);
	assert_int_equal(modbus_read_write(false, buf, 13, &transaction, &unit, &function, &address, &n, &data), 13);
	assert_int_equal(address, 1);
	assert_int_equal(n, 2);
	assert_memory_equal(data, pair, 4);
	size_t length = modbus_put_written(&rtu, 0, function, address, n, data, 0, buf);
	assert_memory_equal(buf, written, sizeof written);
	assert_int_equal(modbus_find_written(&rtu, 0, &two, pair, buf, length, &code), MODBUS_DATA);
	/* the other side of a write of one register, and on TCP */
	struct modbus_line of[] = { rtu, tcp };
	for (size_t i = 0; i < 2; i++) {
		size_t whole = modbus_put_write(&of[i], 7, &one, three, buf);
		for (size_t cut = 0; cut < whole; cut++)
			assert_int_equal(modbus_read_write(of[i].tcp, buf, cut, &transaction, &unit, &function,
							   &address, &n, &data),
					 0);
		assert_int_equal(
			modbus_read_write(of[i].tcp, buf, whole, &transaction, &unit, &function, &address, &n, &data),
			whole);
		assert_true(unit == 17 && n == 1 && memcmp(data, three, 2) == 0);
		assert_int_equal(modbus_read_write(of[i].tcp, buf,
						   modbus_put_read(&of[i], 7, MODBUS_HOLDING, 1, 1, buf), &transaction,
						   &unit, &function, &address, &n, &data),
				 0); /* a question is no write */
	}
	assert_int_equal(modbus_put_write(&rtu, 0, &two, pair, buf), 13);
	assert_int_equal(modbus_read_write(false, buf, 13, &transaction, &unit, &function, &address, &n, &data), 13);
	length = modbus_put_written(&rtu, 0, function, address, n, data, 4, buf);
	assert_int_equal(modbus_find_written(&rtu, 0, &two, pair, buf, length, &code), MODBUS_REFUSED);
	assert_int_equal(code, 4);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_crc_is_that_of_its_specification),
		cmocka_unit_test(a_question_is_asked),
		cmocka_unit_test(a_register_is_written),
		cmocka_unit_test(values_of_every_type),
		cmocka_unit_test(an_answer_of_another_is_none),
		cmocka_unit_test(a_write_is_refused_by_the_one_that_was_asked),
		cmocka_unit_test(an_answer_is_found_and_nothing_else),
		cmocka_unit_test(rubbish_is_no_answer),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
