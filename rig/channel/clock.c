/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/clock.h"

#include <errno.h>
#include <string.h>
#include <time.h>

#define SLEPT_APART_NS 50000000 /* far below the second that counts as sleep */

static int64_t read_clock(clockid_t which)
{
	struct timespec t;

	clock_gettime(which, &t);
	return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static struct mono machine_now(void *ctx)
{
	(void)ctx;
	return (struct mono){ read_clock(CLOCK_MONOTONIC) };
}

static struct wall machine_wall(void *ctx)
{
	(void)ctx;
	return (struct wall){ read_clock(CLOCK_REALTIME) };
}

static enum rc machine_sleep_until(void *ctx, struct mono t, struct err *err)
{
	struct timespec until = { .tv_sec = t.ns / 1000000000, .tv_nsec = t.ns % 1000000000 };
	int e;

	(void)ctx;
	if (t.ns <= 0)
		return RC_OK;
	do
		e = clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL);
	while (e == EINTR);
	return e == 0 ? RC_OK : err_set(err, RC_IO, e, "the machine's clock cannot be waited for: %s", strerror(e));
}

/* Two clocks cannot be read at once: the one between two readings of the other is off by less than these lie apart. An
 * interruption in between must not look like sleep, so that such a reading is taken again. */
static int64_t machine_slept_ns(void *ctx)
{
	int64_t before_ns, boot_ns, after_ns;

	(void)ctx;
	do {
		before_ns = read_clock(CLOCK_MONOTONIC);
		boot_ns = read_clock(CLOCK_BOOTTIME);
		after_ns = read_clock(CLOCK_MONOTONIC);
	} while (after_ns - before_ns > SLEPT_APART_NS);
	return boot_ns - after_ns;
}

static void machine_free(void *ctx)
{
	(void)ctx;
}

struct clock_src clock_machine(void)
{
	return (struct clock_src){ .now = machine_now,
				   .wall = machine_wall,
				   .sleep_until = machine_sleep_until,
				   .slept_ns = machine_slept_ns,
				   .free = machine_free };
}
