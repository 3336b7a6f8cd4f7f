/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link_private.h"

#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sys/un.h>
#include <unistd.h>

#define RETRY_MS 10

/* The socket itself blocks: a waiting read is then one system call, and the others say MSG_DONTWAIT. */
struct sock {
	int fd;
	int wait_ms; /* what SO_RCVTIMEO is set to */
};

static ssize_t sock_read(void *part, char *buf, size_t size, int wait_ms, int *ret_errno)
{
	struct sock *s = part;
	ssize_t n;

	if (wait_ms > 0 && wait_ms != s->wait_ms) {
		struct timeval t = { .tv_sec = wait_ms / 1000, .tv_usec = wait_ms % 1000 * 1000 };

		setsockopt(s->fd, SOL_SOCKET, SO_RCVTIMEO, &t, sizeof t);
		s->wait_ms = wait_ms;
	}
	do
		n = recv(s->fd, buf, size, wait_ms > 0 ? 0 : MSG_DONTWAIT);
	while (n < 0 && errno == EINTR);
	if (n > 0)
		return n;
	if (n < 0 && errno == EAGAIN)
		return 0;
	*ret_errno = n == 0 ? 0 : errno;
	return PART_GONE;
}

static ssize_t sock_write(void *part, const char *buf, size_t n, int *ret_errno)
{
	const struct sock *s = part;
	ssize_t done = send(s->fd, buf, n, MSG_DONTWAIT | MSG_NOSIGNAL);

	if (done >= 0)
		return done;
	if (errno == EAGAIN || errno == EINTR)
		return 0;
	*ret_errno = errno;
	return PART_GONE;
}

static void sock_close(void *part)
{
	struct sock *s = part;

	close(s->fd);
	free(s);
}

static const struct part_ops sock_ops = { sock_read, sock_write, sock_close, NULL, NULL };

/* 0 connected, or the errno. */
static int connect_by(int fd, const struct sockaddr *to, socklen_t len, int64_t deadline_ms)
{
	int result = 0, flags = fcntl(fd, F_GETFL);
	socklen_t size = sizeof result;

	fcntl(fd, F_SETFL, flags | O_NONBLOCK);
	if (connect(fd, to, len) != 0) {
		if (errno != EINPROGRESS)
			return errno;
		if (part_wait(fd, POLLOUT, deadline_ms) == 0)
			return ETIMEDOUT;
		getsockopt(fd, SOL_SOCKET, SO_ERROR, &result, &size);
	}
	fcntl(fd, F_SETFL, flags);
	return result;
}

/* A bench that is just starting has no socket yet, refuses, or (unix) has its backlog full. */
static bool worth_another_try(int e)
{
	return e == ECONNREFUSED || e == ENOENT || e == EAGAIN || e == ETIMEDOUT;
}

/* again: who refuses is asked again until then. */
static enum rc connect_until(const struct sockaddr *to, socklen_t len, bool again, int64_t deadline_ms, int *ret_fd,
			     int *ret_errno)
{
	for (;;) {
		int fd = socket(to->sa_family, SOCK_STREAM | SOCK_CLOEXEC, 0);

		*ret_errno = fd < 0 ? errno : connect_by(fd, to, len, deadline_ms);
		if (*ret_errno == 0) {
			*ret_fd = fd;
			return RC_OK;
		}
		if (fd >= 0)
			close(fd);
		if (!again || !worth_another_try(*ret_errno))
			return RC_IO;
		if (part_now_ms() + RETRY_MS > deadline_ms)
			return RC_TIMEOUT;
		poll(NULL, 0, RETRY_MS);
	}
}

static enum rc keep(int fd, struct part *ret, struct err *err)
{
	struct sock *s = malloc(sizeof *s);

	if (s == NULL) {
		close(fd);
		return err_set(err, RC_NOMEM, 0, "out of memory for a socket");
	}
	*s = (struct sock){ .fd = fd };
	*ret = (struct part){ .ops = &sock_ops, .ctx = s, .fd = fd };
	return RC_OK;
}

static bool split_host_port(const char *rest, char *host, size_t size, const char **ret_port)
{
	const char *colon = strrchr(rest, ':'), *begin = rest, *end = colon;
	char *stop;
	long port;

	if (colon == NULL || colon == rest)
		return false;
	if (*rest == '[') {
		begin++;
		end--;
		if (end <= begin || *end != ']')
			return false;
	}
	port = strtol(colon + 1, &stop, 10);
	if (colon[1] < '0' || colon[1] > '9' || *stop != '\0' || port < 1 || port > 65535 ||
	    (size_t)(end - begin) >= size)
		return false;
	memcpy(host, begin, (size_t)(end - begin));
	host[end - begin] = '\0';
	*ret_port = colon + 1;
	return true;
}

enum rc part_open_tcp(const char *rest, int timeout_ms, struct part *ret, struct err *err)
{
	const struct addrinfo hints = { .ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM };
	int64_t deadline_ms = part_now_ms() + timeout_ms;
	struct addrinfo *list;
	const char *port;
	char host[256];
	int fd = -1, e = 0, one = 1;
	enum rc rc = RC_IO;

	if (!split_host_port(rest, host, sizeof host, &port))
		return err_set(err, RC_ARG, 0, "link \"tcp:%s\": expected tcp:HOST:PORT with a port from 1 to 65535",
			       rest);
	e = getaddrinfo(host, port, &hints, &list);
	if (e != 0)
		return err_set(err, RC_IO, 0, "link \"tcp:%s\": cannot find the host: %s", rest, gai_strerror(e));
	/* All but the last address are tried once only, for an equal share of the time. */
	for (struct addrinfo *a = list; a != NULL && rc != RC_OK; a = a->ai_next) {
		int64_t now_ms = part_now_ms();
		int left = 1;

		for (const struct addrinfo *more = a->ai_next; more != NULL; more = more->ai_next)
			left++;
		rc = connect_until(a->ai_addr, a->ai_addrlen, left == 1, now_ms + (deadline_ms - now_ms) / left, &fd,
				   &e);
	}
	freeaddrinfo(list);
	if (rc != RC_OK)
		return err_set(err, rc, e, "link \"tcp:%s\": cannot connect: %s; is the node or bench running?", rest,
			       strerror(e));
	setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
	return keep(fd, ret, err);
}

/* A path of a socket has at most 107 bytes. A longer one goes through its folder's descriptor. */
static int shorten(const char *path, struct sockaddr_un *to, int *ret_dir)
{
	const char *slash = strrchr(path, '/');
	char folder[700];
	int n;

	*ret_dir = -1;
	if (strlen(path) < sizeof to->sun_path) {
		strcpy(to->sun_path, path);
		return 0;
	}
	if (slash == NULL || (size_t)(slash - path) >= sizeof folder)
		return ENAMETOOLONG;
	memcpy(folder, path, (size_t)(slash - path));
	folder[slash - path] = '\0';
	*ret_dir = open(folder, O_PATH | O_DIRECTORY | O_CLOEXEC);
	if (*ret_dir < 0)
		return errno;
	n = snprintf(to->sun_path, sizeof to->sun_path, "/proc/self/fd/%d%s", *ret_dir, slash);
	return n < (int)sizeof to->sun_path ? 0 : ENAMETOOLONG;
}

enum rc part_open_unix(const char *rest, const char *base, int timeout_ms, struct part *ret, struct err *err)
{
	struct sockaddr_un to = { .sun_family = AF_UNIX };
	int64_t deadline_ms = part_now_ms() + timeout_ms;
	char path[1000];
	bool relative = base != NULL && *rest != '/';
	int fd = -1, dir, e, n;
	enum rc rc = RC_IO;

	if (*rest == '\0')
		return err_set(err, RC_ARG, 0, "link \"unix:\": expected unix:PATH");
	n = snprintf(path, sizeof path, "%s%s%s", relative ? base : "", relative ? "/" : "", rest);
	e = n < (int)sizeof path ? shorten(path, &to, &dir) : ENAMETOOLONG;
	if (e == 0)
		rc = connect_until((const struct sockaddr *)&to, sizeof to, true, deadline_ms, &fd, &e);
	if (n < (int)sizeof path && dir >= 0)
		close(dir);
	if (rc != RC_OK)
		return err_set(err, rc, e, "link \"unix:%s\": cannot connect: %s; is the bench running?", path,
			       strerror(e));
	return keep(fd, ret, err);
}
