/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/nodetime.h"

#include <inttypes.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static uint64_t seed = 77;

static uint64_t draw(void)
{
	seed ^= seed >> 12;
	seed ^= seed << 25;
	seed ^= seed >> 27;
	return seed * 0x2545f4914f6cdd1dULL;
}

/* A day of samples from a clock that runs 100 ppm wrong, each delayed by 6 ms and up to 10 ms of tick more. */
static void maps_a_day_of_a_wrong_clock(void **state)
{
	(void)state;
	for (int ppm = -100; ppm <= 100; ppm += 100) {
		struct nodetime n = { 0 };
		int64_t worst_us = 0;

		for (int64_t taken_us = 0; taken_us < 86400000000; taken_us += 97000) { /* host's time of taking */
			int64_t node_us = taken_us + taken_us / 1000000 * ppm + 4000000000;
			int64_t came_us = taken_us + 6000 + (int64_t)(draw() % 10000), unwrapped, off_us;

			unwrapped = nodetime_unwrap(&n, (uint32_t)node_us, came_us);
			assert_int_equal(unwrapped, n.started ? node_us : (uint32_t)node_us);
			assert_true(nodetime_fits(&n, unwrapped, came_us));
			nodetime_hear(&n, unwrapped, came_us, 10000);
			off_us = llabs(nodetime_host_us(&n, node_us) - taken_us - 6000);
			if (taken_us > 10000000 && off_us > worst_us)
				worst_us = off_us;
		}
		/* The estimate climbs by at most 300 ppm (200 and the clock's 100), 29 us a sample, and falls back to
		 * any smaller delay. Climbing to 4 ms takes 137 samples that all were delayed more than it: with delays
		 * even over 10 ms the product of (1 - 0.0029 k), k to 137, about exp(-27). So it never happens in 9e5
		 * samples. */
		if (worst_us > 4000)
			fail_msg("%d ppm: off by %" PRId64 " us", ppm, worst_us);
	}
}

static void tells_what_does_not_fit(void **state)
{
	struct nodetime n = { 0 };

	(void)state;
	assert_true(nodetime_fits(&n, 123, 456));
	nodetime_hear(&n, 50000000, 1000000, 0);
	assert_true(nodetime_fits(&n, 50010000, 1010000));
	assert_true(nodetime_fits(&n, 50010000, 3010000));  /* two seconds on the way: late, not wrong */
	assert_true(nodetime_fits(&n, 49500000, 1010000));  /* overtaken */
	assert_false(nodetime_fits(&n, 47900000, 1010000)); /* two seconds back */
	assert_true(nodetime_fits(&n, 50200000, 1010000));
	assert_false(nodetime_fits(&n, 50300000, 1010000)); /* from the future */
	assert_false(nodetime_fits(&n, 0, 1010000));
	/* After an hour of silence the drift of an hour is allowed: 200 ppm are 0.72 s. */
	assert_true(nodetime_fits(&n, 50000000 + 3600900000, 1000000 + 3600000000));
	assert_false(nodetime_fits(&n, 50000000 + 3601100000, 1000000 + 3600000000));
}

/* The host did not look for 1.2 s. The first time that it hears is as old as that, the next one is new: it is ahead
 * by 1.2 s of what the first one made believe, and that is the host's doing. Once a time was heard at once, the bound
 * is tight again. */
static void a_time_that_waited_for_the_host_is_not_from_the_future(void **state)
{
	struct nodetime n = { 0 };

	(void)state;
	nodetime_hear(&n, 50000000, 2200000, 1200000); /* came at 1.0 s */
	assert_true(nodetime_fits(&n, 51210000, 2210000));
	assert_false(nodetime_fits(&n, 51470000, 2210000));
	nodetime_hear(&n, 51210000, 2210000, 10000);
	assert_int_equal(nodetime_host_us(&n, 51210000), 2210000);
	assert_true(nodetime_fits(&n, 51220000 + 259000, 2220000));
	assert_false(nodetime_fits(&n, 51220000 + 262000, 2220000));
}

static void unwraps_to_the_nearest(void **state)
{
	struct nodetime n = { 0 };

	(void)state;
	nodetime_hear(&n, 4294967290, 100, 0);
	assert_int_equal(nodetime_unwrap(&n, 5, 120), 4294967301);
	assert_int_equal(nodetime_unwrap(&n, 4294967000, 120), 4294967000);
	/* ten wraps of silence */
	assert_int_equal(nodetime_unwrap(&n, 5, 120 + 42949672960), 4294967301 + 42949672960);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(maps_a_day_of_a_wrong_clock),
		cmocka_unit_test(tells_what_does_not_fit),
		cmocka_unit_test(a_time_that_waited_for_the_host_is_not_from_the_future),
		cmocka_unit_test(unwraps_to_the_nearest),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
