/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a tick costs the host: bench clock, poll and set, without guard and logbook. Give it a running virtual bench:
 *   tick BENCH_FOLDER [SECONDS_OF_BENCH_TIME]
 * Prints one JSON document. User time is the work beyond the system calls. */
#include "instrument/node.h"
#include "link/control.h"

#include <stdio.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <time.h>

static double wall_s(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double tv_s(struct timeval t)
{
	return (double)t.tv_sec + 1e-6 * (double)t.tv_usec;
}

int main(int argc, char **argv)
{
	static const struct node_config config = { .fast_Hz = 100,
						   .slow_every = 20,
						   .lease_ms = 300,
						   .pulses_per_rev = 360,
						   .gear_ratio = 30,
						   .direction = 1 };
	struct control *control = NULL;
	struct link *link = NULL;
	struct node *node = NULL;
	struct clock_src clock;
	struct snapshot snap = { 0 };
	struct wish wish = { 0 };
	struct err err = { 0 };
	struct rusage before, after;
	double begin_s, took_s;
	long ticks = 100 * (argc > 2 ? atol(argv[2]) : 600);
	struct mono next;

	if (argc < 2 || control_open("unix:run/control.sock", argv[1], false, 5000, &control, &err) != RC_OK ||
	    link_open("unix:run/tether.sock", 0, argv[1], 5000, &link, &err) != RC_OK)
		goto fail;
	control_set_tether(control, link);
	clock = clock_bench(control);
	if (node_open(link, &clock, &config, &node, &err) != RC_OK || node_start(node, &err) != RC_OK)
		goto fail;
	getrusage(RUSAGE_SELF, &before);
	begin_s = wall_s();
	next = clock.now(clock.ctx);
	for (long i = 0; i < ticks; i++) {
		next = mono_add_ns(next, 10000000);
		if (clock.sleep_until(clock.ctx, next, &err) != RC_OK)
			goto fail;
		node_poll(node, &snap);
		wish.brake_A = 0.001 * (double)(i % 100); /* changes: a set in each tick */
		node_set(node, &wish);
	}
	took_s = wall_s() - begin_s;
	getrusage(RUSAGE_SELF, &after);
	printf("{\"ticks\": %ld, \"samples\": %u, \"lost\": %u, \"user_us_per_tick\": %.2f, \"system_us_per_tick\": "
	       "%.2f, "
	       "\"wall_us_per_tick\": %.2f, \"times_real\": %.0f}\n",
	       ticks, snap.sample_total, snap.sample_lost,
	       1e6 * (tv_s(after.ru_utime) - tv_s(before.ru_utime)) / (double)ticks,
	       1e6 * (tv_s(after.ru_stime) - tv_s(before.ru_stime)) / (double)ticks, 1e6 * took_s / (double)ticks,
	       (double)ticks * 0.01 / took_s);
	node_close(node);
	control_close(control);
	link_close(link);
	return 0;
fail:
	fprintf(stderr, "tick: %s\n", argc < 2 ? "expected a bench folder" : err.what);
	return 3;
}
