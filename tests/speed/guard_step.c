/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Processor time of guard_step on a rig that runs in good order under load: what each tick costs nearly always. The aim
 * is 2 us. Prints the median of its rounds, the least and largest. Exit 1 beyond it, 3 where the rig did not run on. */
#include "tests/unit/guard/guard_scene.h"

#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#define STEPS 100000
#define ROUNDS 15
#define AIM_us 2.0

static double processor_us(void)
{
	struct timespec t;

	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return 1e6 * (double)t.tv_sec + 1e-3 * (double)t.tv_nsec;
}

static int by_size(const void *a, const void *b)
{
	double p = *(const double *)a, q = *(const double *)b;

	return (p > q) - (p < q);
}

/* Readings that are new and a little other in each tick. */
static void next(struct scene *s, int i)
{
	s->snap.now = mono_add_ns(s->snap.now, 10000000);
	s->snap.channel[CHANNEL_CELL].fresh++;
	s->snap.channel[CHANNEL_DRIVE].fresh += i % 20 == 0;
	s->snap.cell_count++;
	s->snap.pulses += 24;
	s->snap.edge_time_s += 0.01;
	s->snap.torque_Nm += i % 2 ? 0.01 : -0.01;
	s->snap.speed_rpm += i % 2 ? 0.01 : -0.01;
}

int main(void)
{
	static struct scene s;
	double us[ROUNDS];

	scene_running(&s);
	for (int round = 0; round < ROUNDS; round++) {
		double begin_us = processor_us();
		for (int i = 0; i < STEPS; i++) {
			next(&s, i);
			s.guard = guard_step(s.guard, &s.limits, &s.snap, &s.want, &s.verdict);
			if (s.verdict.cause != CAUSE_NONE || s.verdict.allowed.mode == DRIVE_OFF) {
				fprintf(stderr, "the guard stopped it: %s\n", cause_word(s.verdict.cause));
				return 3;
			}
		}
		us[round] = (processor_us() - begin_us) / STEPS;
	}
	qsort(us, ROUNDS, sizeof us[0], by_size);
	printf("guard_step %.3f us (%.3f to %.3f)\n", us[ROUNDS / 2], us[0], us[ROUNDS - 1]);
	return us[ROUNDS / 2] <= AIM_us ? 0 : 1;
}
