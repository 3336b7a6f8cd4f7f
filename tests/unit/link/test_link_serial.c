/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A serial link over a library whose every call can fail: the functions of libserialport stand here, by its header. The
 * port is the near end of a pseudo-terminal. The library itself: tests/bench/serial_port.c. */
#include "link/link.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <termios.h>
#include <unistd.h>

#include <cmocka.h>

/* What the linker puts between the program's calls and the library (--wrap, tests/unit/meson.build): allocations before
 * the one that fails; -1: none fails. */
static long to_go = -1;

void *__real_calloc(size_t n, size_t size);
void *__wrap_calloc(size_t n, size_t size);

void *__wrap_calloc(size_t n, size_t size)
{
	return to_go >= 0 && to_go-- == 0 ? NULL : __real_calloc(n, size);
}

struct sp_port {
	char name[64];
	const char *usb;
};

enum call { NO_CALL, BY_NAME, LIST, COPY, OPEN, HANDLE, BAUD, BITS, PARITY, STOP_BITS, FLOW, READ, WRITE };

/* What the library has been asked, and which of its calls fails how. */
static struct {
	enum call fails;
	enum sp_return how;
	int code; /* of the system, where how is SP_ERR_FAIL */
	char far[64], opened[64];
	int far_fd, fd;
	int baud, bits, stop_bits;
	enum sp_parity parity;
	enum sp_flowcontrol flow;
	int ports, open, texts; /* not yet given back */
	const char *usb[3];     /* serial numbers of the ports that the list has */
	struct sp_port listed[3];
} lib;

static enum sp_return result(enum call call)
{
	return lib.fails == call ? lib.how : SP_OK;
}

static struct sp_port *new_port(const char *name)
{
	struct sp_port *p = calloc(1, sizeof *p);

	snprintf(p->name, sizeof p->name, "%s", name);
	lib.ports++;
	return p;
}

enum sp_return sp_get_port_by_name(const char *name, struct sp_port **ret)
{
	if (result(BY_NAME) == SP_OK)
		*ret = new_port(name);
	return result(BY_NAME);
}

enum sp_return sp_list_ports(struct sp_port ***ret)
{
	size_t n = 0;

	if (result(LIST) != SP_OK)
		return result(LIST);
	*ret = calloc(4, sizeof **ret);
	for (; n < 3 && lib.usb[n]; n++) {
		lib.listed[n].usb = lib.usb[n][0] ? lib.usb[n] : NULL;
		strcpy(lib.listed[n].name, lib.far);
		(*ret)[n] = &lib.listed[n];
	}
	lib.ports++;
	return SP_OK;
}

void sp_free_port_list(struct sp_port **list)
{
	free(list);
	lib.ports--;
}

char *sp_get_port_usb_serial(const struct sp_port *port)
{
	return (char *)port->usb;
}

enum sp_return sp_copy_port(const struct sp_port *port, struct sp_port **ret)
{
	if (result(COPY) == SP_OK)
		*ret = new_port(port->name);
	return result(COPY);
}

void sp_free_port(struct sp_port *port)
{
	free(port);
	lib.ports--;
}

char *sp_get_port_name(const struct sp_port *port)
{
	return (char *)port->name;
}

enum sp_return sp_open(struct sp_port *port, enum sp_mode mode)
{
	struct termios t;

	assert_int_equal(mode, SP_MODE_READ_WRITE);
	if (result(OPEN) != SP_OK)
		return result(OPEN);
	strcpy(lib.opened, port->name);
	lib.fd = open(port->name, O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
	assert_true(lib.fd >= 0);
	lib.open++;
	if (tcgetattr(lib.fd, &t) == 0) { /* raw, as the library makes it */
		cfmakeraw(&t);
		tcsetattr(lib.fd, TCSANOW, &t);
	}
	return SP_OK;
}

enum sp_return sp_close(struct sp_port *port)
{
	(void)port;
	close(lib.fd);
	lib.open--;
	return SP_OK;
}

enum sp_return sp_get_port_handle(const struct sp_port *port, void *ret)
{
	(void)port;
	*(int *)ret = result(HANDLE) == SP_OK ? lib.fd : -1;
	return result(HANDLE);
}

enum sp_return sp_set_baudrate(struct sp_port *port, int baud)
{
	(void)port;
	lib.baud = baud;
	return result(BAUD);
}

enum sp_return sp_set_bits(struct sp_port *port, int bits)
{
	(void)port;
	lib.bits = bits;
	return result(BITS);
}

enum sp_return sp_set_parity(struct sp_port *port, enum sp_parity parity)
{
	(void)port;
	lib.parity = parity;
	return result(PARITY);
}

enum sp_return sp_set_stopbits(struct sp_port *port, int n)
{
	(void)port;
	lib.stop_bits = n;
	return result(STOP_BITS);
}

enum sp_return sp_set_flowcontrol(struct sp_port *port, enum sp_flowcontrol flow)
{
	(void)port;
	lib.flow = flow;
	return result(FLOW);
}

/* Its header: 0 when nothing is there, and never an error for a port that hung up. */
enum sp_return sp_nonblocking_read(struct sp_port *port, void *buf, size_t count)
{
	(void)port;
	if (result(READ) != SP_OK)
		return result(READ);
	ssize_t n = read(lib.fd, buf, count);
	return n > 0 ? (enum sp_return)n : SP_OK;
}

enum sp_return sp_nonblocking_write(struct sp_port *port, const void *buf, size_t count)
{
	(void)port;
	return result(WRITE) != SP_OK ? result(WRITE) : (enum sp_return)write(lib.fd, buf, count);
}

int sp_last_error_code(void)
{
	return lib.code;
}

char *sp_last_error_message(void)
{
	lib.texts++;
	return strdup(strerror(lib.code));
}

void sp_free_error_message(char *text)
{
	if (text)
		lib.texts--;
	free(text);
}

static int begin(void **state)
{
	(void)state;
	memset(&lib, 0, sizeof lib);
	lib.far_fd = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
	assert_true(lib.far_fd >= 0);
	assert_int_equal(grantpt(lib.far_fd), 0);
	assert_int_equal(unlockpt(lib.far_fd), 0);
	assert_int_equal(ptsname_r(lib.far_fd, lib.far, sizeof lib.far), 0);
	return 0;
}

/* Whatever went wrong: every port is closed once, and everything of the library given back. */
static int end(void **state)
{
	(void)state;
	assert_int_equal(lib.open, 0);
	assert_int_equal(lib.ports, 0);
	assert_int_equal(lib.texts, 0);
	if (lib.far_fd >= 0)
		close(lib.far_fd);
	return 0;
}

static enum rc open_far(struct link **ret, struct err *err)
{
	char address[80];

	snprintf(address, sizeof address, "serial:%s", lib.far);
	return link_open(address, 57600, NULL, 0, ret, err);
}

static struct link *opened(void)
{
	struct link *link = NULL;
	struct err err = { 0 };

	if (open_far(&link, &err) != RC_OK)
		fail_msg("%s", err.what);
	return link;
}

static void a_port_is_set_up_and_keeps_its_dtr(void **state)
{
	struct termios t;
	int other = open(lib.far, O_RDWR | O_NOCTTY | O_CLOEXEC);

	(void)state;
	assert_int_equal(tcgetattr(other, &t), 0);
	t.c_cflag |= HUPCL;
	assert_int_equal(tcsetattr(other, TCSANOW, &t), 0);
	struct link *link = opened();
	assert_int_equal(lib.baud, 57600);
	assert_int_equal(lib.bits, 8);
	assert_int_equal(lib.stop_bits, 1);
	assert_int_equal(lib.parity, SP_PARITY_NONE);
	assert_int_equal(lib.flow, SP_FLOWCONTROL_NONE);
	/* else DTR falls when the port is closed, and the node restarts */
	assert_int_equal(tcgetattr(other, &t), 0);
	assert_int_equal(t.c_cflag & HUPCL, 0);
	assert_int_equal(link_fd(link), lib.fd);
	link_close(link);
	close(other);
}

static void a_port_that_is_no_terminal_has_no_dtr(void **state)
{
	struct link *link = NULL;

	(void)state;
	assert_int_equal(link_open("serial:/dev/null", 9600, NULL, 0, &link, NULL), RC_OK);
	link_close(link);
}

static void each_call_that_fails_is_told(void **state)
{
#define SET_UP "cannot set it up"
	static const struct {
		enum call fails;
		enum sp_return how;
		int code;
		enum rc rc;
		const char *says;
	} rows[] = {
		{ BY_NAME, SP_ERR_ARG, 0, RC_IO, "there is no such port now; plug the node in" },
		{ BY_NAME, SP_ERR_MEM, 0, RC_NOMEM, "cannot find the port; expected" },
		{ BY_NAME, SP_ERR_FAIL, EACCES, RC_IO, "cannot find the port: Permission denied; expected" },
		{ OPEN, SP_ERR_FAIL, EACCES, RC_IO, "cannot open it: Permission denied; is it plugged in" },
		{ OPEN, SP_ERR_SUPP, 0, RC_IO, "cannot open it; is it plugged in" },
		{ OPEN, SP_ERR_FAIL, EWOULDBLOCK, RC_SAYS_NO, "another program drives this rig; end that one first" },
		{ OPEN, SP_ERR_FAIL, EBUSY, RC_SAYS_NO, "another program drives this rig; end that one first" },
		{ HANDLE, SP_ERR_FAIL, EIO, RC_IO, SET_UP ": Input/output error" },
		{ BAUD, SP_ERR_SUPP, 0, RC_IO, SET_UP "; expected a port that takes this baud rate" },
		{ BITS, SP_ERR_ARG, 0, RC_ARG, SET_UP },
		{ PARITY, SP_ERR_FAIL, EINVAL, RC_IO, SET_UP ": Invalid argument" },
		{ STOP_BITS, SP_ERR_SUPP, 0, RC_IO, SET_UP },
		{ FLOW, SP_ERR_MEM, 0, RC_NOMEM, SET_UP },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct link *link = NULL;
		struct err err = { 0 };

		lib.fails = rows[i].fails;
		lib.how = rows[i].how;
		lib.code = rows[i].code;
		if (open_far(&link, &err) != rows[i].rc || !strstr(err.what, rows[i].says) || link)
			fail_msg("row %zu: %d %s", i, (int)err.rc, err.what);
		if (!strstr(err.what, lib.far) || err.sys_errno != (rows[i].rc == RC_SAYS_NO ? 0 : rows[i].code))
			fail_msg("row %zu: %d %s", i, err.sys_errno, err.what);
		assert_int_equal(lib.open + lib.ports + lib.texts, 0);
	}
}

/* The link's own memory and the port's. */
static void without_memory_nothing_is_opened(void **state)
{
	(void)state;
	for (long n = 0; n < 2; n++) {
		struct link *link = NULL;
		struct err err = { 0 };

		to_go = n;
		assert_int_equal(open_far(&link, &err), RC_NOMEM);
		assert_int_equal(to_go, -1);
		assert_non_null(
			strstr(err.what, n == 0 ? "out of memory for the link" : "out of memory for a serial port"));
		assert_null(link);
		assert_string_equal(lib.opened, "");
	}
}

/* A name that is no path: the library says what it thinks of it. */
static void a_name_that_is_no_path(void **state)
{
	struct link *link = NULL;
	struct err err = { 0 };

	(void)state;
	lib.fails = BY_NAME;
	lib.how = SP_ERR_ARG;
	assert_int_equal(link_open("serial:ttyACM0", 9600, NULL, 0, &link, &err), RC_ARG);
	assert_string_equal(err.what, "link \"serial:ttyACM0\": cannot find the port; expected a serial port such as "
				      "serial:/dev/ttyACM0");
	lib.fails = NO_CALL;
	assert_int_equal(link_open("serial:ttyACM0", 0, NULL, 0, &link, &err), RC_ARG);
	assert_non_null(strstr(err.what, "a baud rate of 0, expected one such as 115200"));
	assert_int_equal(link_open("serial:ttyACM0", -9600, NULL, 0, &link, &err), RC_ARG);
	assert_null(link);
}

/* As the links of /dev/serial/by-id: here the kernel's own link to an open file. */
static void a_link_to_a_port_is_followed(void **state)
{
	int held = open(lib.far, O_RDWR | O_NOCTTY | O_CLOEXEC);
	struct link *link = NULL;
	char address[40];

	(void)state;
	snprintf(address, sizeof address, "serial:/dev/fd/%d", held);
	assert_int_equal(link_open(address, 9600, NULL, 0, &link, NULL), RC_OK);
	assert_string_equal(lib.opened, lib.far);
	assert_string_equal(link_address(link), address);
	link_close(link);
	close(held);
}

static void two_hosts_never_share_a_port(void **state)
{
	int other = open(lib.far, O_RDWR | O_NOCTTY | O_CLOEXEC);
	struct link *link = NULL;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(flock(other, LOCK_EX | LOCK_NB), 0);
	assert_int_equal(open_far(&link, &err), RC_SAYS_NO);
	assert_non_null(strstr(err.what, "another program drives this rig"));
	assert_int_equal(lib.baud, 0); /* nothing was changed under the other one */
	assert_null(link);
	close(other);
	link = opened();
	other = open(lib.far, O_RDWR | O_NOCTTY | O_CLOEXEC);
	assert_int_equal(flock(other, LOCK_EX | LOCK_NB), -1);
	close(other);
	link_close(link);
}

static void a_port_is_found_by_its_serial_number(void **state)
{
	static const struct {
		const char *usb[3];
		enum call fails;
		enum rc rc;
		const char *says;
	} rows[] = {
		{ { "77", "", "42" }, NO_CALL, RC_OK, "" },
		{ { "77", "4", "421" }, NO_CALL, RC_IO, "no port has this USB serial number now (0 found); plug" },
		{ { NULL }, NO_CALL, RC_IO, "no port has this USB serial number now (0 found)" },
		{ { "42", "7", "42" }, NO_CALL, RC_IO, "2 ports have this serial number; name one by its place" },
		{ { "42" }, LIST, RC_IO, "cannot list the serial ports" },
		{ { "42" }, COPY, RC_NOMEM, "out of memory for a serial port" },
		{ { "42", "42" }, COPY, RC_IO, "2 ports have this serial number" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct link *link = NULL;
		struct err err = { 0 };

		memcpy(lib.usb, rows[i].usb, sizeof lib.usb);
		lib.fails = rows[i].fails;
		lib.how = SP_ERR_MEM;
		if (link_open("serial:usb:42", 9600, NULL, 0, &link, &err) != rows[i].rc ||
		    !strstr(err.what, rows[i].says))
			fail_msg("row %zu: %d %s", i, (int)err.rc, err.what);
		link_close(link);
		assert_int_equal(lib.open + lib.ports, 0);
	}
	assert_string_equal(lib.opened, lib.far);
}

static void bytes_silence_and_the_end(void **state)
{
	struct link *link = opened();
	struct err err = { 0 };
	char buf[16];
	size_t n = 9;

	(void)state;
	assert_int_equal(link_read(link, buf, sizeof buf, &n, NULL), RC_OK);
	assert_int_equal(n, 0);
	assert_int_equal(link_read_wait(link, buf, sizeof buf, 2, &n, NULL), RC_OK);
	assert_int_equal(n, 0);
	assert_int_equal(write(lib.far_fd, "ab\n", 3), 3);
	assert_int_equal(link_read_wait(link, buf, sizeof buf, 2000, &n, NULL), RC_OK);
	assert_int_equal(n, 3);
	assert_memory_equal(buf, "ab\n", 3);
	assert_int_equal(link_write(link, "c", 1, 100, NULL), RC_OK);
	assert_int_equal(read(lib.far_fd, buf, 1), 1);
	assert_int_equal(buf[0], 'c');
	close(lib.far_fd);
	lib.far_fd = -1;
	assert_int_equal(link_read(link, buf, sizeof buf, &n, &err), RC_IO);
	assert_non_null(strstr(err.what, "the other end closed the connection"));
	link_close(link);
}

/* An adapter that is pulled out: the kernel's word where the library has one. */
static void a_port_that_fails_is_gone(void **state)
{
	static const struct {
		enum call fails;
		enum sp_return how;
		int sys_errno;
		const char *says;
	} rows[] = {
		{ READ, SP_ERR_FAIL, ENXIO, "is lost: No such device or address" },
		{ READ, SP_ERR_ARG, 0, "the other end closed the connection" },
		{ WRITE, SP_ERR_FAIL, ENXIO, "is lost: No such device or address" },
		{ WRITE, SP_ERR_ARG, EIO, "is lost: Input/output error" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct link *link = opened();
		struct err err = { 0 };
		char buf[16];
		size_t n;

		lib.fails = rows[i].fails;
		lib.how = rows[i].how;
		lib.code = ENXIO;
		enum rc rc = rows[i].fails == READ ? link_read(link, buf, sizeof buf, &n, &err)
						   : link_write(link, "x", 1, 100, &err);
		if (rc != RC_IO || err.sys_errno != rows[i].sys_errno || !strstr(err.what, rows[i].says))
			fail_msg("row %zu: %d %d %s", i, (int)rc, err.sys_errno, err.what);
		lib.fails = NO_CALL; /* gone is gone */
		assert_int_equal(link_read(link, buf, sizeof buf, &n, NULL), RC_IO);
		link_close(link);
	}
}

static void characters_are_set_or_refused(void **state)
{
	static const struct {
		enum link_characters of;
		enum sp_parity parity;
		int stop_bits;
	} rows[] = {
		{ LINK_8E1, SP_PARITY_EVEN, 1 },
		{ LINK_8N2, SP_PARITY_NONE, 2 },
		{ LINK_8N1, SP_PARITY_NONE, 1 },
	};
	struct link *link = opened();
	struct err err = { 0 };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_int_equal(link_set_characters(link, rows[i].of, &err), RC_OK);
		assert_int_equal(lib.parity, rows[i].parity);
		assert_int_equal(lib.stop_bits, rows[i].stop_bits);
	}
	lib.how = SP_ERR_SUPP;
	for (int i = 0; i < 2; i++) {
		lib.fails = i == 0 ? PARITY : STOP_BITS;
		assert_int_equal(link_set_characters(link, LINK_8E1, &err), RC_IO);
		assert_non_null(strstr(err.what, "cannot send characters of that form; see characters in rig.ini"));
	}
	assert_true(link_filter(link, NULL, 0)); /* a port has no filter: everything comes */
	link_close(link);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, begin, end)

int main(void)
{
	static const struct CMUnitTest tests[] = {
		TEST(a_port_is_set_up_and_keeps_its_dtr),
		TEST(a_port_that_is_no_terminal_has_no_dtr),
		TEST(each_call_that_fails_is_told),
		TEST(without_memory_nothing_is_opened),
		TEST(a_name_that_is_no_path),
		TEST(a_link_to_a_port_is_followed),
		TEST(two_hosts_never_share_a_port),
		TEST(a_port_is_found_by_its_serial_number),
		TEST(bytes_silence_and_the_end),
		TEST(a_port_that_fails_is_gone),
		TEST(characters_are_set_or_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
