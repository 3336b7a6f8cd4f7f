/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside the room: what a kind of link gives to link.c. */
#ifndef BRIDLE_LINK_LINK_PRIVATE_H
#define BRIDLE_LINK_LINK_PRIVATE_H

#include "calib/number/err.h"

#include "channel/can_frame.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

/* Results of read and write besides a byte count. 0 from read or write: nothing now, try later. */
#define PART_GONE (-1)

struct part_ops {
	/* wait_ms 0: never waits; else up to that long for the first byte. */
	ssize_t (*read)(void *part, char *buf, size_t size, int wait_ms, int *ret_errno);
	ssize_t (*write)(void *part, const char *buf, size_t n, int *ret_errno);
	void (*close)(void *part);
	bool (*set_characters)(void *part, int parity_even, int stop_bits); /* NULL: it has none */
	bool (*filter)(void *part, const struct can_message *of, size_t n); /* NULL: it has none */
};

struct part {
	const struct part_ops *ops;
	void *ctx;
	int fd; /* for poll */
};

/* rest: the address behind its scheme. The part is the caller's to close. */
enum rc part_open_serial(const char *rest, int baud, struct part *ret, struct err *err) MUST_CHECK;
enum rc part_open_can(const char *rest, struct part *ret, struct err *err) MUST_CHECK;
/* fd: of a socket that gives and takes whole frames of the kernel; the part's from then on, also on an error. */
enum rc part_wrap_can(int fd, struct part *ret, struct err *err) MUST_CHECK;
enum rc part_open_tcp(const char *rest, int timeout_ms, struct part *ret, struct err *err) MUST_CHECK;
enum rc part_open_unix(const char *rest, const char *base, int timeout_ms, struct part *ret,
		       struct err *err) MUST_CHECK;

/* The machine's monotonic clock in ms: timeouts of a link are in machine time. */
int64_t part_now_ms(void);
/* Wait for events (POLLIN, POLLOUT) until deadline; 1 ready or hung up, 0 time over. */
int part_wait(int fd, short events, int64_t deadline_ms);

#endif
