/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes as a file in memory, for readers that take a path. */
#ifndef BRIDLE_TESTS_FUZZ_BYTES_AS_FILE_H
#define BRIDLE_TESTS_FUZZ_BYTES_AS_FILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <sys/mman.h>
#include <unistd.h>

struct bytes_file {
	int fd; /* the caller's to close; the path ends with it */
	char path[40];
};

static inline bool bytes_as_file(const uint8_t *data, size_t n, struct bytes_file *ret)
{
	ret->fd = memfd_create("bytes", MFD_CLOEXEC);
	if (ret->fd < 0)
		return false;
	snprintf(ret->path, sizeof ret->path, "/proc/self/fd/%d", ret->fd);
	if (write(ret->fd, data, n) == (ssize_t)n)
		return true;
	close(ret->fd);
	return false;
}

#endif
