/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/clock.h"

#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/time.h>
#include <time.h>

#include <cmocka.h>

static void is_the_machines(void **state)
{
	struct clock_src clock = clock_machine();
	struct timespec before, after;
	int64_t now_ns;

	(void)state;
	clock_gettime(CLOCK_MONOTONIC, &before);
	now_ns = clock.now(clock.ctx).ns;
	clock_gettime(CLOCK_MONOTONIC, &after);
	assert_true(now_ns >= (int64_t)before.tv_sec * 1000000000 + before.tv_nsec);
	assert_true(now_ns <= (int64_t)after.tv_sec * 1000000000 + after.tv_nsec);
	clock_gettime(CLOCK_REALTIME, &before);
	assert_true(clock.wall(clock.ctx).ns >= (int64_t)before.tv_sec * 1000000000 + before.tv_nsec);
	assert_false(clock.is_bench);
	clock.free(clock.ctx);
}

static void sleeps_until_an_absolute_time_and_not_into_the_past(void **state)
{
	struct clock_src clock = clock_machine();
	struct mono begin = clock.now(clock.ctx);

	(void)state;
	for (int i = 1; i <= 5; i++) {
		struct mono until = mono_add_ns(begin, i * 1000000);

		assert_int_equal(clock.sleep_until(clock.ctx, until, NULL), RC_OK);
		assert_true(clock.now(clock.ctx).ns >= until.ns);
	}
	begin = clock.now(clock.ctx);
	assert_int_equal(clock.sleep_until(clock.ctx, mono_add_ns(begin, -1000000000), NULL), RC_OK);
	assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ 0 }, NULL), RC_OK);
	assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ -5000000000 }, NULL), RC_OK);
	assert_true(mono_diff_s(clock.now(clock.ctx), begin) < 1);
}

static void nothing(int number)
{
	(void)number;
}

/* A signal in the middle of a sleep does not shorten it. */
static void sleeps_on_after_a_signal(void **state)
{
	struct clock_src clock = clock_machine();
	const struct itimerval every = { .it_interval = { .tv_usec = 2000 }, .it_value = { .tv_usec = 2000 } };
	const struct itimerval never = { 0 };
	struct mono until = mono_add_ns(clock.now(clock.ctx), 20000000);

	(void)state;
	signal(SIGALRM, nothing);
	setitimer(ITIMER_REAL, &every, NULL);
	assert_int_equal(clock.sleep_until(clock.ctx, until, NULL), RC_OK);
	setitimer(ITIMER_REAL, &never, NULL);
	assert_true(clock.now(clock.ctx).ns >= until.ns);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(is_the_machines),
		cmocka_unit_test(sleeps_on_after_a_signal),
		cmocka_unit_test(sleeps_until_an_absolute_time_and_not_into_the_past),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
