/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The expected digests were made by another program, Python's hashlib (SHA-256, FIPS 180-4) and struct, from the words
 * in chain.h alone; tests/faults/digest.py does the same for whole logbooks. */
#include "logbook/chain.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static void assert_digest(const struct chain *chain, const char *hex)
{
	char text[2 * CHAIN_SIZE + 1];

	for (int i = 0; i < CHAIN_SIZE; i++)
		snprintf(text + 2 * i, 3, "%02x", chain->digest[i]);
	assert_string_equal(text, hex);
}

static void rows_hang_together_as_stated(void **state)
{
	struct chain c = { 0 };
	struct chain_row h;

	(void)state;
	chain_row_begin(&h, &c, "event");
	chain_int(&h, -5);
	chain_text(&h, "note");
	chain_text(&h, "zw\xc3\xb6lf");
	chain_row_end(&h, &c);
	assert_digest(&c, "1bd655ebc75c708f06f9eca0e2dbe658cbbe899647bf6d42dd5bb6759937e3ca");
	chain_row_begin(&h, &c, "event");
	chain_int(&h, INT64_C(1) << 62);
	chain_text(&h, "");
	chain_text(&h, NULL);
	chain_row_end(&h, &c);
	assert_digest(&c, "21f3bcc27638844404eb3c3987656e47222a7b6b367a692e92ddc1e9be93f5ae");
	assert_true(chain_short(&c) == INT64_C(4937133174229365537));
}

static void numbers_are_fed_as_they_are_stored(void **state)
{
	struct chain c = { 0 };
	struct chain_row h;

	(void)state;
	chain_row_begin(&h, &c, "x");
	chain_real(&h, -NAN);
	chain_real(&h, -0.0);
	chain_real(&h, 0.1);
	chain_real(&h, -INFINITY);
	chain_row_end(&h, &c);
	assert_digest(&c, "170f5faf7be2eb02bb79a5fb8cb947344b2756bc489b39619a4aaa5b5a12e376");
}

/* Rows longer than what is gathered at a time, and fields longer than that by themselves. */
static void a_long_row_is_digested_whole(void **state)
{
	struct chain c = { 0 };
	struct chain_row h;
	uint8_t field[601];
	uint8_t counted[171 * 3];

	(void)state;
	chain_row_begin(&h, &c, "long");
	for (int64_t k = 0; k < 100; k++)
		chain_int(&h, k * k * k - 7);
	for (size_t n = 600, k = 0; k < 3; k++) {
		memset(field, "abc"[k], n);
		field[n] = '\0';
		chain_text(&h, (char *)field);
		n = k == 0 ? 500 : 512;
	}
	chain_int(&h, 3);
	for (size_t i = 0; i < sizeof counted; i++)
		counted[i] = (uint8_t)(1 + i % 3);
	chain_bytes(&h, counted, sizeof counted);
	chain_text(&h, NULL);
	chain_row_end(&h, &c);
	assert_digest(&c, "b9552f0df58163038b5d8f10be4e3e6439df6dbd3b40796c6459f3ed92c557e5");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(rows_hang_together_as_stated),
		cmocka_unit_test(numbers_are_fed_as_they_are_stored),
		cmocka_unit_test(a_long_row_is_digested_whole),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
