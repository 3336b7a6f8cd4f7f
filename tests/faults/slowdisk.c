/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Preloaded in tests: a disk that is slow. Each fsync and fdatasync takes SLOW_DISK_MS longer. */
#include <dlfcn.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

static void wait_ms(void)
{
	const char *text = getenv("SLOW_DISK_MS");
	long ms = text ? strtol(text, NULL, 10) : 0;
	struct timespec t = { .tv_sec = ms / 1000, .tv_nsec = ms % 1000 * 1000000 };

	while (nanosleep(&t, &t) != 0)
		;
}

static int slowly(const char *name, int fd)
{
	int (*next)(int);

	*(void **)&next = dlsym(RTLD_NEXT, name);
	if (next == NULL)
		abort();
	wait_ms();
	return next(fd);
}

int fsync(int fd)
{
	return slowly("fsync", fd);
}

int fdatasync(int fd)
{
	return slowly("fdatasync", fd);
}
