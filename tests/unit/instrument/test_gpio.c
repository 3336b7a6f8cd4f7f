/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The instrument over a fake of the small interface (instrument/gpio_lines.h). */
#include "instrument/gpio_private.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <pthread.h>
#include <string.h>
#include <time.h>

#define ALL_GOOD (1u << GPIO_ESTOP | 1u << GPIO_CAGE | 1u << GPIO_CONTACTOR)

/* The chip, by hand. */
static struct {
	pthread_mutex_t lock;
	struct gpio_edge edge[600];
	size_t n;
	unsigned active;
	bool lost, gone, closed;
	unsigned takes;
} chip;

static struct clock_src machine;

static int64_t now_ns(void)
{
	return machine.now(machine.ctx).ns;
}

static void nap(void)
{
	const struct timespec ms = { .tv_nsec = 1000000 };

	nanosleep(&ms, NULL);
}

static enum rc take(void *ctx, int wait_ms, struct gpio_edge *edge, size_t most, size_t *ret_n, bool *ret_lost)
{
	(void)ctx;
	nap();
	pthread_mutex_lock(&chip.lock);
	size_t n = chip.n < most ? chip.n : most;
	memcpy(edge, chip.edge, n * sizeof *edge);
	memmove(chip.edge, chip.edge + n, (chip.n - n) * sizeof *edge);
	chip.n -= n;
	*ret_n = n;
	*ret_lost = chip.lost;
	chip.lost = false;
	chip.takes++;
	enum rc rc = chip.gone ? RC_IO : RC_OK;
	pthread_mutex_unlock(&chip.lock);
	assert_true(wait_ms <= GPIO_STALE_S * 1e3 / 5);
	return rc;
}

static enum rc levels(void *ctx, unsigned *ret_active)
{
	(void)ctx;
	pthread_mutex_lock(&chip.lock);
	*ret_active = chip.active;
	enum rc rc = chip.gone ? RC_IO : RC_OK;
	pthread_mutex_unlock(&chip.lock);
	return rc;
}

static void close_chip(void *ctx)
{
	(void)ctx;
	chip.closed = true;
}

static struct instrument in;
static struct snapshot snap;

static void open_with(unsigned roles, bool two_channels)
{
	static const struct gpio_lines_ops ops = { take, levels, close_chip };
	static struct gpio_setup setup;
	const struct gpio_lines lines = { .ops = &ops, .switch_fd = 42 };

	setup = (struct gpio_setup){ .chip = "fake", .pulses_per_rev = 100, .direction = 1 };
	for (unsigned use = 0; use < GPIO_USES; use++)
		setup.wire[use].wired = use != GPIO_PULSE_B || two_channels;
	chip.n = chip.takes = 0;
	chip.active = ALL_GOOD & ~(1u << GPIO_CONTACTOR);
	chip.lost = chip.gone = chip.closed = false;
	snap = snapshot_blank();
	const struct instrument_config config = { .name = "gpio pins", .roles = roles, .number = 3, .gpio = &setup };
	machine = clock_machine();
	assert_int_equal(gpio_open_lines(&config, &lines, &machine, &in, NULL), RC_OK);
	assert_int_equal(in.ops->begin(in.ctx, NULL), RC_OK);
}

static void say_edge(enum gpio_use use, bool active, int64_t t_ns)
{
	pthread_mutex_lock(&chip.lock);
	chip.edge[chip.n++] = (struct gpio_edge){ .t_ns = t_ns, .use = (uint8_t)use, .active = active };
	pthread_mutex_unlock(&chip.lock);
}

static void set_levels(unsigned active)
{
	pthread_mutex_lock(&chip.lock);
	chip.active = active;
	pthread_mutex_unlock(&chip.lock);
}

/* Until the thread has looked twice: what was said before is in its view then. */
static void look(void)
{
	pthread_mutex_lock(&chip.lock);
	unsigned from = chip.takes;
	pthread_mutex_unlock(&chip.lock);
	for (int i = 0; i < 2000; i++) {
		pthread_mutex_lock(&chip.lock);
		bool done = chip.takes >= from + 3 || chip.gone;
		pthread_mutex_unlock(&chip.lock);
		if (done)
			break;
		nap();
	}
	for (int i = 0; chip.gone && i < 20; i++)
		nap();
	in.ops->poll(in.ctx, &snap);
}

static void close_it(void)
{
	in.ops->close(in.ctx);
	assert_true(chip.closed);
}

static void lines_are_told(void **state)
{
	(void)state;
	open_with(ROLE_LINES | ROLE_POWER, true);
	assert_int_equal(in.lines, LINES_ALL);
	assert_int_equal(in.switch_fd, 42);
	assert_null(in.ops->set); /* the warden alone closes it */
	in.ops->poll(in.ctx, &snap);
	assert_true(snap.estop_ok && snap.cage_closed && !snap.contactor_closed);
	assert_int_equal(snap.channel[CHANNEL_ESTOP].instrument, 3);
	assert_true(snap.channel[CHANNEL_CAGE].age_s < GPIO_STALE_S);
	set_levels(ALL_GOOD & ~(1u << GPIO_CAGE));
	look();
	assert_true(snap.estop_ok && !snap.cage_closed && snap.contactor_closed);
	assert_false(is_told(&snap, CHANNEL_TURN));
	close_it();
}

static void a_line_that_dropped_between_two_ticks_stops(void **state)
{
	(void)state;
	open_with(ROLE_LINES, true);
	look();
	say_edge(GPIO_ESTOP, false, now_ns());
	say_edge(GPIO_ESTOP, true, now_ns());
	look();
	assert_false(snap.estop_ok);
	assert_true(snap.cage_closed);
	look();
	assert_true(snap.estop_ok);
	set_levels(1u << GPIO_ESTOP | 1u << GPIO_CAGE | 1u << GPIO_CONTACTOR);
	look();
	say_edge(GPIO_CONTACTOR, false, now_ns());
	say_edge(GPIO_CONTACTOR, true, now_ns());
	look();
	assert_true(snap.contactor_closed); /* seen open, it would make a stop safe */
	close_it();
}

/* 100 pulses a turn, one each 2 ms: 500 pulses/s, 5 turns/s, 300 rpm. */
static void the_kernel_s_times_give_the_speed(void **state)
{
	(void)state;
	open_with(ROLE_PICK, false);
	assert_true(in.no_direction);
	look();
	int64_t begin = now_ns();
	for (int i = 0; i < 100; i++)
		say_edge(GPIO_PULSE_A, !(i & 1), begin - 300000000 + 2000000 * i);
	look();
	/* One look had them all: what is known is that they came since the look before, so that a further bunch is
	 * needed for a time between two edges. */
	for (int i = 100; i < 150; i++)
		say_edge(GPIO_PULSE_A, !(i & 1), begin - 300000000 + 2000000 * i);
	look();
	assert_int_equal(snap.pulses, 150);
	assert_true(fabs(snap.edge_rpm - 300) < 0.01);
	assert_true(fabs(snap.angle_rev - 1.5) < 1e-9);
	assert_true(fabs(snap.edge_time_s - (double)(begin - 300000000 + 2000000 * 149) * 1e-9) < 2e-6);
	assert_true(snap.channel[CHANNEL_TURN].quality == QUALITY_GOOD);
	close_it();
}

static void edges_that_were_lost_end_the_pick_up(void **state)
{
	(void)state;
	open_with(ROLE_LINES | ROLE_PICK, true);
	look();
	assert_string_equal(in.error, "");
	pthread_mutex_lock(&chip.lock);
	chip.lost = true;
	pthread_mutex_unlock(&chip.lock);
	look();
	look();
	assert_true(isnan(snap.speed_rpm) && isinf(snap.channel[CHANNEL_TURN].age_s));
	assert_int_equal(snap.channel[CHANNEL_TURN].quality, QUALITY_MISSING);
	assert_non_null(strstr(in.error, "edges of the pick-up were lost"));
	assert_true(snap.estop_ok && snap.channel[CHANNEL_ESTOP].age_s < GPIO_STALE_S); /* the lines go on */
	close_it();
}

static void a_chip_that_is_gone_is_told(void **state)
{
	(void)state;
	open_with(ROLE_LINES | ROLE_PICK, true);
	look();
	assert_true(snap.estop_ok);
	pthread_mutex_lock(&chip.lock);
	chip.gone = true;
	pthread_mutex_unlock(&chip.lock);
	look();
	assert_false(snap.estop_ok || snap.cage_closed || snap.contactor_closed);
	assert_true(isinf(snap.channel[CHANNEL_ESTOP].age_s) && isinf(snap.channel[CHANNEL_TURN].age_s));
	assert_string_equal(in.error, "its chip is gone: check its adapter's cable and its driver");
	close_it();
}

static void a_chip_that_is_not_there_is_told(void **state)
{
	const struct gpio_setup setup = { .chip = "no-such-chip" };
	const struct instrument_config config = { .name = "gpio pins", .gpio = &setup };
	struct err err = { 0 };

	(void)state;
	machine = clock_machine();
	assert_int_equal(gpio_open(&config, NULL, &machine, &in, &err), RC_IO);
	assert_non_null(strstr(err.what, "cannot open the GPIO chip \"no-such-chip\""));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(lines_are_told),
		cmocka_unit_test(a_line_that_dropped_between_two_ticks_stops),
		cmocka_unit_test(the_kernel_s_times_give_the_speed),
		cmocka_unit_test(edges_that_were_lost_end_the_pick_up),
		cmocka_unit_test(a_chip_that_is_gone_is_told),
		cmocka_unit_test(a_chip_that_is_not_there_is_told),
	};

	pthread_mutex_init(&chip.lock, NULL);
	return cmocka_run_group_tests(tests, NULL, NULL);
}
