/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Runs inside the emulated machine (run.py): the program's own GPIO, warden and serial code against a real kernel's
 * devices. /dev/rig-lines sets the levels of the chip and tells those of its outputs (rig_lines.c); the other end of
 * the serial ports gives back what it reads. TAP on standard output. */
#include "instrument/gpio.h"
#include "link/link.h"
#include "tests/kernel/guest_can.h"
#include "warden/warden_account.h"
#include "warden/warden_gpio.h"
#include "warden/warden_host.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <fcntl.h>
#include <linux/gpio.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define CHIP "rig-lines"
#define PER_REV 400.0
#define USB_ADDRESS "serial:usb:RIG0001" /* as run.py plugs it in */
#define MS 1000000LL

static struct clock_src machine;

static int64_t now_ns(void)
{
	return machine.now(machine.ctx).ns;
}

static void wait_ms(int ms)
{
	const struct timespec t = { .tv_sec = ms / 1000, .tv_nsec = (long)(ms % 1000) * MS };

	nanosleep(&t, NULL);
}

static void say(const char *words)
{
	int fd = open("/dev/rig-lines", O_WRONLY);

	assert_true(fd >= 0);
	assert_int_equal(write(fd, words, strlen(words)), strlen(words));
	close(fd);
}

static bool relay_is_closed(void)
{
	char text[9] = "";
	int fd = open("/dev/rig-lines", O_RDONLY);

	assert_true(fd >= 0);
	assert_int_equal(read(fd, text, 8), 8);
	close(fd);
	return text[7] == '1';
}

static const char *const wires[GPIO_USES] = { "ESTOP", "1", "AUX low", "PULSE-A", "5", "RELAY" };

static void read_wires(struct gpio_wire wire[GPIO_USES], const char *const text[GPIO_USES])
{
	for (int use = 0; use < GPIO_USES; use++)
		assert_true(gpio_wire_read(text[use] ? text[use] : "", &wire[use]));
}

static enum rc open_lines(const char *chip, const char *const text[GPIO_USES], struct gpio_lines *ret, struct err *err)
{
	struct gpio_wire wire[GPIO_USES];

	read_wires(wire, text);
	return gpio_lines_open(chip, wire, ret, err);
}

static void a_chip_has_three_names(void **state)
{
	static const char *const chip[] = { CHIP, "gpiochip0", "/dev/gpiochip0" };
	struct gpio_lines lines;
	struct err err = { 0 };

	(void)state;
	for (size_t i = 0; i < sizeof chip / sizeof chip[0]; i++) {
		if (open_lines(chip[i], wires, &lines, &err) != RC_OK)
			fail_msg("%s", err.what);
		lines.ops->close(lines.ctx);
	}
	assert_int_equal(open_lines("gpiochip9", wires, &lines, &err), RC_IO);
	assert_non_null(strstr(err.what, "cannot open the GPIO chip \"gpiochip9\""));
}

static void a_line_that_is_not_there_is_told(void **state)
{
	static const char *const by_name[GPIO_USES] = { "ESTOPP" }, *const by_offset[GPIO_USES] = { "64" };
	struct gpio_lines lines;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(open_lines(CHIP, by_name, &lines, &err), RC_ARG);
	assert_non_null(strstr(err.what, "has no line ESTOPP"));
	assert_int_equal(open_lines(CHIP, by_offset, &lines, &err), RC_ARG);
	assert_non_null(strstr(err.what, "has no line 64"));
}

static int take_heating(void)
{
	struct gpio_v2_line_request request = { .offsets = { 6 }, .num_lines = 1, .consumer = "heating" };
	int chip = open("/dev/gpiochip0", O_RDWR);

	request.config.flags = GPIO_V2_LINE_FLAG_INPUT;
	assert_true(chip >= 0 && ioctl(chip, GPIO_V2_GET_LINE_IOCTL, &request) == 0);
	close(chip);
	return request.fd;
}

static void a_taken_line_says_by_whom(void **state)
{
	static const char *const input[GPIO_USES] = { "HEATING" };
	static const char *const output[GPIO_USES] = { [GPIO_SWITCH] = "HEATING" };
	int taken = take_heating();
	struct gpio_lines lines;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(open_lines(CHIP, input, &lines, &err), RC_SAYS_NO);
	assert_non_null(strstr(err.what, "taken by \"heating\""));
	assert_int_equal(open_lines(CHIP, output, &lines, &err), RC_SAYS_NO);
	assert_non_null(strstr(err.what, "switch: line HEATING"));
	assert_non_null(strstr(err.what, "taken by \"heating\""));
	close(taken);
}

static struct instrument in;
static struct snapshot snap;

static void open_pins(void)
{
	static struct gpio_setup setup = { .chip = CHIP, .pulses_per_rev = PER_REV, .direction = 1 };
	const struct instrument_config config = {
		.name = "gpio pins", .roles = ROLE_LINES | ROLE_PICK | ROLE_POWER, .number = 1, .gpio = &setup
	};
	struct err err = { 0 };

	read_wires(setup.wire, wires);
	say("0 1");
	say("1 1");
	say("2 1");
	snap = snapshot_blank();
	if (gpio_open(&config, NULL, &machine, &in, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_int_equal(in.ops->begin(in.ctx, NULL), RC_OK);
	wait_ms(30);
	in.ops->poll(in.ctx, &snap);
	assert_true(is_told(&snap, CHANNEL_ESTOP));
}

/* After each test too: one that failed must not keep the lines from the next. */
static int close_pins(void **state)
{
	(void)state;
	if (in.ops)
		in.ops->close(in.ctx);
	in = (struct instrument){ 0 };
	return 0;
}

static void levels_are_told_and_low_is_turned_round(void **state)
{
	(void)state;
	open_pins();
	assert_true(snap.estop_ok && snap.cage_closed && !snap.contactor_closed);
	say("2 0");
	say("1 0");
	wait_ms(30);
	in.ops->poll(in.ctx, &snap);
	assert_true(snap.estop_ok && !snap.cage_closed && snap.contactor_closed);
	close_pins(NULL);
}

/* At most two ticks of 10 ms from the edge until the tick knows it, and a press between two ticks is not missed. */
static void a_press_is_seen_in_two_ticks(void **state)
{
	double longest_ms = 0;

	(void)state;
	open_pins();
	for (int i = 0; i < 20; i++) {
		wait_ms(20 + i);
		in.ops->poll(in.ctx, &snap);
		assert_true(snap.estop_ok);
		int64_t pressed = now_ns();
		say("0 0");
		say("0 1");
		do {
			wait_ms(1);
			in.ops->poll(in.ctx, &snap);
		} while (snap.estop_ok && now_ns() - pressed < 1000 * MS);
		longest_ms = fmax(longest_ms, (double)(now_ns() - pressed) / (double)MS);
		assert_false(snap.estop_ok);
		wait_ms(30); /* level and edge may tell it in two looks */
		in.ops->poll(in.ctx, &snap);
	}
	print_message("# longest from the press to the tick that knows it: %.1f ms\n", longest_ms);
	assert_true(longest_ms < 20);
	close_pins(NULL);
}

/* 1000 steps at 1000 a second and 400 a turn: 2.5 turns at 150 rpm. The disc is turned by another process. */
static void turn(int steps)
{
	char words[40];

	snprintf(words, sizeof words, "turn %d 1000", steps);
	pid_t pid = fork();
	if (pid == 0) {
		say(words);
		_exit(0);
	}
	double sum_rpm = 0;
	int n = 0;
	int64_t begin = now_ns();
	while (now_ns() < begin + 1500 * MS) {
		wait_ms(10);
		in.ops->poll(in.ctx, &snap);
		if (now_ns() < begin + 300 * MS || now_ns() > begin + 800 * MS)
			continue;
		sum_rpm += snap.speed_rpm;
		n++;
	}
	print_message("# %d steps: %lld pulses, mean %.1f rpm of %d looks, %s\n", steps, (long long)snap.pulses,
		      sum_rpm / n, n, in.error[0] ? in.error : "none lost");
	assert_true(n > 5 && fabs(fabs(sum_rpm / n) - 150) < 8 && sum_rpm * steps > 0);
}

static void two_channels_count_and_time_both_ways(void **state)
{
	(void)state;
	open_pins();
	int64_t from = snap.pulses;
	turn(1000);
	assert_int_equal(snap.pulses - from, 1000);
	assert_true(fabs(snap.angle_rev - (double)snap.pulses / PER_REV) < 1e-9);
	turn(-1000);
	assert_int_equal(snap.pulses - from, 0);
	assert_true(snap.edge_time_s * 1e9 < (double)now_ns() &&
		    snap.edge_time_s * 1e9 > (double)now_ns() - 2000.0 * MS);
	wait_ms(600);
	in.ops->poll(in.ctx, &snap);
	assert_true(snap.speed_rpm <= 0 && snap.speed_rpm >= 0); /* no pulse for 0.5 s */
	close_pins(NULL);
}

/* More edges than any kernel keeps or sees apart, and nobody reads: told by the queue, or by a level that comes
 * twice. */
static void edges_that_the_kernel_dropped_are_told(void **state)
{
	struct gpio_lines lines;
	struct gpio_view view = { 0 };
	struct gpio_edge edge[64];
	struct err err = { 0 };
	bool lost = false, ever = false;
	size_t n = 1;

	(void)state;
	if (open_lines(CHIP, wires, &lines, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_int_equal(lines.ops->take(lines.ctx, 0, edge, 64, &n, &lost), RC_OK);
	assert_false(lost);
	say("turn 4 500");
	assert_int_equal(lines.ops->take(lines.ctx, 20, edge, 64, &n, &lost), RC_OK);
	assert_int_equal(n, 4);
	assert_false(lost);
	for (size_t i = 0; i < n; i++) {
		assert_true(i == 0 || edge[i].t_ns > edge[i - 1].t_ns);
		gpio_view_edge(&view, &edge[i], true);
	}
	assert_int_equal(view.pulses, 4);
	assert_int_equal(view.lost, 0);
	say("turn 3000 20");
	do {
		assert_int_equal(lines.ops->take(lines.ctx, 20, edge, 64, &n, &lost), RC_OK);
		ever |= lost;
		for (size_t i = 0; i < n; i++)
			gpio_view_edge(&view, &edge[i], true);
	} while (n > 0);
	assert_true(ever || view.lost > 0);
	lines.ops->close(lines.ctx);
}

static void the_output_opens_first_and_follows(void **state)
{
	(void)state;
	open_pins();
	assert_true(in.switch_fd > 0);
	assert_false(relay_is_closed());
	assert_true(warden_gpio_set(in.switch_fd, true));
	assert_true(relay_is_closed());
	assert_true(warden_gpio_set(in.switch_fd, false));
	assert_false(relay_is_closed());
	int fd = in.switch_fd;
	close_pins(NULL);
	assert_false(warden_gpio_set(fd, true));
}

/* W1: at most 200 ms from the last proof of life. */
static void the_warden_opens_it_when_nobody_proves_life(void **state)
{
	struct warden_config config = {
		.silence_ns = 100 * MS,
		.hold_ns = 500 * MS,
		.hold_most_ns = 1000 * MS,
		.n_lines = 1,
		.line = { { .close = { 1, WARDEN_GPIO_CLOSE }, .open = { 1, WARDEN_GPIO_OPEN }, .gpio = true } }
	};
	char said[WARDEN_ACCOUNT_SIZE];
	struct warden_host *host;
	struct err err = { 0 };
	int account;

	(void)state;
	open_pins();
	assert_int_equal(warden_account_open("/tmp", 0, &account, said, &err), RC_OK);
	const struct warden_start start = { "/bridle-warden", &config, &in.switch_fd, account, NULL };
	if (warden_host_start(&start, &host, &err) != RC_OK)
		fail_msg("%s", err.what);
	int64_t proved = 0;
	for (int i = 0; i < 30; i++) {
		proved = now_ns();
		warden_host_prove(host, true, true, 0);
		wait_ms(10);
		warden_host_age_s(host);
	}
	assert_true(relay_is_closed());
	while (relay_is_closed() && now_ns() - proved < 2000 * MS)
		wait_ms(1);
	double took_ms = (double)(now_ns() - proved) / (double)MS;
	print_message("# open %.0f ms after the last proof\n", took_ms);
	assert_true(took_ms < 200);
	warden_host_prove(host, true, true, 0); /* latched */
	wait_ms(50);
	assert_false(relay_is_closed());
	warden_host_close(host);
	close(account);
	close_pins(NULL);
}

/* Serial ports. */

static void echoes(struct link *link)
{
	char all[256], back[256];
	size_t got = 0, n = 1;

	for (int i = 0; i < 256; i++)
		all[i] = (char)i;
	assert_int_equal(link_write(link, all, 256, 1000, NULL), RC_OK);
	while (got < 256 && n > 0) {
		assert_int_equal(link_read_wait(link, back + got, 256 - got, 3000, &n, NULL), RC_OK);
		got += n;
	}
	assert_int_equal(got, 256);
	assert_memory_equal(back, all, 256);
}

static struct link *must_open(const char *address)
{
	struct link *link;
	struct err err = { 0 };

	if (link_open(address, 115200, NULL, 1000, &link, &err) != RC_OK)
		fail_msg("%s", err.what);
	return link;
}

static void a_uart_carries_all_bytes_and_one_program(void **state)
{
	struct link *link = must_open("serial:/dev/ttyS1"), *second;
	struct err err = { 0 };

	(void)state;
	echoes(link);
	assert_int_equal(link_open("serial:/dev/ttyS1", 115200, NULL, 100, &second, &err), RC_SAYS_NO);
	assert_non_null(strstr(err.what, "another program drives this rig"));
	link_close(link);
	link = must_open("serial:/dev/ttyS1");
	echoes(link);
	link_close(link);
}

static bool is_there(const char *path)
{
	struct stat st;

	return stat(path, &st) == 0;
}

static void await(const char *path, bool there)
{
	for (int i = 0; i < 1000 && is_there(path) != there; i++)
		wait_ms(10);
	assert_int_equal(is_there(path), there);
}

/* run.py pulls and plugs as it reads these words. */
static void pulled_and_plugged_in_again(void **state)
{
	char buf[16];
	size_t n;

	(void)state;
	await("/dev/ttyUSB0", true);
	struct link *link = must_open(USB_ADDRESS);
	echoes(link);
	printf("# PULL\n");
	fflush(stdout);
	while (link_read(link, buf, sizeof buf, &n, NULL) == RC_OK && is_there("/dev/ttyUSB0"))
		wait_ms(1);
	int64_t gone = now_ns();
	while (link_read(link, buf, sizeof buf, &n, NULL) == RC_OK && now_ns() - gone < 2000 * MS)
		wait_ms(1);
	double took_ms = (double)(now_ns() - gone) / (double)MS;
	print_message("# hang-up told %.0f ms after the port was gone\n", took_ms);
	assert_true(took_ms < 200);
	printf("# PLUG\n");
	fflush(stdout);
	struct link *again = NULL;
	for (int i = 0; i < 1000 && link_open(USB_ADDRESS, 115200, NULL, 10, &again, NULL) != RC_OK; i++)
		wait_ms(10);
	assert_non_null(again); /* by its number, though its name is another one now */
	assert_int_equal(link_read(link, buf, sizeof buf, &n, NULL), RC_IO); /* never resumed by itself */
	assert_int_equal(link_write(link, "x", 1, 100, NULL), RC_IO);
	link_close(link);
	echoes(again);
	link_close(again);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_chip_has_three_names),
		cmocka_unit_test(a_line_that_is_not_there_is_told),
		cmocka_unit_test(a_taken_line_says_by_whom),
		cmocka_unit_test_teardown(levels_are_told_and_low_is_turned_round, close_pins),
		cmocka_unit_test_teardown(a_press_is_seen_in_two_ticks, close_pins),
		cmocka_unit_test_teardown(two_channels_count_and_time_both_ways, close_pins),
		cmocka_unit_test(edges_that_the_kernel_dropped_are_told),
		cmocka_unit_test_teardown(the_output_opens_first_and_follows, close_pins),
		cmocka_unit_test_teardown(the_warden_opens_it_when_nobody_proves_life, close_pins),
		cmocka_unit_test(a_uart_carries_all_bytes_and_one_program),
		cmocka_unit_test(pulled_and_plugged_in_again),
		cmocka_unit_test(frames_cross_a_bus_both_ways),
		cmocka_unit_test(only_the_frames_of_a_filter_come_in),
		cmocka_unit_test(a_can_drive_is_read_and_switched_off),
		cmocka_unit_test(an_interface_that_goes_down_is_a_line_that_ended),
	};

	machine = clock_machine();
	cmocka_set_message_output(CM_OUTPUT_TAP);
	return cmocka_run_group_tests(tests, NULL, NULL);
}
