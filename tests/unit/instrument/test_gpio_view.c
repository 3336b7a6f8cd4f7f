/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/gpio_view.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdlib.h>
#include <string.h>

#define SEED 20260801u

/* Quadrature by its definition: A is high in the first half of a period, B a quarter behind forwards. Four steps a
 * period; the edge between two states is that of the channel that differs. */
static bool level_of(enum gpio_use use, int64_t step)
{
	int64_t phase = ((step - (use == GPIO_PULSE_B)) % 4 + 4) % 4;

	return phase == 1 || phase == 2;
}

static void turn_to(struct gpio_view *v, int64_t *at, int64_t step)
{
	while (*at != step) {
		int64_t next = *at + (step > *at ? 1 : -1);
		enum gpio_use use =
			level_of(GPIO_PULSE_A, *at) != level_of(GPIO_PULSE_A, next) ? GPIO_PULSE_A : GPIO_PULSE_B;
		gpio_view_edge(v, &(struct gpio_edge){ .use = (uint8_t)use, .active = level_of(use, next), .t_ns = 1 },
			       true);
		*at = next;
	}
}

static void two_channels_count_both_ways(void **state)
{
	struct gpio_view v = { 0 };
	int64_t at = 0;

	(void)state;
	srand(SEED);
	print_message("# seed %u\n", SEED);
	for (int i = 0; i < 500; i++) {
		turn_to(&v, &at, rand() % 41 - 20);
		assert_int_equal(v.pulses, at);
	}
	assert_int_equal(v.lost, 0);
}

static void one_channel_counts_each_edge(void **state)
{
	struct gpio_view v = { 0 };

	(void)state;
	for (int i = 1; i <= 7; i++)
		gpio_view_edge(&v, &(struct gpio_edge){ .use = GPIO_PULSE_A, .active = i & 1, .t_ns = 10 * i }, false);
	assert_int_equal(v.pulses, 7);
	assert_int_equal(v.edge_ns, 70);
	assert_int_equal(v.lost, 0);
}

static void a_lost_edge_is_told(void **state)
{
	(void)state;
	for (int two = 0; two < 2; two++) {
		struct gpio_view v = { 0 };

		gpio_view_edge(&v, &(struct gpio_edge){ .use = GPIO_PULSE_A, .active = true, .t_ns = 1 }, two);
		gpio_view_edge(&v, &(struct gpio_edge){ .use = GPIO_PULSE_A, .active = true, .t_ns = 2 }, two);
		assert_int_equal(v.lost, 1);
	}
}

/* The level that is read at the start may be that after an edge which is on its way. */
static void the_first_edge_is_not_judged(void **state)
{
	struct gpio_view v = { 0 };

	(void)state;
	gpio_view_levels(&v, 1u << GPIO_PULSE_A);
	gpio_view_edge(&v, &(struct gpio_edge){ .use = GPIO_PULSE_A, .active = true, .t_ns = 1 }, true);
	assert_int_equal(v.lost, 0);
	/* Later its level comes by edges alone: what is read may be ahead of them. */
	gpio_view_levels(&v, 0);
	assert_int_equal(v.active, 1u << GPIO_PULSE_A);
}

static void a_line_that_drops_is_counted(void **state)
{
	struct gpio_view v = { 0 };

	(void)state;
	gpio_view_levels(&v, 1u << GPIO_ESTOP | 1u << GPIO_CAGE);
	gpio_view_edge(&v, &(struct gpio_edge){ .use = GPIO_ESTOP, .active = false }, true);
	gpio_view_edge(&v, &(struct gpio_edge){ .use = GPIO_ESTOP, .active = true }, true);
	assert_int_equal(v.dropped[GPIO_ESTOP], 1);
	assert_int_equal(v.dropped[GPIO_CAGE], 0);
	gpio_view_levels(&v, 1u << GPIO_ESTOP); /* its edge was lost */
	assert_int_equal(v.dropped[GPIO_CAGE], 1);
	assert_int_equal(v.active, 1u << GPIO_ESTOP);
	/* The kernel read its level late: good twice, so it was open in between. */
	gpio_view_edge(&v, &(struct gpio_edge){ .use = GPIO_ESTOP, .active = true }, true);
	assert_int_equal(v.dropped[GPIO_ESTOP], 2);
	assert_int_equal(v.pulses, 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(two_channels_count_both_ways), cmocka_unit_test(one_channel_counts_each_edge),
		cmocka_unit_test(a_lost_edge_is_told),          cmocka_unit_test(the_first_edge_is_not_judged),
		cmocka_unit_test(a_line_that_drops_is_counted),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
