/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/sample_thin.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>

#include <cmocka.h>

#define RATE_HZ 100
#define TICK_NS 10000000

struct kept {
	int64_t at[20000];
	uint32_t repeats[20000];
	size_t n;
};
static struct kept kept;

static bool keep(void *ctx, const struct sample *row)
{
	struct kept *k = ctx;

	k->at[k->n] = row->mono_ns;
	k->repeats[k->n++] = row->repeats;
	return true;
}

static void put(struct sample_thin *t, int64_t tick, double thin_s)
{
	/* channel 0 has a new reading on each seventh tick, channel 1 on none */
	struct sample row = { .mono_ns = tick * TICK_NS, .repeats = tick % 7 == 0 ? 2 : 3 };

	assert_true(sample_thin_put(t, &row, thin_s));
}

static struct sample_thin begun(void)
{
	struct sample_thin t;

	kept.n = 0;
	assert_int_equal(sample_thin_begin(&t, RATE_HZ, keep, &kept, NULL), RC_OK);
	return t;
}

static void all_rows_go_on_at_once(void **state)
{
	(void)state;
	struct sample_thin t = begun();

	for (int64_t i = 1; i <= 500; i++) {
		put(&t, i, 0);
		assert_int_equal(kept.n, i);
	}
	sample_thin_end(&t);
}

/* L10: 60 s thinned, then a stop: its last 10 s are whole, before them one row a second, in order. */
static void before_a_stop_all_rows_are_there(void **state)
{
	(void)state;
	struct sample_thin t = begun();
	size_t before = 0;

	for (int64_t i = 1; i <= 6000; i++)
		put(&t, i, 1);
	put(&t, 6001, 0);
	for (size_t i = 1; i < kept.n; i++) {
		assert_true(kept.at[i] > kept.at[i - 1]);
		before += kept.at[i] < 5000 * (int64_t)TICK_NS;
	}
	assert_int_equal(before, 49);
	int64_t first_whole = 6001 - (int64_t)(SAMPLE_THIN_S * RATE_HZ);
	size_t whole = 0;
	for (size_t i = 0; i < kept.n; i++)
		whole += kept.at[i] >= first_whole * TICK_NS;
	assert_int_equal(whole, 1001);
	assert_int_equal(kept.at[kept.n - 1], 6001 * (int64_t)TICK_NS);
	sample_thin_end(&t);
}

/* A reading that came in a row that was left out is no repetition in the next that goes on. */
static void a_reading_that_was_left_out_is_told(void **state)
{
	(void)state;
	struct sample_thin t = begun();

	for (int64_t i = 1; i <= 4000; i++)
		put(&t, i, 1);
	for (size_t i = 1; i < kept.n; i++)
		assert_int_equal(kept.repeats[i], 2);
	assert_true(kept.n >= 29 && kept.n <= 31);
	sample_thin_end(&t);
}

static void the_end_loses_nothing(void **state)
{
	(void)state;
	struct sample_thin t = begun();

	for (int64_t i = 1; i <= 300; i++)
		put(&t, i, 1);
	assert_int_equal(kept.n, 0);
	assert_true(sample_thin_flush(&t));
	assert_int_equal(kept.n, 300);
	sample_thin_end(&t);
}

static bool refuse(void *ctx, const struct sample *row)
{
	(void)row;
	return ++*(int *)ctx != 2;
}

/* One row of three is refused: that is told, and the others have still been offered. */
static void a_row_that_is_refused_is_told(void **state)
{
	const struct sample row = { .mono_ns = TICK_NS };
	struct sample_thin t;

	(void)state;
	for (int stop = 0; stop < 2; stop++) {
		int offered = 0;
		assert_int_equal(sample_thin_begin(&t, RATE_HZ, refuse, &offered, NULL), RC_OK);
		for (int i = 0; i < 3; i++)
			assert_true(sample_thin_put(&t, &row, 1));
		assert_false(stop ? sample_thin_put(&t, &row, 0) : sample_thin_flush(&t));
		assert_int_equal(offered, stop ? 4 : 3);
		offered = 1;
		assert_false(sample_thin_put(&t, &row, 0)); /* the row itself */
		sample_thin_end(&t);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(all_rows_go_on_at_once),
		cmocka_unit_test(before_a_stop_all_rows_are_there),
		cmocka_unit_test(a_reading_that_was_left_out_is_told),
		cmocka_unit_test(the_end_loses_nothing),
		cmocka_unit_test(a_row_that_is_refused_is_told),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
