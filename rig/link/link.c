/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link.h"
#include "link/link_private.h"

#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define KEEP_FIRST 16384
#define KEEP_MOST (16u << 20) /* half an hour of a full line that nobody reads */

struct link {
	struct part part;
	char address[300];
	uint64_t written, handed_out;
	bool gone;
	int gone_errno;
	struct {
		char *bytes;
		size_t size, at, n;
	} kept;
};

int64_t part_now_ms(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

int part_wait(int fd, short events, int64_t deadline_ms)
{
	struct pollfd p = { .fd = fd, .events = events };

	for (;;) {
		int64_t left = deadline_ms - part_now_ms();
		int n = poll(&p, 1, left > 0 ? (int)left : 0);

		if (n > 0)
			return 1;
		if (n == 0 || errno != EINTR)
			return n < 0; /* let the caller's read or write find out */
	}
}

static enum rc open_part(const char *address, int baud, const char *base, int timeout_ms, struct part *ret,
			 struct err *err)
{
	if (strncmp(address, "serial:", 7) == 0)
		return part_open_serial(address + 7, baud, ret, err);
	if (strncmp(address, "tcp:", 4) == 0)
		return part_open_tcp(address + 4, timeout_ms, ret, err);
	if (strncmp(address, "unix:", 5) == 0)
		return part_open_unix(address + 5, base, timeout_ms, ret, err);
	if (strncmp(address, "can:", 4) == 0)
		return part_open_can(address + 4, ret, err);
	return err_set(err, RC_ARG, 0, "link \"%s\": expected serial:/dev/NAME, tcp:HOST:PORT or unix:PATH", address);
}

enum rc link_open(const char *address, int baud, const char *base, int timeout_ms, struct link **ret, struct err *err)
{
	struct link *link = calloc(1, sizeof *link);
	enum rc rc;

	if (link == NULL || (link->kept.bytes = malloc(KEEP_FIRST)) == NULL) {
		free(link);
		return err_set(err, RC_NOMEM, 0, "out of memory for the link \"%s\"", address);
	}
	link->kept.size = KEEP_FIRST;
	if (strlen(address) >= sizeof link->address)
		rc = err_set(err, RC_ARG, 0, "link \"%.60s...\": the address is longer than %zu characters", address,
			     sizeof link->address - 1);
	else
		rc = open_part(address, baud, base, timeout_ms, &link->part, err);
	if (rc != RC_OK) {
		free(link->kept.bytes);
		free(link);
		return rc;
	}
	strcpy(link->address, address);
	*ret = link;
	return RC_OK;
}

enum rc link_set_characters(struct link *link, enum link_characters characters, struct err *err)
{
	bool (*set)(void *, int, int) = link->part.ops->set_characters;

	if (set == NULL || set(link->part.ctx, characters == LINK_8E1, characters == LINK_8N2 ? 2 : 1))
		return RC_OK;
	return err_set(err, RC_IO, 0,
		       "link \"%s\": this port cannot send characters of that form; see characters in rig.ini",
		       link->address);
}

bool link_filter(struct link *link, const struct can_message *of, size_t n)
{
	bool (*filter)(void *, const struct can_message *, size_t) = link->part.ops->filter;

	return filter == NULL || filter(link->part.ctx, of, n);
}

void link_close(struct link *link)
{
	if (link == NULL)
		return;
	link->part.ops->close(link->part.ctx);
	free(link->kept.bytes);
	free(link);
}

static enum rc say_gone(const struct link *link, struct err *err)
{
	if (link->gone_errno == 0)
		return err_set(err, RC_IO, 0, "%s: the other end closed the connection", link->address);
	return err_set(err, RC_IO, link->gone_errno, "%s: the connection to the other end is lost: %s", link->address,
		       strerror(link->gone_errno));
}

static size_t hand_out_kept(struct link *link, char *buf, size_t size)
{
	size_t n = link->kept.n < size ? link->kept.n : size;

	memcpy(buf, link->kept.bytes + link->kept.at, n);
	link->kept.n -= n;
	link->kept.at = link->kept.n == 0 ? 0 : link->kept.at + n;
	link->handed_out += n;
	return n;
}

enum rc link_read_wait(struct link *link, char *buf, size_t size, int timeout_ms, size_t *ret_n, struct err *err)
{
	ssize_t n;

	*ret_n = 0;
	if (link->kept.n > 0) {
		*ret_n = hand_out_kept(link, buf, size);
		return RC_OK;
	}
	if (link->gone)
		return say_gone(link, err);
	n = link->part.ops->read(link->part.ctx, buf, size, timeout_ms, &link->gone_errno);
	if (n < 0) {
		link->gone = true;
		return say_gone(link, err);
	}
	link->handed_out += (uint64_t)n;
	*ret_n = (size_t)n;
	return RC_OK;
}

enum rc link_read(struct link *link, char *buf, size_t size, size_t *ret_n, struct err *err)
{
	return link_read_wait(link, buf, size, 0, ret_n, err);
}

static enum rc make_room(struct link *link, struct err *err)
{
	size_t size = link->kept.size;
	char *bytes;

	if (link->kept.at > 0) {
		memmove(link->kept.bytes, link->kept.bytes + link->kept.at, link->kept.n);
		link->kept.at = 0;
	}
	if (link->kept.n < size)
		return RC_OK;
	bytes = size < KEEP_MOST ? realloc(link->kept.bytes, 2 * size) : NULL;
	if (bytes == NULL)
		return err_set(err, RC_NOMEM, 0, "%s: %zu bytes came in and nobody reads them", link->address,
			       link->kept.n);
	link->kept.bytes = bytes;
	link->kept.size = 2 * size;
	return RC_OK;
}

enum rc link_pull(struct link *link, uint64_t total, int timeout_ms, struct err *err)
{
	int64_t deadline_ms = 0;
	int wait_ms = 0;

	while (link->handed_out + link->kept.n < total) {
		size_t end = link->kept.at + link->kept.n;
		ssize_t n;

		if (link->gone)
			return say_gone(link, err);
		if (end == link->kept.size) {
			enum rc rc = make_room(link, err);

			if (rc != RC_OK)
				return rc;
			continue;
		}
		n = link->part.ops->read(link->part.ctx, link->kept.bytes + end, link->kept.size - end, wait_ms,
					 &link->gone_errno);
		if (n > 0) {
			link->kept.n += (size_t)n;
		} else if (n < 0) {
			link->gone = true;
		} else if (deadline_ms == 0) {
			/* The clock is asked only when the bytes are not there yet. */
			deadline_ms = part_now_ms() + timeout_ms;
			wait_ms = timeout_ms;
		} else if ((wait_ms = (int)(deadline_ms - part_now_ms())) <= 0) {
			return err_set(err, RC_TIMEOUT, 0, "%s: %llu of %llu bytes came within %d ms", link->address,
				       (unsigned long long)(link->handed_out + link->kept.n), (unsigned long long)total,
				       timeout_ms);
		}
	}
	return RC_OK;
}

enum rc link_write(struct link *link, const char *buf, size_t n, int timeout_ms, struct err *err)
{
	int64_t deadline_ms = -1;

	while (n > 0) {
		ssize_t done;

		if (link->gone)
			return say_gone(link, err);
		done = link->part.ops->write(link->part.ctx, buf, n, &link->gone_errno);
		if (done < 0) {
			link->gone = true;
			continue;
		}
		buf += done;
		n -= (size_t)done;
		link->written += (uint64_t)done;
		if (n == 0)
			break;
		if (deadline_ms < 0)
			deadline_ms = part_now_ms() + timeout_ms;
		if (part_wait(link->part.fd, POLLOUT, deadline_ms) == 0)
			return err_set(err, RC_TIMEOUT, 0, "%s: takes no more bytes (%zu left after %d ms)",
				       link->address, n, timeout_ms);
	}
	return RC_OK;
}

uint64_t link_bytes_written(const struct link *link)
{
	return link->written;
}

uint64_t link_bytes_read(const struct link *link)
{
	return link->handed_out;
}

int link_fd(const struct link *link)
{
	return link->part.fd;
}

void link_note_written(struct link *link, uint64_t bytes)
{
	link->written += bytes;
}

const char *link_address(const struct link *link)
{
	return link->address;
}
