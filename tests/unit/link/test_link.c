/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netdb.h>
#include <netinet/in.h>
#include <poll.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

/* What the linker puts between the program's calls and the kernel (--wrap, tests/unit/meson.build): the next fail of
 * them fails with this errno, as by a signal that comes while they wait. */
static struct failing {
	int fail, with;
} no_recv, no_send, no_poll, no_socket;
static int longest_ms, sockets; /* waited for by poll; asked for */

ssize_t __real_recv(int fd, void *buf, size_t n, int flags);
ssize_t __real_send(int fd, const void *buf, size_t n, int flags);
int __real_poll(struct pollfd *fds, nfds_t n, int timeout);
int __real_socket(int domain, int type, int protocol);
int __real_getaddrinfo(const char *host, const char *port, const struct addrinfo *hints, struct addrinfo **ret);
ssize_t __wrap_recv(int fd, void *buf, size_t n, int flags);
ssize_t __wrap_send(int fd, const void *buf, size_t n, int flags);
int __wrap_poll(struct pollfd *fds, nfds_t n, int timeout);
int __wrap_socket(int domain, int type, int protocol);
int __wrap_getaddrinfo(const char *host, const char *port, const struct addrinfo *hints, struct addrinfo **ret);

static bool fails(struct failing *f)
{
	if (f->fail == 0)
		return false;
	f->fail--;
	errno = f->with;
	return true;
}

ssize_t __wrap_recv(int fd, void *buf, size_t n, int flags)
{
	return fails(&no_recv) ? -1 : __real_recv(fd, buf, n, flags);
}

ssize_t __wrap_send(int fd, const void *buf, size_t n, int flags)
{
	return fails(&no_send) ? -1 : __real_send(fd, buf, n, flags);
}

int __wrap_poll(struct pollfd *fds, nfds_t n, int timeout)
{
	longest_ms = n > 0 && timeout > longest_ms ? timeout : longest_ms;
	return fails(&no_poll) ? -1 : __real_poll(fds, n, timeout);
}

int __wrap_socket(int domain, int type, int protocol)
{
	sockets++;
	return fails(&no_socket) ? -1 : __real_socket(domain, type, protocol);
}

/* No name is asked of a network: one ending in .invalid is known to nobody (RFC 6761), and one ending in .test
 * has two addresses here. At the other one of them nobody listens. */
static bool right_one_first;
static char other_port[8] = "1";

int __wrap_getaddrinfo(const char *host, const char *port, const struct addrinfo *hints, struct addrinfo **ret)
{
	if (strstr(host, ".invalid"))
		return EAI_NONAME;
	if (strstr(host, ".test")) {
		const char *first = right_one_first ? port : other_port, *second = right_one_first ? other_port : port;
		int e = __real_getaddrinfo("127.0.0.1", first, hints, ret);
		return e ? e : __real_getaddrinfo("127.0.0.1", second, hints, &(*ret)->ai_next);
	}
	return __real_getaddrinfo(host, port, hints, ret);
}

struct far {
	char folder[40], path[80], address[120];
	int listen_fd, fd;
	struct link *link;
};

static int64_t now_ms(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

static void listen_unix(struct far *f)
{
	struct sockaddr_un to = { .sun_family = AF_UNIX };

	snprintf(f->path, sizeof f->path, "%s/tether", f->folder);
	strcpy(to.sun_path, f->path);
	f->listen_fd = socket(AF_UNIX, SOCK_STREAM, 0);
	assert_int_equal(bind(f->listen_fd, (struct sockaddr *)&to, sizeof to), 0);
	snprintf(f->address, sizeof f->address, "unix:%s", f->path);
}

static void listen_tcp(struct far *f)
{
	struct sockaddr_in to = { .sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK) };
	socklen_t len = sizeof to;

	f->listen_fd = socket(AF_INET, SOCK_STREAM, 0);
	assert_int_equal(bind(f->listen_fd, (struct sockaddr *)&to, sizeof to), 0);
	assert_int_equal(getsockname(f->listen_fd, (struct sockaddr *)&to, &len), 0);
	snprintf(f->address, sizeof f->address, "tcp:127.0.0.1:%d", ntohs(to.sin_port));
}

static struct far *new_far(void)
{
	struct far *f = calloc(1, sizeof *f);

	strcpy(f->folder, "/tmp/bridle-link-XXXXXX");
	assert_non_null(mkdtemp(f->folder));
	f->fd = -1;
	return f;
}

static void connect_far(struct far *f)
{
	struct err err = { 0 };

	assert_int_equal(listen(f->listen_fd, 1), 0);
	if (link_open(f->address, 0, NULL, 2000, &f->link, &err) != RC_OK)
		fail_msg("%s", err.what);
	f->fd = accept(f->listen_fd, NULL, NULL);
	assert_true(f->fd >= 0);
}

static int unix_up(void **state)
{
	struct far *f = new_far();

	listen_unix(f);
	connect_far(f);
	*state = f;
	return 0;
}

static int tcp_up(void **state)
{
	struct far *f = new_far();

	listen_tcp(f);
	connect_far(f);
	*state = f;
	return 0;
}

static int tear_down(void **state)
{
	struct far *f = *state;

	link_close(f->link);
	if (f->fd >= 0)
		close(f->fd);
	close(f->listen_fd);
	unlink(f->path);
	rmdir(f->folder);
	free(f);
	return 0;
}

static void say(const struct far *f, const char *text)
{
	assert_int_equal(send(f->fd, text, strlen(text), MSG_NOSIGNAL), (ssize_t)strlen(text));
}

/* On tcp bytes take their time, also on the own machine. */
static size_t read_some(struct far *f, char *buf, size_t size)
{
	size_t n;

	assert_int_equal(link_read_wait(f->link, buf, size, 2000, &n, NULL), RC_OK);
	return n;
}

static void carries_and_counts_bytes(void **state)
{
	struct far *f = *state;
	char buf[16];
	size_t n = 99;

	assert_string_equal(link_address(f->link), f->address);
	assert_int_equal(link_read(f->link, buf, sizeof buf, &n, NULL), RC_OK);
	assert_int_equal(n, 0); /* silence is no error */
	n = 99;
	assert_int_equal(link_read_wait(f->link, buf, sizeof buf, 1, &n, NULL), RC_OK);
	assert_int_equal(n, 0);
	say(f, "0123456789");
	assert_int_equal(read_some(f, buf, 4), 4);
	assert_memory_equal(buf, "0123", 4);
	assert_int_equal(read_some(f, buf, sizeof buf), 6);
	assert_memory_equal(buf, "456789", 6);
	assert_int_equal(link_bytes_read(f->link), 10);
	assert_int_equal(link_write(f->link, "abc", 3, 100, NULL), RC_OK);
	assert_int_equal(link_write(f->link, "de", 2, 100, NULL), RC_OK);
	assert_int_equal(link_bytes_written(f->link), 5);
	assert_int_equal(recv(f->fd, buf, 5, MSG_WAITALL), 5);
	assert_memory_equal(buf, "abcde", 5);
}

static void keeps_what_was_pulled(void **state)
{
	struct far *f = *state;
	char buf[16];
	struct err err = { 0 };
	size_t n;

	say(f, "0123456789");
	assert_int_equal(link_pull(f->link, 10, 2000, NULL), RC_OK);
	assert_int_equal(link_bytes_read(f->link), 0); /* kept, not handed out */
	assert_int_equal(link_read(f->link, buf, 3, &n, NULL), RC_OK);
	assert_int_equal(n, 3);
	say(f, "abc");
	assert_int_equal(link_pull(f->link, 13, 2000, NULL), RC_OK);
	assert_int_equal(link_pull(f->link, 5, 0, NULL), RC_OK); /* long there */
	assert_int_equal(link_read(f->link, buf, sizeof buf, &n, NULL), RC_OK);
	assert_int_equal(n, 10);
	assert_memory_equal(buf, "3456789abc", 10);
	assert_int_equal(link_bytes_read(f->link), 13);
	say(f, "xy");
	assert_int_equal(link_pull(f->link, 16, 20, &err), RC_TIMEOUT);
	assert_non_null(strstr(err.what, "15 of 16 bytes came within 20 ms"));
	assert_int_equal(link_read(f->link, buf, sizeof buf, &n, NULL), RC_OK);
	assert_memory_equal(buf, "xy", 2);
}

static void keeps_far_more_than_it_began_with(void **state)
{
	struct far *f = *state;
	static char block[5000], back[100000];
	size_t sent = 0, got = 0, n = 1;

	for (int round = 0; round < 20; round++) {
		for (size_t i = 0; i < sizeof block; i++)
			block[i] = (char)((sent + i) % 251);
		assert_int_equal(send(f->fd, block, sizeof block, 0), sizeof block);
		sent += sizeof block;
		assert_int_equal(link_pull(f->link, sent, 2000, NULL), RC_OK);
		if (round == 3) { /* the rest is then no longer at the front */
			assert_int_equal(link_read(f->link, back, 12345, &n, NULL), RC_OK);
			got += n;
		}
	}
	while (n > 0) {
		assert_int_equal(link_read(f->link, back + got, 777, &n, NULL), RC_OK);
		got += n;
	}
	assert_int_equal(got, sent);
	for (size_t i = 0; i < got; i++)
		if (back[i] != (char)(i % 251))
			fail_msg("byte %zu", i);
}

static void tells_a_hang_up_from_silence(void **state)
{
	struct far *f = *state;
	struct err err = { 0 };
	char buf[16];
	size_t n;

	say(f, "last words");
	close(f->fd);
	f->fd = -1;
	assert_int_equal(link_pull(f->link, 10, 2000, NULL), RC_OK);
	assert_int_equal(link_pull(f->link, 11, 2000, NULL), RC_IO);
	assert_int_equal(link_read(f->link, buf, sizeof buf, &n, NULL), RC_OK); /* what came before still counts */
	assert_int_equal(n, 10);
	assert_int_equal(link_read(f->link, buf, sizeof buf, &n, &err), RC_IO);
	assert_int_equal(n, 0);
	assert_non_null(strstr(err.what, "the other end"));
	assert_int_equal(link_read(f->link, buf, sizeof buf, &n, NULL), RC_IO); /* and it stays so */
	assert_int_equal(link_read_wait(f->link, buf, sizeof buf, 1000, &n, NULL), RC_IO);
	assert_int_equal(link_write(f->link, "x", 1, 100, &err), RC_IO);
}

static void writing_to_one_that_does_not_read_ends_in_time(void **state)
{
	struct far *f = *state;
	static char block[1 << 16];
	int64_t begin_ms = now_ms();
	enum rc rc = RC_OK;
	struct err err = { 0 };

	for (int i = 0; rc == RC_OK && i < 1000; i++)
		rc = link_write(f->link, block, sizeof block, 30, &err);
	assert_int_equal(rc, RC_TIMEOUT);
	assert_non_null(strstr(err.what, "takes no more bytes"));
	assert_in_range(now_ms() - begin_ms, 25, 5000);
	/* the kernel may take some more meanwhile, but not for ever */
	rc = RC_OK;
	for (int i = 0; rc == RC_OK && i < 1000; i++)
		rc = link_write(f->link, block, sizeof block, 5, &err);
	assert_int_equal(rc, RC_TIMEOUT);
}

static void a_connection_that_is_lost_says_how(void **state)
{
	struct far *f = *state;
	const struct linger at_once = { .l_onoff = 1 };
	struct err err = { 0 };
	char buf[16];
	size_t n;

	/* tcp: the far end throws away what it did not read; unix: nobody is there to write to */
	assert_int_equal(setsockopt(f->fd, SOL_SOCKET, SO_LINGER, &at_once, sizeof at_once), 0);
	close(f->fd);
	f->fd = -1;
	bool is_tcp = f->address[0] == 't';
	enum rc rc = is_tcp ? link_read_wait(f->link, buf, sizeof buf, 2000, &n, &err)
			    : link_write(f->link, "x", 1, 100, &err);
	assert_int_equal(rc, RC_IO);
	assert_non_null(strstr(err.what, "the connection to the other end is lost: "));
	assert_non_null(strstr(err.what, is_tcp ? "reset" : "pipe"));
}

static void what_a_socket_has_not_is_no_mistake(void **state)
{
	struct far *f = *state;
	uint64_t written = link_bytes_written(f->link);

	assert_int_equal(link_set_characters(f->link, LINK_8E1, NULL), RC_OK);
	assert_true(link_filter(f->link, NULL, 0));
	/* bytes that another process put there count like own ones */
	assert_int_equal(write(link_fd(f->link), "xyz", 3), 3);
	link_note_written(f->link, 3);
	assert_int_equal(link_bytes_written(f->link), written + 3);
	char buf[3];
	assert_int_equal(recv(f->fd, buf, 3, MSG_WAITALL), 3);
	assert_memory_equal(buf, "xyz", 3);
}

static void reading_waits_as_long_as_told(void **state)
{
	struct far *f = *state;
	int64_t begin_ms = now_ms();
	char buf[16];
	size_t n = 99;

	assert_int_equal(link_read_wait(f->link, buf, sizeof buf, 30, &n, NULL), RC_OK);
	assert_int_equal(n, 0);
	assert_in_range(now_ms() - begin_ms, 25, 2000);
	say(f, "x");
	assert_int_equal(link_read_wait(f->link, buf, sizeof buf, 2000, &n, NULL), RC_OK);
	assert_int_equal(n, 1);
}

/* A signal that comes while the link waits: nothing is lost, nothing twice, and no error. */
static void a_signal_ends_nothing(void **state)
{
	static char block[1 << 16];
	struct far *f = *state;
	char buf[16];
	size_t n = 0;

	say(f, "abc");
	no_recv = (struct failing){ 2, EINTR };
	assert_int_equal(read_some(f, buf, sizeof buf), 3);
	assert_int_equal(no_recv.fail, 0);
	no_send = (struct failing){ 3, EINTR };
	no_poll = (struct failing){ 2, EINTR };
	assert_int_equal(link_write(f->link, "def", 3, 2000, NULL), RC_OK);
	assert_int_equal(no_send.fail + no_poll.fail, 0);
	assert_int_equal(link_bytes_written(f->link), 3);
	assert_int_equal(recv(f->fd, buf, sizeof buf, 0), 3);
	assert_memory_equal(buf, "def", 3);
	/* the time that was waited before the signal counts */
	enum rc rc = RC_OK;
	int64_t begin_ms = now_ms();
	while (rc == RC_OK && n++ < 1000) {
		no_poll = (struct failing){ 1, EINTR };
		rc = link_write(f->link, block, sizeof block, 20, NULL);
	}
	no_poll.fail = 0;
	assert_int_equal(rc, RC_TIMEOUT);
	assert_in_range(now_ms() - begin_ms, 15, 5000);
}

/* A poll that fails says nothing: the next write finds out what is the matter, and that ends it. */
static void a_wait_that_fails_leaves_it_to_the_write(void **state)
{
	struct far *f = *state;
	struct err err = { 0 };

	no_send = (struct failing){ 1, EAGAIN };
	no_poll = (struct failing){ 1, ENOMEM };
	assert_int_equal(link_write(f->link, "x", 1, 2000, &err), RC_OK);
	no_send = (struct failing){ 1, EAGAIN };
	no_poll = (struct failing){ 1, ENOMEM };
	close(f->fd);
	f->fd = -1;
	enum rc rc = link_write(f->link, "x", 1, 2000, &err);
	for (int i = 0; rc == RC_OK && i < 100; i++) /* tcp: told by the first byte, known at a later one */
		rc = link_write(f->link, "x", 1, 2000, &err);
	assert_int_equal(rc, RC_IO);
	assert_non_null(strstr(err.what, "the connection to the other end is lost: "));
}

static void an_error_of_the_kernel_is_told_in_its_words(void **state)
{
	struct far *f = *state;
	struct err err = { 0 };
	char buf[16];
	size_t n;

	no_recv = (struct failing){ 1, EHOSTUNREACH };
	assert_int_equal(link_read(f->link, buf, sizeof buf, &n, &err), RC_IO);
	assert_non_null(strstr(err.what, "is lost: No route to host"));
	assert_int_equal(err.sys_errno, EHOSTUNREACH);
}

/* No descriptor left: told at once, however long it might have tried. */
static void without_a_socket_it_ends_at_once(void **state)
{
	static const char *const addresses[] = { "tcp:127.0.0.1:7000", "unix:/tmp/no-such-bench" };
	int64_t begin_ms = now_ms();

	(void)state;
	for (int i = 0; i < 2; i++) {
		struct link *link = NULL;
		struct err err = { 0 };

		no_socket = (struct failing){ 1, EMFILE };
		assert_int_equal(link_open(addresses[i], 0, NULL, 60000, &link, &err), RC_IO);
		assert_non_null(strstr(err.what, "cannot connect: Too many open files"));
		assert_null(link);
	}
	assert_in_range(now_ms() - begin_ms, 0, 30000);
}

#define TEN "0123456789"
#define HUNDRED TEN TEN TEN TEN TEN TEN TEN TEN TEN TEN

/* A folder of more than 1000 bytes, in which no socket can be named. */
static void refuses_a_folder_that_is_too_long(void **state)
{
	struct link *link = NULL;
	struct err err = { 0 };
	char base[1002];

	(void)state;
	memset(base, 'd', sizeof base - 1);
	base[0] = '/';
	base[sizeof base - 1] = '\0';
	assert_int_equal(link_open("unix:tether", 0, base, 20, &link, &err), RC_IO);
	assert_int_equal(err.sys_errno, ENAMETOOLONG);
	base[800] = '\0'; /* the whole path has room then, its folder's name has not */
	assert_int_equal(link_open("unix:tether", 0, base, 20, &link, &err), RC_IO);
	assert_int_equal(err.sys_errno, ENAMETOOLONG);
	assert_int_equal(link_open("unix:/no/such/socket", 0, base, 20, &link, &err), RC_TIMEOUT); /* from the root */
	assert_null(link);
}

/* Each is tried, and it ends with the one that answers. */
static void a_name_of_several_addresses(void **state)
{
	static const char *const names[] = { "localhost", "two.test", "two.test" };

	for (int i = 0; i < 3; i++) {
		struct far *f = new_far();
		char address[60];

		listen_tcp(f);
		snprintf(address, sizeof address, "tcp:%s:%s", names[i], strrchr(f->address, ':') + 1);
		strcpy(f->address, address);
		right_one_first = i == 2;
		sockets = 0;
		connect_far(f);
		if (i > 0)
			assert_int_equal(sockets, i == 1 ? 2 : 1); /* who refuses is not asked again */
		*state = f;
		carries_and_counts_bytes(state);
		tear_down(state);
	}
}

/* One address that lets nobody in and one that answers: the first has half of the time, the second the rest. */
static void an_address_that_never_answers_leaves_time_for_the_next(void **state)
{
	struct far *f = new_far(), *full = new_far();
	struct err err = { 0 };
	struct link *second = NULL;
	char address[60];

	listen_tcp(full);
	assert_int_equal(listen(full->listen_fd, 0), 0);
	assert_int_equal(link_open(full->address, 0, NULL, 1000, &full->link, &err), RC_OK);
	listen_tcp(f);
	assert_int_equal(listen(f->listen_fd, 1), 0);
	strcpy(other_port, strrchr(full->address, ':') + 1);
	snprintf(address, sizeof address, "tcp:two.test:%s", strrchr(f->address, ':') + 1);
	right_one_first = false;
	longest_ms = 0;
	enum rc rc = link_open(address, 0, NULL, 600, &second, &err);
	strcpy(other_port, "1");
	if (rc != RC_OK)
		fail_msg("%s", err.what);
	assert_in_range(longest_ms, 100, 300);
	link_close(second);
	*state = full;
	tear_down(state);
	*state = f;
	tear_down(state);
}

/* 16 MB are half an hour of a full line: then nobody will read them any more. */
static void what_nobody_reads_is_not_kept_for_ever(void **state)
{
	static char block[1 << 16];
	struct far *f = *state;
	struct err err = { 0 };
	uint64_t sent = 0;
	enum rc rc = RC_OK;

	while (rc == RC_OK && sent < (64u << 20)) {
		assert_int_equal(send(f->fd, block, sizeof block, 0), sizeof block);
		sent += sizeof block;
		rc = link_pull(f->link, sent, 2000, &err);
	}
	assert_int_equal(rc, RC_NOMEM);
	assert_non_null(strstr(err.what, "bytes came in and nobody reads them"));
	assert_in_range(sent, 16u << 20, 17u << 20);
	assert_int_equal(link_write(f->link, "", 0, 0, NULL), RC_OK);
}

static void refuses_bad_addresses(void **state)
{
	static const struct {
		const char *address;
		enum rc rc;
		const char *says;
	} rows[] = {
		{ "", RC_ARG, "expected serial:/dev/NAME, tcp:HOST:PORT or unix:PATH" },
		{ "/dev/ttyACM0", RC_ARG, "expected serial:/dev/NAME, tcp:HOST:PORT or unix:PATH" },
		{ "udp:localhost:1", RC_ARG, "expected serial:" },
		{ "tcp:", RC_ARG, "expected tcp:HOST:PORT" },
		{ "tcp:localhost", RC_ARG, "port from 1 to 65535" },
		{ "tcp::7000", RC_ARG, "expected tcp:HOST:PORT" },
		{ "tcp:localhost:0", RC_ARG, "port from 1 to 65535" },
		{ "tcp:localhost:65536", RC_ARG, "port from 1 to 65535" },
		{ "tcp:localhost:-1", RC_ARG, "port from 1 to 65535" },
		{ "tcp:localhost:7000x", RC_ARG, "port from 1 to 65535" },
		{ "tcp:[::1:7000", RC_ARG, "expected tcp:HOST:PORT" },
		{ "unix:", RC_ARG, "expected unix:PATH" },
		{ "serial:", RC_ARG, "expected a serial port such as serial:/dev/ttyACM0" },
		{ "serial:ttyACM0", RC_ARG, "expected a serial port such as serial:/dev/ttyACM0" },
		{ "serial:/dev/no-such-port", RC_IO, "there is no such port now; plug the node in" },
		{ "unix:/no/such/folder/socket", RC_TIMEOUT, "cannot connect: No such file or directory" },
		{ "unix:/no/such/folder/" HUNDRED "/socket", RC_IO, "cannot connect: No such file or directory" },
		{ "unix:" HUNDRED "socket.of.a.bench", RC_IO, "cannot connect: File name too long" },
		{ "unix:/tmp/" HUNDRED TEN, RC_IO, "cannot connect: File name too long" },
		{ "unix:" HUNDRED HUNDRED HUNDRED, RC_ARG, "the address is longer than 299 characters" },
		{ "tcp:[]:7000", RC_ARG, "expected tcp:HOST:PORT" },
		{ "tcp:[:7000", RC_ARG, "expected tcp:HOST:PORT" },
		{ "tcp:localhost:x", RC_ARG, "port from 1 to 65535" },
		{ "tcp:" HUNDRED HUNDRED TEN TEN TEN TEN TEN TEN ":7000", RC_ARG, "expected tcp:HOST:PORT" },
		{ "tcp:255.255.255.255:7000", RC_IO, "cannot connect" },
		{ "tcp:bench.invalid:7000", RC_IO, "link \"tcp:bench.invalid:7000\": cannot find the host: " },
		{ "can:no-such-if", RC_IO, "link \"can:no-such-if\": " },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct link *link = (struct link *)state;
		struct err err = { 0 };

		if (link_open(rows[i].address, 115200, NULL, 20, &link, &err) != rows[i].rc ||
		    strstr(err.what, rows[i].says) == NULL)
			fail_msg("\"%s\": %d %s", rows[i].address, (int)err.rc, err.what);
		assert_ptr_equal(link, state); /* untouched */
	}
}

static void a_refused_connection_ends_in_time(void **state)
{
	struct link *link = NULL;
	struct far *f = new_far();
	struct err err = { 0 };
	int64_t begin_ms = now_ms();

	listen_tcp(f); /* bound, but nobody listens */
	assert_int_equal(link_open(f->address, 0, NULL, 50, &link, &err), RC_TIMEOUT);
	assert_non_null(strstr(err.what, "Connection refused; is the node or bench running?"));
	assert_in_range(now_ms() - begin_ms, 35, 3000);
	*state = f;
	tear_down(state);
}

/* One that waits to be accepted fills a backlog of 0: the next one is not answered at all. */
static void one_that_never_answers_ends_in_time(void **state, void (*listen_there)(struct far *), const char *says)
{
	struct link *link = NULL;
	struct far *f = new_far();
	struct err err = { 0 };
	int64_t begin_ms = now_ms();

	listen_there(f);
	assert_int_equal(listen(f->listen_fd, 0), 0);
	assert_int_equal(link_open(f->address, 0, NULL, 1000, &f->link, &err), RC_OK);
	no_poll = (struct failing){ 1, EINTR }; /* a signal is no connection */
	assert_int_equal(link_open(f->address, 0, NULL, 50, &link, &err), RC_TIMEOUT);
	no_poll.fail = 0;
	assert_non_null(strstr(err.what, says));
	assert_in_range(now_ms() - begin_ms, 35, 3000);
	assert_null(link);
	*state = f;
	tear_down(state);
}

static void a_node_that_never_answers(void **state)
{
	one_that_never_answers_ends_in_time(state, listen_tcp, "Connection timed out; is the node or bench running?");
}

static void a_bench_that_never_answers(void **state)
{
	one_that_never_answers_ends_in_time(state, listen_unix, "is the bench running?");
}

static void *listen_a_little_later(void *arg)
{
	struct far *f = arg;
	struct timespec t = { .tv_nsec = 30000000 }; /* not to wait for something: to be late on purpose */

	nanosleep(&t, NULL);
	listen(f->listen_fd, 1);
	return NULL;
}

static void connects_to_one_that_is_still_starting(void **state)
{
	void (*const kinds[])(struct far *) = { listen_unix, listen_tcp };

	for (int i = 0; i < 2; i++) {
		struct far *f = new_far();
		pthread_t thread;

		kinds[i](f);
		pthread_create(&thread, NULL, listen_a_little_later, f);
		assert_int_equal(link_open(f->address, 0, NULL, 5000, &f->link, NULL), RC_OK);
		pthread_join(thread, NULL);
		*state = f;
		tear_down(state);
	}
}

/* A bench folder may lie deeper than the 107 bytes that a socket's address holds. */
static void reaches_a_socket_in_a_deep_folder(void **state)
{
	struct far *f = new_far();
	char deep[500], part[101], here[500];
	struct err err = { 0 };

	memset(part, 'd', 100);
	part[100] = '\0';
	snprintf(deep, sizeof deep, "%s/%s", f->folder, part);
	assert_int_equal(mkdir(deep, 0700), 0);
	assert_non_null(getcwd(here, sizeof here));
	assert_int_equal(chdir(deep), 0);
	listen_unix(f);
	unlink(f->path);
	close(f->listen_fd);
	{
		struct sockaddr_un to = { .sun_family = AF_UNIX, .sun_path = "tether" };

		f->listen_fd = socket(AF_UNIX, SOCK_STREAM, 0);
		assert_int_equal(bind(f->listen_fd, (struct sockaddr *)&to, sizeof to), 0);
		assert_int_equal(listen(f->listen_fd, 1), 0);
	}
	assert_int_equal(chdir(here), 0);
	if (link_open("unix:tether", 0, deep, 1000, &f->link, &err) != RC_OK)
		fail_msg("%s", err.what);
	strcat(deep, "/tether");
	unlink(deep);
	deep[strlen(deep) - 7] = '\0';
	rmdir(deep);
	*state = f;
	tear_down(state);
}

/* Whether this machine has IPv6 or not: the address is a right one, and nobody listens at it. */
static void a_numeric_address_in_brackets_is_understood(void **state)
{
	struct err err = { 0 };
	struct link *link = NULL;

	(void)state;
	assert_int_not_equal(link_open("tcp:[::1]:1", 0, NULL, 0, &link, &err), RC_OK);
	if (!strstr(err.what, "link \"tcp:[::1]:1\": cannot connect: "))
		fail_msg("%s", err.what);
}

static void closing_nothing_is_fine(void **state)
{
	(void)state;
	link_close(NULL);
}

#define BOTH(name) \
	cmocka_unit_test_setup_teardown(name, unix_up, tear_down), \
		cmocka_unit_test_setup_teardown(name, tcp_up, tear_down)

int main(void)
{
	static const struct CMUnitTest tests[] = {
		BOTH(carries_and_counts_bytes),
		BOTH(keeps_what_was_pulled),
		BOTH(keeps_far_more_than_it_began_with),
		BOTH(tells_a_hang_up_from_silence),
		BOTH(writing_to_one_that_does_not_read_ends_in_time),
		BOTH(a_connection_that_is_lost_says_how),
		BOTH(what_a_socket_has_not_is_no_mistake),
		BOTH(reading_waits_as_long_as_told),
		BOTH(a_signal_ends_nothing),
		BOTH(a_wait_that_fails_leaves_it_to_the_write),
		BOTH(an_error_of_the_kernel_is_told_in_its_words),
		cmocka_unit_test(without_a_socket_it_ends_at_once),
		cmocka_unit_test(refuses_a_folder_that_is_too_long),
		cmocka_unit_test(a_name_of_several_addresses),
		cmocka_unit_test(an_address_that_never_answers_leaves_time_for_the_next),
		cmocka_unit_test_setup_teardown(what_nobody_reads_is_not_kept_for_ever, unix_up, tear_down),
		cmocka_unit_test(a_node_that_never_answers),
		cmocka_unit_test(a_bench_that_never_answers),
		cmocka_unit_test(refuses_bad_addresses),
		cmocka_unit_test(a_refused_connection_ends_in_time),
		cmocka_unit_test(connects_to_one_that_is_still_starting),
		cmocka_unit_test(reaches_a_socket_in_a_deep_folder),
		cmocka_unit_test(a_numeric_address_in_brackets_is_understood),
		cmocka_unit_test(closing_nothing_is_fine),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
