/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A serial link through the unchanged libserialport, over a pseudo-terminal (run with ptyshim preloaded): bytes,
 * silence, hang-up. */
#include "link/link.h"

#include <fcntl.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include <cmocka.h>

struct far {
	int fd;
	char address[80];
	struct link *link;
};

static int set_up(void **state)
{
	struct far *f = calloc(1, sizeof *f);
	struct err err = { 0 };

	f->fd = posix_openpt(O_RDWR | O_NOCTTY);
	assert_true(f->fd >= 0);
	assert_int_equal(grantpt(f->fd), 0);
	assert_int_equal(unlockpt(f->fd), 0);
	snprintf(f->address, sizeof f->address, "serial:%s", ptsname(f->fd));
	if (link_open(f->address, 115200, NULL, 1000, &f->link, &err) != RC_OK)
		fail_msg("%s", err.what);
	*state = f;
	return 0;
}

static int tear_down(void **state)
{
	struct far *f = *state;

	link_close(f->link);
	if (f->fd >= 0)
		close(f->fd);
	free(f);
	return 0;
}

static void sets_speed_and_raw_bytes(void **state)
{
	struct far *f = *state;
	struct termios t;
	int slave = open(f->address + 7, O_RDWR | O_NOCTTY);

	assert_true(slave >= 0);
	assert_int_equal(tcgetattr(slave, &t), 0);
	assert_int_equal(cfgetospeed(&t), B115200);
	assert_int_equal(t.c_lflag & (ECHO | ICANON | ISIG), 0);
	assert_int_equal(t.c_cflag & CSIZE, CS8);
	assert_int_equal(t.c_cflag & (PARENB | CSTOPB | CRTSCTS), 0);
	assert_int_equal(t.c_iflag & (IXON | IXOFF | ICRNL | INLCR | IGNCR), 0);
	assert_int_equal(t.c_oflag & OPOST, 0);
	close(slave);
}

static size_t take(struct far *f, char *buf, size_t want)
{
	size_t got = 0, n = 1;

	while (got < want && n > 0) {
		assert_int_equal(link_read_wait(f->link, buf + got, want - got, 2000, &n, NULL), RC_OK);
		got += n;
	}
	return got;
}

static void carries_every_byte_both_ways(void **state)
{
	struct far *f = *state;
	char all[256], back[256];
	size_t got = 0;

	for (int i = 0; i < 256; i++)
		all[i] = (char)i;
	assert_int_equal(write(f->fd, all, 256), 256);
	assert_int_equal(take(f, back, 256), 256);
	assert_memory_equal(back, all, 256);
	assert_int_equal(link_write(f->link, all, 256, 1000, NULL), RC_OK);
	while (got < 256) {
		ssize_t n = read(f->fd, back + got, 256 - got);

		assert_true(n > 0);
		got += (size_t)n;
	}
	assert_memory_equal(back, all, 256);
	assert_int_equal(link_bytes_read(f->link), 256);
	assert_int_equal(link_bytes_written(f->link), 256);
}

static void silence_is_no_hang_up(void **state)
{
	struct far *f = *state;
	char buf[16];
	size_t n = 9;

	for (int i = 0; i < 100; i++) {
		assert_int_equal(link_read(f->link, buf, sizeof buf, &n, NULL), RC_OK);
		assert_int_equal(n, 0);
	}
	assert_int_equal(link_read_wait(f->link, buf, sizeof buf, 5, &n, NULL), RC_OK);
	assert_int_equal(n, 0);
}

/* Reads of a hung-up terminal give nothing for ever, like silence: the difference must come from the link. */
static void a_hang_up_is_told(void **state)
{
	struct far *f = *state;
	struct err err = { 0 };
	char buf[16];
	size_t n;

	close(f->fd);
	f->fd = -1;
	assert_int_equal(link_read(f->link, buf, sizeof buf, &n, &err), RC_IO);
	assert_non_null(strstr(err.what, "the other end"));
	assert_int_equal(link_read(f->link, buf, sizeof buf, &n, NULL), RC_IO);
	assert_int_equal(link_write(f->link, "x", 1, 100, NULL), RC_IO);
}

static void a_hang_up_is_told_to_who_writes(void **state)
{
	struct far *f = *state;
	struct err err = { 0 };

	close(f->fd);
	f->fd = -1;
	assert_int_equal(link_write(f->link, "x", 1, 100, &err), RC_IO);
	assert_non_null(strstr(err.what, "the connection to the other end is lost: Input/output error"));
}

/* A pseudo-terminal keeps the stop bits; of parity the kernel clears the bit, so that it cannot be seen here. */
static void characters_have_their_form(void **state)
{
	struct far *f = *state;
	static const struct {
		enum link_characters form;
		tcflag_t stop;
	} rows[] = { { LINK_8N2, CSTOPB }, { LINK_8E1, 0 }, { LINK_8N2, CSTOPB }, { LINK_8N1, 0 } };
	int slave = open(f->address + 7, O_RDWR | O_NOCTTY);

	assert_true(slave >= 0);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct termios t;

		assert_int_equal(link_set_characters(f->link, rows[i].form, NULL), RC_OK);
		assert_int_equal(tcgetattr(slave, &t), 0);
		assert_int_equal(t.c_cflag & CSTOPB, rows[i].stop);
		assert_int_equal(t.c_cflag & CSIZE, CS8);
	}
	close(slave);
}

static void writing_against_a_full_line_ends_in_time(void **state)
{
	struct far *f = *state;
	static char block[1 << 16];
	struct err err = { 0 };

	assert_int_equal(link_write(f->link, block, sizeof block, 30, &err), RC_TIMEOUT);
	assert_non_null(strstr(err.what, "takes no more bytes"));
}

/* As those of /dev/serial/by-id are. */
static void a_link_to_a_port_is_followed(void **state)
{
	struct far *f = *state;
	struct link *link;
	struct err err = { 0 };
	char path[80], address[100];

	snprintf(path, sizeof path, "/dev/shm/bridle-by-id-%d", (int)getpid());
	snprintf(address, sizeof address, "serial:%s", path);
	link_close(f->link);
	f->link = NULL;
	unlink(path);
	assert_int_equal(symlink(f->address + 7, path), 0);
	if (link_open(address, 115200, NULL, 1000, &link, &err) != RC_OK)
		fail_msg("%s", err.what);
	unlink(path);
	f->link = link;
	carries_every_byte_both_ways(state);
}

static void dtr_is_not_dropped(void **state)
{
	struct far *f = *state;
	struct termios t;
	int slave = open(f->address + 7, O_RDWR | O_NOCTTY);

	assert_true(slave >= 0 && tcgetattr(slave, &t) == 0);
	assert_int_equal(t.c_cflag & HUPCL, 0);
	close(slave);
}

static void an_unknown_usb_number_is_told(void **state)
{
	struct err err = { 0 };
	struct link *link;

	(void)state;
	assert_int_equal(link_open("serial:usb:NO-SUCH-1", 115200, NULL, 100, &link, &err), RC_IO);
	assert_non_null(strstr(err.what, "no port has this USB serial number now"));
}

static void a_second_host_is_refused(void **state)
{
	struct far *f = *state;
	struct link *second = NULL;
	struct err err = { 0 };

	assert_int_equal(link_open(link_address(f->link), 115200, NULL, 100, &second, &err), RC_SAYS_NO);
	assert_non_null(strstr(err.what, "another program drives this rig"));
}

/* By whom: the process that has the port open, by its name and number. */
static void whoever_has_the_port_is_named(void **state)
{
	struct far *f = *state;
	struct link *second = NULL;
	struct err err = { 0 };
	char who[40];
	int said[2];

	assert_int_equal(pipe(said), 0);
	pid_t pid = fork();
	if (pid == 0) {
		for (int fd = 3; fd < 64; fd++)
			if (fd != said[1])
				close(fd);
		int fd = open(f->address + 7, O_RDWR | O_NOCTTY);
		(void)!write(said[1], fd >= 0 ? "y" : "n", 1);
		pause();
		_exit(0);
	}
	char yes = 0;
	assert_true(read(said[0], &yes, 1) == 1 && yes == 'y');
	assert_int_equal(link_open(link_address(f->link), 115200, NULL, 100, &second, &err), RC_SAYS_NO);
	snprintf(who, sizeof who, ", process %d); end that one first", (int)pid);
	kill(pid, SIGKILL);
	waitpid(pid, NULL, 0);
	close(said[0]);
	close(said[1]);
	if (!strstr(err.what, who))
		fail_msg("%s does not say %s", err.what, who);
}

static void an_impossible_speed_is_refused(void **state)
{
	struct far *f = *state;
	struct link *link = NULL;
	struct err err = { 0 };

	assert_int_equal(link_open(f->address, -1, NULL, 100, &link, &err), RC_ARG);
	assert_non_null(strstr(err.what, "a baud rate of -1, expected one such as 115200"));
	assert_null(link);
}

/* A device that is named rightly and not there is a cable, not a wrong request; it may come back. */
static void a_port_that_is_not_plugged_in(void **state)
{
	struct link *link = NULL;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(link_open("serial:/dev/ttyNoSuchPort7", 115200, NULL, 100, &link, &err), RC_IO);
	assert_non_null(strstr(err.what, "/dev/ttyNoSuchPort7"));
	assert_non_null(strstr(err.what, "plug the node in"));
	assert_null(link);
}

static void what_is_no_port_is_a_wrong_request(void **state)
{
	struct link *link = NULL;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(link_open("serial:no port at all", 115200, NULL, 100, &link, &err), RC_ARG);
	assert_non_null(strstr(err.what, "expected a serial port such as serial:/dev/ttyACM0"));
	assert_null(link);
}

static void a_port_that_does_not_open_says_so(void **state)
{
	char address[80];
	struct link *link = NULL;
	struct err err = { 0 };
	int fd = posix_openpt(O_RDWR | O_NOCTTY);

	(void)state;
	assert_true(fd >= 0); /* and never unlocked: nobody can open its other side */
	snprintf(address, sizeof address, "serial:%s", ptsname(fd));
	assert_int_equal(link_open(address, 115200, NULL, 100, &link, &err), RC_IO);
	assert_non_null(strstr(err.what, "cannot open it"));
	assert_non_null(strstr(err.what, "group dialout"));
	assert_null(link);
	close(fd);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
	static const struct CMUnitTest tests[] = {
		TEST(sets_speed_and_raw_bytes),
		TEST(carries_every_byte_both_ways),
		TEST(silence_is_no_hang_up),
		TEST(a_hang_up_is_told),
		TEST(a_hang_up_is_told_to_who_writes),
		TEST(characters_have_their_form),
		TEST(writing_against_a_full_line_ends_in_time),
		TEST(a_link_to_a_port_is_followed),
		TEST(dtr_is_not_dropped),
		TEST(an_unknown_usb_number_is_told),
		TEST(a_second_host_is_refused),
		TEST(whoever_has_the_port_is_named),
		TEST(an_impossible_speed_is_refused),
		cmocka_unit_test(a_port_that_is_not_plugged_in),
		cmocka_unit_test(what_is_no_port_is_a_wrong_request),
		cmocka_unit_test(a_port_that_does_not_open_says_so),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
