/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Preloaded in tests: lets the unchanged libserialport open a pseudo-terminal.
 *
 * The library wants a port's name in /sys/class/tty to be a link that it can follow (0.1.1 by lstat and readlink,
 * 0.1.2 by lstat and realpath) and its modem lines to be readable. A pty has neither. Here both are
 * answered for /dev/pts/N, and everything else goes to the C library. */

/* Else lstat below would come out under the name lstat64, and the library asks for lstat. */
#undef _FILE_OFFSET_BITS

#include <dlfcn.h>
#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

#define CLASS "/sys/class/tty/pts/"
#define DEVICE "/sys/devices/virtual/tty/pty"

/* Not declared in every version of the C library. */
int __lxstat(int version, const char *path, struct stat *st);
ssize_t __readlink_chk(const char *path, char *buf, size_t n, size_t size);
char *__realpath_chk(const char *path, char *resolved, size_t size);

static int is_pty(const char *path)
{
	return strncmp(path, CLASS, sizeof CLASS - 1) == 0;
}

static void *real(const char *name)
{
	void *symbol = dlsym(RTLD_NEXT, name);

	if (symbol == NULL)
		abort();
	return symbol;
}

static int a_link(struct stat *st)
{
	memset(st, 0, sizeof *st);
	st->st_mode = S_IFLNK | 0777;
	return 0;
}

int lstat(const char *path, struct stat *st)
{
	int (*next)(const char *, struct stat *);

	if (is_pty(path))
		return a_link(st);
	*(void **)&next = real("lstat");
	return next(path, st);
}

int __lxstat(int version, const char *path, struct stat *st)
{
	int (*next)(int, const char *, struct stat *);

	if (is_pty(path))
		return a_link(st);
	*(void **)&next = real("__lxstat");
	return next(version, path, st);
}

static ssize_t link_text(char *buf, size_t n)
{
	size_t len = strlen(DEVICE);

	memcpy(buf, DEVICE, len < n ? len : n);
	return (ssize_t)(len < n ? len : n);
}

ssize_t readlink(const char *path, char *buf, size_t n)
{
	ssize_t (*next)(const char *, char *, size_t);

	if (is_pty(path))
		return link_text(buf, n);
	*(void **)&next = real("readlink");
	return next(path, buf, n);
}

ssize_t __readlink_chk(const char *path, char *buf, size_t n, size_t size)
{
	return readlink(path, buf, n < size ? n : size);
}

char *realpath(const char *path, char *resolved)
{
	char *(*next)(const char *, char *);

	if (is_pty(path)) {
		if (resolved == NULL)
			return strdup(DEVICE);
		return strcpy(resolved, DEVICE);
	}
	*(void **)&next = real("realpath");
	return next(path, resolved);
}

char *__realpath_chk(const char *path, char *resolved, size_t size)
{
	(void)size;
	return realpath(path, resolved);
}

int ioctl(int fd, unsigned long request, ...)
{
	int (*next)(int, unsigned long, ...);
	va_list args;
	void *arg;
	int result;

	va_start(args, request);
	arg = va_arg(args, void *);
	va_end(args);
	*(void **)&next = real("ioctl");
	result = next(fd, request, arg);
	if (result == 0 || (errno != ENOTTY && errno != EINVAL))
		return result;
	if (request == TIOCMGET)
		*(int *)arg = 0;
	else if (request != TIOCMSET && request != TIOCMBIS && request != TIOCMBIC)
		return result;
	return 0;
}
