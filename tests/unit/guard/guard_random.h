/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Random looks at the rig and random wishes, the impossible among them, the same on every machine. After cmocka.h. */
#ifndef BRIDLE_TESTS_GUARD_RANDOM_H
#define BRIDLE_TESTS_GUARD_RANDOM_H

#include "tests/unit/guard/guard_scene.h"

#include <stdio.h>
#include <stdlib.h>

/* xorshift64*: the same numbers on every machine. BRIDLE_TEST_SEED sets another seed. */
static uint64_t random_state;

static inline uint64_t seed_from_environment(void)
{
	const char *text = getenv("BRIDLE_TEST_SEED");
	uint64_t seed = text ? strtoull(text, NULL, 0) : 20240607;

	random_state = seed * UINT64_C(0x9e3779b97f4a7c15) + 1;
	print_message("# seed %llu\n", (unsigned long long)seed);
	return seed;
}

static inline uint64_t next_random(void)
{
	random_state ^= random_state >> 12;
	random_state ^= random_state << 25;
	random_state ^= random_state >> 27;
	return random_state * UINT64_C(0x2545f4914f6cdd1d);
}

static inline double uniform(double low, double high)
{
	return low + (high - low) * ((double)(next_random() >> 11) * 0x1p-53);
}

static inline bool one_in(unsigned n)
{
	return next_random() % n == 0;
}

static inline double nasty(double low, double high)
{
	static const double special[] = { NAN, INFINITY, -INFINITY, 0.0, -0.0, 1e308, -1e308, 5e-324 };

	return one_in(6) ? special[next_random() % 8] : uniform(low, high);
}

static inline void random_snapshot(struct snapshot *s)
{
	int64_t now_ns = s->now.ns;

	*s = scene_snapshot();
	s->now.ns = now_ns + (one_in(20) ? (int64_t)uniform(-1e9, 3e9) : 10000000);
	s->late_ns = one_in(10) ? (int64_t)uniform(0, 1e8) : 0;
	s->node_reset = one_in(50);
	s->node_lost = one_in(50);
	s->sample_age_s = nasty(0, 0.3);
	s->channel[CHANNEL_CELL].age_s = nasty(0, 1);
	scene_slow_age(s, nasty(0, 3));
	s->cell_same = (uint32_t)(next_random() % 60);
	s->cell_same_s = nasty(0, 1);
	s->cell_equal_chance = nasty(0, 1);
	scene_saturated(s, one_in(20));
	s->torque_Nm = nasty(-60, 60);
	s->speed_rpm = one_in(3) ? 0 : nasty(-150, 150);
	s->brake_A = nasty(-0.2, 1.3);
	s->voltage_V = nasty(0, 40);
	scene_lines_told(s, !one_in(20));
	s->estop_ok = !one_in(10);
	s->cage_closed = !one_in(10);
	s->contactor_closed = one_in(3);
	s->node_state = (enum node_state)(next_random() % 5);
	s->drive_flags = (unsigned)next_random() & 0x3f;
	for (int i = 0; i < TEMP_COUNT; i++)
		s->temp_degC[i] = nasty(0, 150);
	s->log_failed = one_in(20);
	s->operator_stop = one_in(20);
	s->sequence_stop = one_in(20);
}

static inline void random_wish(struct wish *w)
{
	*w = (struct wish){ .mode = (enum drive_mode)(next_random() % 6), /* 5 is no mode at all */
			    .speed_rpm = nasty(-200, 200),
			    .drive_A = nasty(-30, 30),
			    .torque_Nm = nasty(-60, 60),
			    .angle_deg = nasty(-2000, 2000),
			    .brake_A = nasty(-1, 2),
			    .power = one_in(2) };
}

#endif
