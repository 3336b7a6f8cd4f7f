/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Frames of the kernel by hand (linux/can.h), over a pair of sockets that keep messages apart as a CAN socket does. */
#include "link/link.h"
#include "link/link_can.h"
#include "link/link_private.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <fcntl.h>
#include <linux/can.h>
#include <linux/can/error.h>
#include <linux/can/raw.h>
#include <signal.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

/* What the kernel was asked to let in. */
static struct can_filter filter[8];
static size_t n_filters;
static can_err_mask_t errors;

/* What the linker puts between the program's calls and the kernel (--wrap, tests/unit/meson.build). The interface is
 * the near end of a pair of sockets; each call fails with its errno here, or 0. */
static struct {
	int recv_errno, recv_after; /* calls before the one that fails */
	int send_errno, socket_errno, bind_errno, index;
	int fd;
	struct sockaddr_can bound;
} kernel;

ssize_t __real_recv(int fd, void *buf, size_t n, int flags);
ssize_t __real_send(int fd, const void *buf, size_t n, int flags);
ssize_t __wrap_recv(int fd, void *buf, size_t n, int flags);
ssize_t __wrap_send(int fd, const void *buf, size_t n, int flags);
int __wrap_socket(int domain, int type, int protocol);
int __wrap_bind(int fd, const struct sockaddr *to, socklen_t n);
unsigned __wrap_if_nametoindex(const char *name);
int __wrap_setsockopt(int fd, int level, int name, const void *value, socklen_t n);

ssize_t __wrap_recv(int fd, void *buf, size_t n, int flags)
{
	if (kernel.recv_errno == 0 || kernel.recv_after-- > 0)
		return __real_recv(fd, buf, n, flags);
	errno = kernel.recv_errno;
	kernel.recv_errno = 0;
	return -1;
}

ssize_t __wrap_send(int fd, const void *buf, size_t n, int flags)
{
	if (kernel.send_errno == 0)
		return __real_send(fd, buf, n, flags);
	errno = kernel.send_errno;
	return -1;
}

int __wrap_socket(int domain, int type, int protocol)
{
	assert_int_equal(domain, PF_CAN);
	assert_int_equal(type, SOCK_RAW | SOCK_CLOEXEC);
	assert_int_equal(protocol, CAN_RAW);
	errno = kernel.socket_errno;
	return kernel.socket_errno ? -1 : kernel.fd;
}

int __wrap_bind(int fd, const struct sockaddr *to, socklen_t n)
{
	assert_int_equal(fd, kernel.fd);
	assert_int_equal(n, sizeof kernel.bound);
	memcpy(&kernel.bound, to, n);
	errno = kernel.bind_errno;
	return kernel.bind_errno ? -1 : 0;
}

unsigned __wrap_if_nametoindex(const char *name)
{
	assert_string_equal(name, "can3");
	errno = kernel.index ? 0 : ENODEV;
	return (unsigned)kernel.index;
}

int __wrap_setsockopt(int fd, int level, int name, const void *value, socklen_t n)
{
	(void)fd;
	assert_int_equal(level, SOL_CAN_RAW);
	if (name == CAN_RAW_ERR_FILTER && n == sizeof errors) {
		memcpy(&errors, value, n);
		return 0;
	}
	if (name != CAN_RAW_FILTER || n > sizeof filter)
		return -1;
	memcpy(filter, value, n);
	n_filters = n / sizeof filter[0];
	return 0;
}

/* linux/can.h: "A filter matches, when <received_can_id> & mask == can_id & mask". */
static bool comes_in(canid_t id)
{
	for (size_t i = 0; i < n_filters; i++)
		if ((id & filter[i].can_mask) == (filter[i].can_id & filter[i].can_mask))
			return true;
	return false;
}

static struct part part;
static int far;

static int begin(void **state)
{
	int fd[2];

	(void)state;
	memset(&kernel, 0, sizeof kernel);
	assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, fd), 0);
	far = fd[1];
	return part_wrap_can(fd[0], &part, NULL) != RC_OK;
}

static int end(void **state)
{
	(void)state;
	part.ops->close(part.ctx);
	close(far);
	return 0;
}

static void put(const struct can_frame *f)
{
	assert_int_equal(send(far, f, sizeof *f, 0), sizeof *f);
}

static const char *lines(void)
{
	static char buf[300];
	int e;
	ssize_t n = part.ops->read(part.ctx, buf, sizeof buf - 1, 0, &e);

	assert_true(n >= 0);
	buf[n] = '\0';
	return buf;
}

static void frames_come_as_lines(void **state)
{
	(void)state;
	assert_string_equal(lines(), "");
	put(&(struct can_frame){ .can_id = 0x123, .len = 2, .data = { 0xaa, 0x55 } });
	put(&(struct can_frame){ .can_id = 0x12abcdef | CAN_EFF_FLAG, .len = 1, .data = { 7 } });
	put(&(struct can_frame){ .can_id = 0x124 | CAN_RTR_FLAG, .len = 2 });
	assert_string_equal(lines(), "t1232AA55\rT12ABCDEF107\r");
}

static void errors_come_as_states(void **state)
{
	(void)state;
	put(&(struct can_frame){ .can_id = CAN_ERR_FLAG | CAN_ERR_CRTL,
				 .len = 8,
				 .data = { 0, CAN_ERR_CRTL_TX_PASSIVE, 0, 0, 0, 0, 128, 3 } });
	put(&(struct can_frame){ .can_id = CAN_ERR_FLAG | CAN_ERR_BUSOFF, .len = 8 });
	put(&(struct can_frame){ .can_id = CAN_ERR_FLAG | CAN_ERR_ACK, .len = 8 });
	assert_string_equal(lines(), "sp003128\rsb000000\r");
	put(&(struct can_frame){
		.can_id = CAN_ERR_FLAG | CAN_ERR_CRTL, .len = 8, .data = { 0, CAN_ERR_CRTL_RX_WARNING } });
	put(&(struct can_frame){ .can_id = CAN_ERR_FLAG | CAN_ERR_CRTL, .len = 8, .data = { 0, CAN_ERR_CRTL_ACTIVE } });
	put(&(struct can_frame){ .can_id = CAN_ERR_FLAG | CAN_ERR_RESTARTED, .len = 8 });
	assert_string_equal(lines(), "sw000000\rsa000000\rsa000000\r");
}

/* A length beyond eight comes from nobody who keeps to the kernel's own header; no byte behind the frame is read. */
static void a_frame_that_claims_more_than_it_holds(void **state)
{
	(void)state;
	put(&(struct can_frame){ .can_id = 0x123, .len = 60, .data = { 1, 2, 3, 4, 5, 6, 7, 8 } });
	assert_string_equal(lines(), "t12380102030405060708\r");
}

/* As many lines as there is room for; the rest waits in the kernel. */
static void a_reader_with_little_room(void **state)
{
	char buf[40];
	int e;

	(void)state;
	for (int i = 0; i < 3; i++)
		put(&(struct can_frame){ .can_id = 0x123, .len = 0 });
	assert_int_equal(part.ops->read(part.ctx, buf, sizeof buf, 0, &e), 12);
	assert_memory_equal(buf, "t1230\rt1230\r", 12);
	assert_string_equal(lines(), "t1230\r");
}

static void a_line_of_a_program_without_an_end(void **state)
{
	char text[200];
	struct can_frame f;
	int e;

	(void)state;
	memset(text, 't', sizeof text);
	assert_int_equal(part.ops->write(part.ctx, text, sizeof text, &e), sizeof text);
	assert_int_equal(recv(far, &f, sizeof f, MSG_DONTWAIT), -1);
	assert_int_equal(part.ops->write(part.ctx, "\rt2010\r", 7, &e), 7);
	assert_int_equal(recv(far, &f, sizeof f, 0), sizeof f);
	assert_int_equal(f.can_id, 0x201);
}

static void lines_go_as_frames(void **state)
{
	static const char text[] = "\rC\rS6\rO\rF\rt2013010064\rT12ABC";
	struct can_frame f, expected = { .can_id = 0x201, .len = 3, .data = { 1, 0, 0x64 } };
	char bytes[LINK_CAN_BYTES];
	int e;

	(void)state;
	assert_int_equal(part.ops->write(part.ctx, text, sizeof text - 1, &e), sizeof text - 1);
	assert_int_equal(recv(far, &f, sizeof f, 0), sizeof f);
	assert_memory_equal(&f, &expected, sizeof f);
	assert_int_equal(recv(far, &f, sizeof f, MSG_DONTWAIT), -1);
	assert_int_equal(part.ops->write(part.ctx, "DEF0\r", 5, &e), 5);
	assert_int_equal(recv(far, &f, sizeof f, 0), sizeof f);
	assert_int_equal(f.can_id, 0x12abcdef | CAN_EFF_FLAG);
	assert_int_equal(link_can_bytes(&(struct can_message){ .id = 0x201, .n = 3, .byte = { 1, 0, 0x64 } }, bytes),
			 16);
	assert_memory_equal(bytes, &expected, sizeof expected);
}

static void only_what_is_listened_to_comes_in(void **state)
{
	const struct can_message of[2] = { { .id = 0x281, .n = 8 }, { .id = 0x282, .is_long = true } };
	struct can_message many[17] = { 0 };

	(void)state;
	assert_true(part.ops->filter(part.ctx, of, 2));
	assert_int_equal(n_filters, 2);
	assert_true(comes_in(0x281) && comes_in(0x282 | CAN_EFF_FLAG));
	assert_false(comes_in(0x282) || comes_in(0x281 | CAN_EFF_FLAG) || comes_in(0x281 | CAN_RTR_FLAG) ||
		     comes_in(0x280) || comes_in(0x10000282 | CAN_EFF_FLAG));
	assert_false(part.ops->filter(part.ctx, many, 17));
	assert_false(part.ops->filter(part.ctx, many, 9)); /* more than this kernel takes */
}

static void an_interface_that_is_gone(void **state)
{
	char buf[100];
	int e;

	(void)state;
	shutdown(far, SHUT_RDWR);
	assert_int_equal(part.ops->read(part.ctx, buf, sizeof buf, 0, &e), PART_GONE);
}

/* Closed with a frame that it had not read: the kernel tells an error. */
static void an_interface_that_fails(void **state)
{
	char buf[100];
	int e = 0;

	(void)state;
	assert_int_equal(part.ops->write(part.ctx, "t2010\r", 6, &e), 6);
	close(far);
	assert_int_equal(part.ops->read(part.ctx, buf, sizeof buf, 0, &e), PART_GONE);
	assert_int_equal(e, ECONNRESET);
	far = -1;
}

/* What the kernel refuses: the line's bytes went nowhere. */
static void a_frame_that_cannot_go(void **state)
{
	int e = 0;

	(void)state;
	signal(SIGPIPE, SIG_IGN); /* a CAN socket has no such signal */
	shutdown(far, SHUT_RDWR);
	assert_int_equal(part.ops->write(part.ctx, "S6\r", 3, &e), 3); /* no frame: for an adapter */
	assert_int_equal(part.ops->write(part.ctx, "t2010\r", 6, &e), PART_GONE);
	assert_int_equal(e, EPIPE);
}

/* The queue of an interface that nobody acknowledges fills: the frame is lost, the line is not. */
static void a_queue_that_is_full_ends_nothing(void **state)
{
	int e = 0;

	(void)state;
	for (int i = 0; i < 2000; i++)
		assert_int_equal(part.ops->write(part.ctx, "t2010\r", 6, &e), 6);
	assert_int_equal(e, EAGAIN);
}

/* What was read before the error is handed out first; the error comes again at the next read. */
static void an_error_behind_a_frame_comes_after_it(void **state)
{
	char buf[100];
	int e = 0;

	(void)state;
	put(&(struct can_frame){ .can_id = 0x123, .len = 0 });
	kernel.recv_errno = ENETDOWN;
	kernel.recv_after = 1;
	assert_string_equal(lines(), "t1230\r");
	kernel.recv_errno = ENETDOWN;
	kernel.recv_after = 0;
	assert_int_equal(part.ops->read(part.ctx, buf, sizeof buf, 0, &e), PART_GONE);
	assert_int_equal(e, ENETDOWN);
}

static void a_signal_loses_no_frame(void **state)
{
	(void)state;
	put(&(struct can_frame){ .can_id = 0x123, .len = 0 });
	put(&(struct can_frame){ .can_id = 0x124, .len = 0 });
	kernel.recv_errno = EINTR;
	kernel.recv_after = 1;
	assert_string_equal(lines(), "t1230\rt1240\r");
}

/* Half a frame comes from no CAN socket. */
static void less_than_a_frame_ends_it(void **state)
{
	char buf[100];
	int e = 99;

	(void)state;
	assert_int_equal(send(far, "abc", 3, 0), 3);
	assert_int_equal(part.ops->read(part.ctx, buf, sizeof buf, 0, &e), PART_GONE);
	assert_int_equal(e, 0);
}

static void what_the_kernel_says_to_a_frame(void **state)
{
	static const struct {
		int number;
		bool lost; /* the frame alone; else the link */
	} rows[] = { { EAGAIN, true }, { EINTR, true }, { ENOBUFS, true }, { ENETDOWN, false }, { ENXIO, false } };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		int e = 0;

		kernel.send_errno = rows[i].number;
		ssize_t n = part.ops->write(part.ctx, "t2010\r", 6, &e);
		if (n != (rows[i].lost ? 6 : PART_GONE) || e != rows[i].number)
			fail_msg("%d: %zd %d", rows[i].number, n, e);
		/* the end of a line that did not go is not put before the next one */
		kernel.send_errno = 0;
		assert_int_equal(part.ops->write(part.ctx, "\r", 1, &e), 1);
	}
}

static void an_interface_is_opened_by_its_name(void **state)
{
	const struct can_message of[17] = { { .id = 0x281, .n = 8 } };
	struct link *link = NULL;
	char buf[40];
	size_t n;
	int fd[2];

	(void)state;
	assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, fd), 0);
	kernel.fd = fd[0];
	kernel.index = 7;
	errors = 0;
	assert_int_equal(link_open("can:can3", 0, NULL, 0, &link, NULL), RC_OK);
	assert_int_equal(kernel.bound.can_family, AF_CAN);
	assert_int_equal(kernel.bound.can_ifindex, 7);
	assert_true(errors & CAN_ERR_CRTL && errors & CAN_ERR_BUSOFF && errors & CAN_ERR_RESTARTED);
	assert_int_equal(link_fd(link), fd[0]);
	assert_int_equal(send(fd[1], &(struct can_frame){ .can_id = 0x7f, .len = 0 }, sizeof(struct can_frame), 0), 16);
	assert_int_equal(link_read(link, buf, sizeof buf, &n, NULL), RC_OK);
	assert_int_equal(n, 6);
	assert_memory_equal(buf, "t07F0\r", 6);
	n_filters = 0;
	assert_true(link_filter(link, of, 1));
	assert_int_equal(n_filters, 1);
	assert_false(link_filter(link, of, LINK_FILTERS + 1));
	assert_int_equal(link_set_characters(link, LINK_8E1, NULL), RC_OK); /* it has none */
	link_close(link);
	assert_int_equal(fcntl(fd[0], F_GETFD), -1);
	close(fd[1]);
}

static void an_interface_that_does_not_open(void **state)
{
	static const struct {
		int socket_errno, index, bind_errno;
		const char *says;
	} rows[] = {
		{ EAFNOSUPPORT, 7, 0, "this computer's kernel has no CAN: Address family not supported" },
		{ 0, 0, 0, "there is no such interface; \"ip link\" lists them" },
		{ 0, 7, ENETDOWN, "cannot open it: Network is down; is it a CAN interface that is up?" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct err err = { 0 };
		struct part p = { 0 };

		kernel.fd = dup(far);
		kernel.socket_errno = rows[i].socket_errno;
		kernel.index = rows[i].index;
		kernel.bind_errno = rows[i].bind_errno;
		if (part_open_can("can3", &p, &err) != RC_IO || !strstr(err.what, rows[i].says) ||
		    !strstr(err.what, "link \"can:can3\": ") || err.sys_errno == 0 || p.ops)
			fail_msg("row %zu: %d %s", i, (int)err.rc, err.what);
		if (rows[i].socket_errno)
			close(kernel.fd);
		assert_int_equal(fcntl(kernel.fd, F_GETFD), -1); /* closed */
	}
}

static void reading_waits_for_a_frame(void **state)
{
	char buf[100];
	int64_t begin_ms = part_now_ms();
	int e;

	(void)state;
	assert_int_equal(part.ops->read(part.ctx, buf, sizeof buf, 30, &e), 0);
	assert_in_range(part_now_ms() - begin_ms, 25, 5000);
	put(&(struct can_frame){ .can_id = 0x123, .len = 0 });
	assert_int_equal(part.ops->read(part.ctx, buf, sizeof buf, 1000, &e), 6);
	assert_memory_equal(buf, "t1230\r", 6);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(frames_come_as_lines, begin, end),
		cmocka_unit_test_setup_teardown(errors_come_as_states, begin, end),
		cmocka_unit_test_setup_teardown(a_frame_that_claims_more_than_it_holds, begin, end),
		cmocka_unit_test_setup_teardown(a_reader_with_little_room, begin, end),
		cmocka_unit_test_setup_teardown(a_line_of_a_program_without_an_end, begin, end),
		cmocka_unit_test_setup_teardown(lines_go_as_frames, begin, end),
		cmocka_unit_test_setup_teardown(only_what_is_listened_to_comes_in, begin, end),
		cmocka_unit_test_setup_teardown(an_interface_that_is_gone, begin, end),
		cmocka_unit_test_setup_teardown(an_interface_that_fails, begin, end),
		cmocka_unit_test_setup_teardown(a_frame_that_cannot_go, begin, end),
		cmocka_unit_test_setup_teardown(a_queue_that_is_full_ends_nothing, begin, end),
		cmocka_unit_test_setup_teardown(an_error_behind_a_frame_comes_after_it, begin, end),
		cmocka_unit_test_setup_teardown(a_signal_loses_no_frame, begin, end),
		cmocka_unit_test_setup_teardown(less_than_a_frame_ends_it, begin, end),
		cmocka_unit_test_setup_teardown(what_the_kernel_says_to_a_frame, begin, end),
		cmocka_unit_test_setup_teardown(an_interface_is_opened_by_its_name, begin, end),
		cmocka_unit_test_setup_teardown(an_interface_that_does_not_open, begin, end),
		cmocka_unit_test_setup_teardown(reading_waits_for_a_frame, begin, end),
	};

	return cmocka_run_group_tests_name("link_can", tests, NULL, NULL);
}
