/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/listen.h"

#include <errno.h>
#include <fcntl.h>
#include <arpa/inet.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <termios.h>
#include <unistd.h>

static bool answers(const struct sockaddr_un *where)
{
	int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
	bool yes = fd >= 0 && (connect(fd, (const struct sockaddr *)where, sizeof *where) == 0 || errno == EAGAIN);

	if (fd >= 0)
		close(fd);
	return yes;
}

static enum rc clear_way(const struct sockaddr_un *where, const char *path, struct err *err)
{
	struct stat st;

	if (lstat(path, &st) != 0)
		return RC_OK;
	if (!S_ISSOCK(st.st_mode))
		return err_set(err, RC_ARG, 0, "%s: is not a socket; rig.ini must name another place", path);
	if (answers(where))
		return err_set(err, RC_ARG, 0, "%s: another bench is running there; stop it first", path);
	unlink(path);
	return RC_OK;
}

static enum rc listen_unix(const char *path, const char *folder, struct listener *ret, struct err *err)
{
	struct sockaddr_un where = { .sun_family = AF_UNIX };
	int dir = -1;
	enum rc rc;

	if (path[0] == '/')
		snprintf(ret->unlink, sizeof ret->unlink, "%s", path);
	else
		snprintf(ret->unlink, sizeof ret->unlink, "%s/%s", folder, path);
	if (strlen(ret->unlink) < sizeof where.sun_path) {
		strcpy(where.sun_path, ret->unlink);
	} else { /* longer than an address may be: through the folder's descriptor */
		dir = open(folder, O_PATH | O_DIRECTORY | O_CLOEXEC);
		if (path[0] == '/' || dir < 0 ||
		    snprintf(where.sun_path, sizeof where.sun_path, "/proc/self/fd/%d/%s", dir, path) >=
			    (int)sizeof where.sun_path)
			return err_set(err, RC_ARG, 0, "unix:%s: the path is too long for a socket", path);
	}
	rc = clear_way(&where, ret->unlink, err);
	ret->fd = rc == RC_OK ? socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0) : -1;
	if (rc == RC_OK && (ret->fd < 0 || bind(ret->fd, (const struct sockaddr *)&where, sizeof where) != 0 ||
			    listen(ret->fd, 4) != 0))
		rc = err_set(err, RC_IO, errno, "unix:%s: cannot listen: %s", path, strerror(errno));
	if (dir >= 0)
		close(dir);
	return rc;
}

static bool is_loopback(const struct sockaddr *at)
{
	if (at->sa_family == AF_INET)
		return ntohl(((const struct sockaddr_in *)(const void *)at)->sin_addr.s_addr) >> 24 == IN_LOOPBACKNET;
	return at->sa_family == AF_INET6 &&
	       IN6_IS_ADDR_LOOPBACK(&((const struct sockaddr_in6 *)(const void *)at)->sin6_addr);
}

static enum rc listen_tcp(const char *rest, struct listener *ret, struct err *err)
{
	const struct addrinfo hints = { .ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM, .ai_flags = AI_PASSIVE };
	const char *colon = strrchr(rest, ':');
	struct addrinfo *list;
	char host[256];
	int one = 1, e;

	if (colon == NULL || colon == rest || (size_t)(colon - rest) >= sizeof host)
		return err_set(err, RC_ARG, 0, "tcp:%s: expected tcp:HOST:PORT", rest);
	snprintf(host, sizeof host, "%.*s", (int)(colon - rest), rest);
	if (host[0] == '[' && host[strlen(host) - 1] == ']') {
		host[strlen(host) - 1] = '\0';
		memmove(host, host + 1, strlen(host));
	}
	e = getaddrinfo(host, colon + 1, &hints, &list);
	if (e != 0)
		return err_set(err, RC_ARG, 0, "tcp:%s: %s", rest, gai_strerror(e));
	ret->is_open = !is_loopback(list->ai_addr);
	ret->fd = socket(list->ai_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
	e = 0;
	if (ret->fd < 0 || setsockopt(ret->fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one) != 0 ||
	    bind(ret->fd, list->ai_addr, list->ai_addrlen) != 0 || listen(ret->fd, 4) != 0)
		e = errno;
	freeaddrinfo(list);
	if (e == EADDRINUSE)
		return err_set(err, RC_ARG, 0,
			       "tcp:%s: something is listening there already; stop it or name another port", rest);
	return e == 0 ? RC_OK : err_set(err, RC_IO, e, "tcp:%s: cannot listen: %s", rest, strerror(e));
}

enum rc listen_open(const char *address, const char *folder, struct listener *ret, struct err *err)
{
	enum rc rc;

	memset(ret, 0, sizeof *ret);
	ret->fd = -1;
	snprintf(ret->shown, sizeof ret->shown, "%s", address);
	if (strncmp(address, "unix:", 5) == 0)
		rc = listen_unix(address + 5, folder, ret, err);
	else if (strncmp(address, "tcp:", 4) == 0)
		rc = listen_tcp(address + 4, ret, err);
	else
		rc = err_set(err, RC_ARG, 0, "\"%s\": a virtual bench listens at unix:PATH or tcp:HOST:PORT", address);
	if (rc != RC_OK) {
		if (ret->fd < 0)
			ret->unlink[0] = '\0'; /* not ours */
		listen_close(ret);
	}
	return rc;
}

enum rc listen_pty(struct listener *ret, struct err *err)
{
	struct termios raw;
	const char *name;
	int slave;

	memset(ret, 0, sizeof *ret);
	ret->is_pty = true;
	ret->fd = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
	if (ret->fd < 0 || grantpt(ret->fd) != 0 || unlockpt(ret->fd) != 0 || (name = ptsname(ret->fd)) == NULL ||
	    (slave = open(name, O_RDWR | O_NOCTTY | O_CLOEXEC)) < 0) {
		listen_close(ret);
		return err_set(err, RC_IO, errno, "cannot make a pseudo-terminal: %s", strerror(errno));
	}
	tcgetattr(slave, &raw);
	cfmakeraw(&raw);
	tcsetattr(slave, TCSANOW, &raw);
	snprintf(ret->shown, sizeof ret->shown, "%s", name);
	close(slave); /* from now on the master hangs up while nobody has it open */
	return RC_OK;
}

void listen_close(struct listener *listener)
{
	if (listener->fd >= 0)
		close(listener->fd);
	if (listener->unlink[0] != '\0')
		unlink(listener->unlink);
	listener->fd = -1;
	listener->unlink[0] = '\0';
}

int listen_accept(const struct listener *listener)
{
	int one = 1, fd = accept4(listener->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);

	if (fd >= 0 && listener->unlink[0] == '\0')
		setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
	return fd;
}

bool listen_pty_used(const struct listener *listener)
{
	struct pollfd p = { .fd = listener->fd };

	return poll(&p, 1, 0) == 0 || (p.revents & POLLHUP) == 0;
}
