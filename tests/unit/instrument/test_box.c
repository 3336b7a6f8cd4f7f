/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/box.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <pthread.h>

static void the_newest_alone(void **state)
{
	struct box b = { 0 };
	int value = 7;

	(void)state;
	assert_int_equal(box_init(&b, sizeof value, NULL), RC_OK);
	assert_false(box_take(&b, &value));
	assert_int_equal(value, 7);
	for (int i = 1; i < 10; i++) {
		for (int k = 0; k < i; k++) {
			int put = 100 * i + k;
			box_put(&b, &put);
		}
		assert_true(box_take(&b, &value));
		assert_int_equal(value, 100 * i + i - 1);
		assert_false(box_take(&b, &value));
		assert_int_equal(value, 100 * i + i - 1);
	}
	box_free(&b);
	box_free(&b);
}

#define WORDS 40
#define PUTS 200000

struct wide {
	uint32_t word[WORDS];
};

static void *put_many(void *ctx)
{
	struct wide w;

	for (uint32_t i = 1; i <= PUTS; i++) {
		for (size_t k = 0; k < WORDS; k++)
			w.word[k] = i;
		box_put(ctx, &w);
	}
	return NULL;
}

/* Whole, never older than the one before, and the last one comes at the end. */
static void no_value_is_torn(void **state)
{
	struct box b = { 0 };
	struct wide w = { 0 };
	uint32_t before = 0;
	pthread_t thread;

	(void)state;
	assert_int_equal(box_init(&b, sizeof w, NULL), RC_OK);
	assert_int_equal(pthread_create(&thread, NULL, put_many, &b), 0);
	while (before < PUTS) {
		if (!box_take(&b, &w))
			continue;
		for (size_t k = 0; k < WORDS; k++)
			assert_int_equal(w.word[k], w.word[0]);
		assert_true(w.word[0] > before);
		before = w.word[0];
	}
	pthread_join(thread, NULL);
	assert_false(box_take(&b, &w));
	box_free(&b);
}

int main(void)
{
	const struct CMUnitTest tests[] = { cmocka_unit_test(the_newest_alone), cmocka_unit_test(no_value_is_torn) };

	return cmocka_run_group_tests(tests, NULL, NULL);
}
