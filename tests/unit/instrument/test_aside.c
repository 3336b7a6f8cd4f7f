/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/aside.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <pthread.h>
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

int __real_pthread_create(pthread_t *ret, const pthread_attr_t *attr, void *(*work)(void *), void *ctx);
int __wrap_pthread_create(pthread_t *ret, const pthread_attr_t *attr, void *(*work)(void *), void *ctx);

static atomic_int allocated;
static bool no_thread;

int __wrap_pthread_create(pthread_t *ret, const pthread_attr_t *attr, void *(*work)(void *), void *ctx)
{
	return no_thread ? EAGAIN : __real_pthread_create(ret, attr, work, ctx);
}

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
	bool fails; /* at its begin */
};

static enum rc slow_begin(void *ctx, struct err *err)
{
	(void)err;
	return ((struct slow *)ctx)->fails ? RC_IO : RC_OK;
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

/* One that does not begin: no reading ever comes, and its age says so. */
static void one_that_does_not_begin_has_no_reading(void **state)
{
	struct snapshot snap = snapshot_blank();
	struct slow s;
	struct instrument in = of(&s, ROLE_METER);

	(void)state;
	s.free_running = true;
	s.fails = true;
	struct aside *a = begin(&in);
	usleep(20000);
	in.ops->poll(in.ctx, &snap);
	assert_true(isnan(snap.voltage_V) && isinf(snap.channel[CHANNEL_VOLTAGE].age_s));
	aside_free(a);
	assert_int_equal(s.closed, 1);
	assert_true(s.volt < 40.5); /* it was never looked at */
}

/* What comes too late, and one too many: left as they are, and still whoever opened them closes them. */
static void after_the_start_nobody_is_added(void **state)
{
	struct slow s[ASIDE_MOST + 1];
	struct instrument in[ASIDE_MOST + 1];
	struct aside *a = NULL;

	(void)state;
	for (int i = 0; i <= ASIDE_MOST; i++)
		in[i] = of(&s[i], ROLE_METER);
	assert_int_equal(aside_new(&a_clock, &a, NULL), RC_OK);
	for (int i = 0; i < ASIDE_MOST; i++)
		assert_int_equal(aside_add(a, &in[i], NULL), RC_OK);
	assert_int_equal(aside_add(a, &in[ASIDE_MOST], NULL), RC_ARG);
	assert_ptr_equal(in[ASIDE_MOST].ctx, &s[ASIDE_MOST]);
	aside_free(a); /* without a start */
	assert_int_equal(s[0].closed, 1);
	assert_int_equal(s[ASIDE_MOST].closed, 0);
	in[0] = of(&s[0], ROLE_METER);
	s[0].free_running = true;
	a = begin(&in[0]);
	assert_int_equal(aside_add(a, &in[ASIDE_MOST], NULL), RC_ARG);
	aside_free(a);
	assert_int_equal(s[ASIDE_MOST].closed, 0);
}

static void without_a_thread_it_does_not_start(void **state)
{
	struct slow s;
	struct instrument in = of(&s, ROLE_METER);
	struct aside *a = NULL;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(aside_new(&a_clock, &a, NULL), RC_OK);
	assert_int_equal(aside_add(a, &in, NULL), RC_OK);
	no_thread = true;
	assert_int_equal(aside_start(a, &err), RC_IO);
	no_thread = false;
	assert_string_equal(err.what, "cannot start a thread: Resource temporarily unavailable");
	aside_free(a);
	assert_int_equal(s.closed, 1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_tick_never_waits),
		cmocka_unit_test(ages),
		cmocka_unit_test(a_stop_joins),
		cmocka_unit_test(a_role_without_a_row_is_refused),
		cmocka_unit_test(one_that_does_not_begin_has_no_reading),
		cmocka_unit_test(after_the_start_nobody_is_added),
		cmocka_unit_test(without_a_thread_it_does_not_start),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
