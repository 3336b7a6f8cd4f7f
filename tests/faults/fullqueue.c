/* SPDX-License-Identifier: GPL-3.0-or-later */
/* LD_PRELOAD: the queue of a CAN interface that nobody empties. send() of what begins with 'D' fails with ENOBUFS for
 * FULL_MS milliseconds from its first call on; everything else goes through. */
#include <dlfcn.h>
#include <errno.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <time.h>

static int64_t now_ms(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

ssize_t send(int fd, const void *buf, size_t n, int flags)
{
	static ssize_t (*real)(int, const void *, size_t, int);
	static int64_t since;

	if (real == NULL)
		*(void **)&real = dlsym(RTLD_NEXT, "send");
	if (n > 0 && *(const char *)buf == 'D' && getenv("FULL_MS") != NULL) {
		since = since ? since : now_ms();
		if (now_ms() - since < atoi(getenv("FULL_MS"))) {
			errno = ENOBUFS;
			return -1;
		}
	}
	return real(fd, buf, n, flags);
}
