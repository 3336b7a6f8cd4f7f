/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What 10 ms of the virtual bench's physics and node cost without sockets: physics [SECONDS_OF_BENCH_TIME [STEP_US]].
 * Prints one JSON document. */
#include "tests/unit/bench/world_kit.h"

#include <time.h>

int main(int argc, char **argv)
{
	double seconds = argc > 1 ? atof(argv[1]) : 100;
	struct world_config config = kit_config(1);
	struct world *world;
	clock_t begin;
	double cpu_s;

	config.step_us = argc > 2 ? atoi(argv[2]) : WORLD_STEP_US;
	world = kit_world(&config);
	kit_power(world);
	kit_send(world, "rate 100 20");
	begin = clock();
	kit_drive(world, seconds, "speed 28800 400");
	cpu_s = (double)(clock() - begin) / CLOCKS_PER_SEC;
	printf("{\"bench_s\": %g, \"step_us\": %d, \"cpu_us_per_10ms\": %.2f, \"times_real\": %.0f}\n", seconds,
	       config.step_us, cpu_s / seconds * 1e4, seconds / cpu_s);
	world_free(world);
	return 0;
}
