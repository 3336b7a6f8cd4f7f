/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The instrument over a fake of the small interface (instrument/gpio_lines.h). */
#include "instrument/gpio_private.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "tests/unit/instrument/far_end.h"

#define ALL_GOOD (1u << GPIO_ESTOP | 1u << GPIO_CAGE | 1u << GPIO_CONTACTOR)

/* The chip, by hand. */
static struct {
	pthread_mutex_t lock;
	struct gpio_edge edge[600];
	size_t n;
	unsigned active;
	bool lost, gone, closed, late; /* late: looked at after it was closed */
	unsigned takes;
} chip;

/* What the linker puts between the program's calls and the libraries (--wrap, tests/unit/meson.build): allocations
 * before the one that fails (-1: none), and whether a thread starts. */
static long to_go = -1;
static bool no_thread;

void *__real_calloc(size_t n, size_t size);
int __real_pthread_create(pthread_t *ret, const pthread_attr_t *attr, void *(*work)(void *), void *ctx);
enum rc __real_gpio_lines_open(const char *name, const struct gpio_wire *wire, struct gpio_lines *ret, struct err *err);
void *__wrap_calloc(size_t n, size_t size);
int __wrap_pthread_create(pthread_t *ret, const pthread_attr_t *attr, void *(*work)(void *), void *ctx);
enum rc __wrap_gpio_lines_open(const char *name, const struct gpio_wire *wire, struct gpio_lines *ret, struct err *err);

void *__wrap_calloc(size_t n, size_t size)
{
	return to_go >= 0 && to_go-- == 0 ? NULL : __real_calloc(n, size);
}

int __wrap_pthread_create(pthread_t *ret, const pthread_attr_t *attr, void *(*work)(void *), void *ctx)
{
	return no_thread ? EAGAIN : __real_pthread_create(ret, attr, work, ctx);
}

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
	chip.late |= chip.closed;
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

/* "fake": the chip above, in place of the kernel's. */
enum rc __wrap_gpio_lines_open(const char *name, const struct gpio_wire *wire, struct gpio_lines *ret, struct err *err)
{
	static const struct gpio_lines_ops ops = { take, levels, close_chip };

	if (strcmp(name, "fake") != 0)
		return __real_gpio_lines_open(name, wire, ret, err);
	*ret = (struct gpio_lines){ .ops = &ops, .switch_fd = 42 };
	return RC_OK;
}

/* unwired: bits of enum gpio_use. */
static enum rc open_wired(unsigned roles, unsigned unwired, const char *name, struct link *link, struct err *err)
{
	static struct gpio_setup setup;

	setup = (struct gpio_setup){ .chip = name, .pulses_per_rev = 100, .direction = 1 };
	for (unsigned use = 0; use < GPIO_USES; use++)
		setup.wire[use].wired = !(unwired >> use & 1);
	chip.n = chip.takes = 0;
	chip.active = ALL_GOOD & ~(1u << GPIO_CONTACTOR);
	chip.lost = chip.gone = chip.closed = chip.late = false;
	snap = snapshot_blank();
	in = (struct instrument){ 0 };
	const struct instrument_config config = { .name = "gpio pins", .roles = roles, .number = 3, .gpio = &setup };
	machine = clock_machine();
	return gpio_open(&config, link, &machine, &in, err);
}

static void open_with(unsigned roles, bool two_channels)
{
	assert_int_equal(open_wired(roles, two_channels ? 0 : 1u << GPIO_PULSE_B, "fake", NULL, NULL), RC_OK);
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
	for (int i = 0; i < 5; i++)
		nap();
	assert_false(chip.late); /* the thread was joined before */
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

/* Whatever cannot be had: a sentence, and the chip is closed once. */
static void without_memory_or_a_thread_the_chip_is_closed(void **state)
{
	struct err err = { 0 };

	(void)state;
	for (long n = 0; n < 3; n++) {
		to_go = n;
		assert_int_equal(open_wired(ROLE_LINES, 0, "fake", NULL, &err), RC_NOMEM);
		assert_int_equal(to_go, -1);
		assert_non_null(strstr(err.what, "out of memory for "));
		assert_true(chip.closed);
		assert_null(in.ops);
	}
	no_thread = true;
	assert_int_equal(open_wired(ROLE_LINES, 0, "fake", NULL, &err), RC_IO);
	no_thread = false;
	assert_string_equal(err.what, "cannot start a thread: Resource temporarily unavailable");
	assert_true(chip.closed);
	assert_null(in.ops);
}

/* A line without a wire is told by another instrument, or by nobody: this one leaves it alone. */
static void what_is_not_wired_is_not_told(void **state)
{
	static const struct {
		unsigned unwired, lines;
		enum channel_id channel;
	} rows[] = {
		{ 1u << GPIO_ESTOP, LINE_CAGE | LINE_CONTACTOR, CHANNEL_ESTOP },
		{ 1u << GPIO_CAGE, LINE_ESTOP | LINE_CONTACTOR, CHANNEL_CAGE },
		{ 1u << GPIO_CONTACTOR, LINE_ESTOP | LINE_CAGE, CHANNEL_CONTACTOR },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_int_equal(open_wired(ROLE_LINES, rows[i].unwired | 1u << GPIO_PULSE_A, "fake", NULL, NULL),
				 RC_OK);
		assert_int_equal(in.lines, rows[i].lines);
		assert_true(in.no_direction);
		snap.estop_ok = snap.cage_closed = snap.contactor_closed = true;
		set_levels(0);
		look();
		assert_int_equal(snap.estop_ok, !(rows[i].lines & LINE_ESTOP));
		assert_int_equal(snap.cage_closed, !(rows[i].lines & LINE_CAGE));
		assert_int_equal(snap.contactor_closed, !(rows[i].lines & LINE_CONTACTOR));
		assert_false(is_told(&snap, rows[i].channel));
		close_it();
	}
}

/* As a virtual bench sends them: levels, how often each fell, pulses, time of the newest edge and of the line. */
static void lines_of_a_bench(void **state)
{
	struct far_end end;
	char flood[300];

	(void)state;
	far_end_open("gpio", &end);
	assert_int_equal(open_wired(ROLE_LINES | ROLE_PICK, 0, NULL, end.link, NULL), RC_OK);
	assert_int_equal(in.switch_fd, -1);
	assert_int_equal(in.ops->begin(in.ctx, NULL), RC_OK);
	in.ops->poll(in.ctx, &snap); /* nothing came yet: the dangerous value of each */
	assert_false(snap.estop_ok || snap.cage_closed || snap.contactor_closed);
	assert_true(isinf(snap.channel[CHANNEL_ESTOP].age_s) && snap.channel[CHANNEL_ESTOP].quality == QUALITY_MISSING);
	memset(flood, '7', sizeof flood);
	memcpy(flood, "G ", 2);
	flood[sizeof flood - 1] = '\n';
	static const char text[] = "G 3 0 0\nG 3 0 0 0 25 900000 1000000\nG 0 0 0";
	assert_int_equal(send(end.fd, flood, sizeof flood, 0), sizeof flood);
	assert_int_equal(send(end.fd, text, sizeof text - 1, 0), sizeof text - 1);
	for (int i = 0; i < 3; i++)
		in.ops->poll(in.ctx, &snap);
	assert_true(snap.estop_ok && snap.cage_closed && !snap.contactor_closed);
	assert_int_equal(snap.channel[CHANNEL_ESTOP].fresh, 1);
	assert_true(fabs(snap.edge_age_s - 0.1) < 1e-9);
	/* more than a tick reads: the rest comes at the next one */
	char much[5000];
	memset(much, ' ', sizeof much);
	much[0] = '\n';
	memcpy(much + sizeof much - 33, "\nG 2 1 0 0 30 950000 1010000    \n", 33);
	assert_int_equal(send(end.fd, much, sizeof much, 0), sizeof much);
	in.ops->poll(in.ctx, &snap);
	assert_int_equal(snap.channel[CHANNEL_ESTOP].fresh, 1);
	in.ops->poll(in.ctx, &snap);
	assert_int_equal(snap.channel[CHANNEL_ESTOP].fresh, 2);
	assert_int_equal(snap.pulses, 5); /* since the first line */
	assert_false(snap.estop_ok);
	shutdown(end.fd, SHUT_RDWR);
	in.ops->poll(in.ctx, &snap);
	assert_false(snap.cage_closed);
	assert_true(isinf(snap.channel[CHANNEL_CAGE].age_s));
	assert_non_null(strstr(in.error, "its chip is gone"));
	in.ops->close(in.ctx);
	far_end_close(&end);
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
		cmocka_unit_test(without_memory_or_a_thread_the_chip_is_closed),
		cmocka_unit_test(what_is_not_wired_is_not_told),
		cmocka_unit_test(lines_of_a_bench),
	};

	pthread_mutex_init(&chip.lock, NULL);
	return cmocka_run_group_tests(tests, NULL, NULL);
}
