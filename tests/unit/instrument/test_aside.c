/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/aside.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <semaphore.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

void *__real_malloc(size_t size);
void *__real_calloc(size_t n, size_t size);
void *__real_realloc(void *block, size_t size);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t n, size_t size);
void *__wrap_realloc(void *block, size_t size);

static atomic_int allocated;

void *__wrap_malloc(size_t size)
{
	allocated++;
	return __real_malloc(size);
}

void *__wrap_calloc(size_t n, size_t size)
{
	allocated++;
	return __real_calloc(n, size);
}

void *__wrap_realloc(void *block, size_t size)
{
	allocated++;
	return __real_realloc(block, size);
}

static _Atomic int64_t now_ns;

static struct mono clock_now(void *ctx)
{
	(void)ctx;
	return (struct mono){ now_ns };
}

static const struct clock_src a_clock = { .now = clock_now };

/* A device that answers when the test lets it: each look of the thread waits for a go. */
struct slow {
	sem_t go, looked;
	double volt;
	struct channel channel;
	_Atomic double speed_rpm; /* of the newest wish, and how many came */
	atomic_int wishes, closed;
	atomic_bool free_running;
};

static enum rc slow_begin(void *ctx, struct err *err)
{
	(void)ctx;
	(void)err;
	return RC_OK;
}

static void slow_poll(void *ctx, struct snapshot *snap)
{
	struct slow *s = ctx;

	if (!s->free_running)
		sem_wait(&s->go);
	s->volt += 1;
	s->channel.fresh++;
	s->channel.taken.ns = now_ns;
	s->channel.age_s = 0;
	s->channel.quality = QUALITY_GOOD;
	snap->voltage_V = s->volt;
	snap->current_A = -s->volt;
	snap->channel[CHANNEL_VOLTAGE] = snap->channel[CHANNEL_CURRENT] = s->channel;
	sem_post(&s->looked);
}

static void slow_set(void *ctx, const struct wish *wish)
{
	struct slow *s = ctx;

	s->speed_rpm = wish->speed_rpm;
	s->wishes++;
}

static void slow_close(void *ctx)
{
	((struct slow *)ctx)->closed++;
}

static struct instrument of(struct slow *s, unsigned roles)
{
	static const struct instrument_ops ops = { slow_begin, slow_poll, slow_set, slow_close };

	*s = (struct slow){ .volt = 40 };
	sem_init(&s->go, 0, 0);
	sem_init(&s->looked, 0, 0);
	return (struct instrument){ .ops = &ops, .ctx = s, .name = "supply slow", .roles = roles, .stale_s = 1 };
}

static struct aside *begin(struct instrument *in)
{
	struct aside *a = NULL;

	now_ns = 1000000000;
	assert_int_equal(aside_new(&a_clock, &a, NULL), RC_OK);
	assert_int_equal(aside_add(a, in, NULL), RC_OK);
	assert_int_equal(aside_start(a, NULL), RC_OK);
	assert_int_equal(in->ops->begin(in->ctx, NULL), RC_OK);
	return a;
}

static void one_look(struct slow *s)
{
	sem_post(&s->go);
	sem_wait(&s->looked);
}

/* The newest reading is there a moment after the thread has it. */
static void await(const struct instrument *in, struct snapshot *snap, uint32_t fresh)
{
	for (int i = 0; i < 5000 && snap->channel[CHANNEL_VOLTAGE].fresh < fresh; i++) {
		in->ops->poll(in->ctx, snap);
		usleep(1000);
	}
	assert_int_equal(snap->channel[CHANNEL_VOLTAGE].fresh, fresh);
}

/* The device does not answer at all: were the tick to wait for it, this test would never end. */
static void the_tick_never_waits(void **state)
{
	struct snapshot snap = snapshot_blank();
	const struct wish wish = { .speed_rpm = 12 };
	struct slow s;
	struct instrument in = of(&s, ROLE_VOLTAGE);
	struct aside *a = begin(&in);
	int before = allocated;

	(void)state;
	alarm(60);
	for (int i = 0; i < 1000; i++) {
		in.ops->poll(in.ctx, &snap);
		in.ops->set(in.ctx, &wish);
	}
	assert_true(isnan(snap.voltage_V) && isinf(snap.channel[CHANNEL_VOLTAGE].age_s));
	one_look(&s);
	await(&in, &snap, 1);
	assert_true(fabs(snap.voltage_V - 41) < 1e-12 && snap.channel[CHANNEL_VOLTAGE].age_s < 1e-9);
	assert_true(isnan(snap.current_A) && snap.channel[CHANNEL_CURRENT].fresh == 0); /* not its role */
	one_look(&s); /* the look before handed on what was wished until then */
	assert_true(s.wishes >= 1 && fabs(s.speed_rpm - 12) < 1e-12);
	int wishes = s.wishes;
	for (int i = 0; i < 5; i++)
		one_look(&s);
	assert_true(s.wishes <= wishes + 1); /* nobody wishes any more: the device is not commanded anew */
	assert_int_equal(allocated, before);
	s.free_running = true;
	sem_post(&s.go);
	aside_free(a);
	assert_int_equal(s.closed, 1);
	alarm(0);
}

static void ages(void **state)
{
	struct snapshot snap = snapshot_blank();
	struct slow s;
	struct instrument in = of(&s, ROLE_METER);
	struct aside *a = begin(&in);
	const struct channel *c = &snap.channel[CHANNEL_CURRENT];

	(void)state;
	alarm(60);
	one_look(&s);
	await(&in, &snap, 1);
	for (int i = 0; i < 100; i++) {
		now_ns += 10000000;
		in.ops->poll(in.ctx, &snap);
	}
	assert_true(fabs(c->age_s - 1) < 0.011 && c->fresh == 1);
	now_ns += 7000000000; /* this program itself did not look */
	in.ops->poll(in.ctx, &snap);
	assert_true(c->age_s < 1.02);
	one_look(&s);
	await(&in, &snap, 2);
	now_ns += 50000000;
	in.ops->poll(in.ctx, &snap);
	assert_true(fabs(c->age_s - 0.05) < 1e-6 && fabs(snap.current_A + 42) < 1e-12);
	s.free_running = true;
	sem_post(&s.go);
	aside_free(a);
	alarm(0);
}

static void a_stop_joins(void **state)
{
	struct timespec before, after;

	(void)state;
	alarm(60);
	for (int i = 0; i < 20; i++) {
		struct slow s;
		struct instrument in = of(&s, ROLE_METER);
		s.free_running = true;
		struct aside *a = begin(&in);
		sem_wait(&s.looked);
		clock_gettime(CLOCK_MONOTONIC, &before);
		aside_free(a);
		clock_gettime(CLOCK_MONOTONIC, &after);
		assert_int_equal(s.closed, 1);
		/* a look of 5 ms; the rest is a busy machine's */
		assert_true((double)(after.tv_sec - before.tv_sec) + 1e-9 * (double)(after.tv_nsec - before.tv_nsec) <
			    5);
	}
	aside_free(NULL);
	alarm(0);
}

static void a_role_without_a_row_is_refused(void **state)
{
	struct slow s;
	struct instrument in = of(&s, ROLE_METER | ROLE_TEMP);
	struct aside *a = NULL;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(aside_new(&a_clock, &a, NULL), RC_OK);
	assert_int_equal(aside_add(a, &in, &err), RC_ARG);
	assert_ptr_equal(in.ctx, &s);
	aside_free(a);
	assert_int_equal(s.closed, 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_tick_never_waits),
		cmocka_unit_test(ages),
		cmocka_unit_test(a_stop_joins),
		cmocka_unit_test(a_role_without_a_row_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
