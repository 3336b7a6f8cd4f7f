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
	struct sha256_ctx h;

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
	struct sha256_ctx h;

	(void)state;
	chain_row_begin(&h, &c, "x");
	chain_real(&h, -NAN);
	chain_real(&h, -0.0);
	chain_real(&h, 0.1);
	chain_real(&h, -INFINITY);
	chain_row_end(&h, &c);
	assert_digest(&c, "170f5faf7be2eb02bb79a5fb8cb947344b2756bc489b39619a4aaa5b5a12e376");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(rows_hang_together_as_stated),
		cmocka_unit_test(numbers_are_fed_as_they_are_stored),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
