/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/can_frame.h"
#include "link/link.h"
#include "link/link_can.h"
#include "link/link_private.h"

#include <errno.h>
#include <linux/can.h>
#include <linux/can/error.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define LINE_MOST 32

struct bus {
	int fd;
	char in[LINE_MOST]; /* a line that is not yet whole */
	size_t n;
};

size_t link_can_bytes(const struct can_message *m, char buf[LINK_CAN_BYTES])
{
	struct can_frame f = { .can_id = m->id | (m->is_long ? CAN_EFF_FLAG : 0), .len = m->n };

	_Static_assert(sizeof f == LINK_CAN_BYTES, "a frame of the kernel");
	memcpy(f.data, m->byte, m->n);
	memcpy(buf, &f, sizeof f);
	return sizeof f;
}

/* An error frame as the line that an adapter would send of it. */
static size_t put_error(const struct can_frame *f, char *buf)
{
	char state = f->can_id & CAN_ERR_BUSOFF                                          ? 'b'
		     : f->data[1] & (CAN_ERR_CRTL_TX_PASSIVE | CAN_ERR_CRTL_RX_PASSIVE)  ? 'p'
		     : f->data[1] & (CAN_ERR_CRTL_TX_WARNING | CAN_ERR_CRTL_RX_WARNING)  ? 'w'
		     : f->can_id & CAN_ERR_RESTARTED || f->data[1] & CAN_ERR_CRTL_ACTIVE ? 'a'
											 : '\0';

	return state ? (size_t)snprintf(buf, LINE_MOST, "s%c%03u%03u\r", state, f->data[7], f->data[6]) : 0;
}

static size_t put_line(const struct can_frame *f, char *buf)
{
	struct can_message m = { .id = f->can_id & CAN_EFF_MASK, .is_long = f->can_id & CAN_EFF_FLAG };

	if (f->can_id & CAN_ERR_FLAG)
		return put_error(f, buf);
	if (f->can_id & CAN_RTR_FLAG)
		return 0;
	m.n = f->len <= CAN_FRAME_BYTES ? f->len : CAN_FRAME_BYTES;
	memcpy(m.byte, f->data, m.n);
	return can_frame_put(&m, buf);
}

static ssize_t bus_read(void *part, char *buf, size_t size, int wait_ms, int *ret_errno)
{
	struct bus *b = part;
	char line[LINE_MOST];
	size_t at = 0;

	if (wait_ms > 0)
		(void)part_wait(b->fd, POLLIN, part_now_ms() + wait_ms);
	while (at + LINE_MOST <= size) {
		struct can_frame f;
		ssize_t n = recv(b->fd, &f, sizeof f, MSG_DONTWAIT);

		if (n < 0 && errno == EINTR)
			continue;
		if (n < 0 && (errno == EAGAIN || at > 0))
			break;
		if (n != sizeof f) {
			*ret_errno = n < 0 ? errno : 0;
			return PART_GONE;
		}
		size_t length = put_line(&f, line);
		memcpy(buf + at, line, length);
		at += length;
	}
	return (ssize_t)at;
}

/* What is no frame is for an adapter: bit rate, open, close, its status. */
static bool send_line(struct bus *b, int *ret_errno)
{
	struct can_message m;
	char frame[LINK_CAN_BYTES];

	b->in[b->n] = '\0';
	if (!can_frame_read(b->in, &m))
		return true;
	link_can_bytes(&m, frame);
	if (send(b->fd, frame, sizeof frame, MSG_DONTWAIT) == sizeof frame)
		return true;
	*ret_errno = errno;
	/* ENOBUFS: the queue is full since nobody acknowledges; the state of the bus says why. */
	return errno == EAGAIN || errno == EINTR || errno == ENOBUFS;
}

static ssize_t bus_write(void *part, const char *buf, size_t n, int *ret_errno)
{
	struct bus *b = part;

	for (size_t i = 0; i < n; i++) {
		if (buf[i] != '\r' && b->n < sizeof b->in - 1) {
			b->in[b->n++] = buf[i];
			continue;
		}
		if (!send_line(b, ret_errno))
			return PART_GONE;
		b->n = 0;
	}
	return (ssize_t)n;
}

static bool bus_filter(void *part, const struct can_message *of, size_t n)
{
	const struct bus *b = part;
	struct can_filter f[LINK_FILTERS];

	if (n > LINK_FILTERS)
		return false;
	for (size_t i = 0; i < n; i++) {
		f[i].can_id = of[i].id | (of[i].is_long ? CAN_EFF_FLAG : 0);
		f[i].can_mask = (of[i].is_long ? CAN_EFF_MASK : CAN_SFF_MASK) | CAN_EFF_FLAG | CAN_RTR_FLAG;
	}
	return setsockopt(b->fd, SOL_CAN_RAW, CAN_RAW_FILTER, f, (socklen_t)(n * sizeof f[0])) == 0;
}

static void bus_close(void *part)
{
	struct bus *b = part;

	close(b->fd);
	free(b);
}

static enum rc bind_to(int fd, const char *name, struct err *err)
{
	const can_err_mask_t errors = CAN_ERR_CRTL | CAN_ERR_BUSOFF | CAN_ERR_RESTARTED;
	struct sockaddr_can to = { .can_family = AF_CAN, .can_ifindex = (int)if_nametoindex(name) };

	if (to.can_ifindex == 0)
		return err_set(err, RC_IO, errno, "link \"can:%s\": there is no such interface; \"ip link\" lists them",
			       name);
	setsockopt(fd, SOL_CAN_RAW, CAN_RAW_ERR_FILTER, &errors, sizeof errors);
	if (bind(fd, (const struct sockaddr *)&to, sizeof to) != 0)
		return err_set(err, RC_IO, errno,
			       "link \"can:%s\": cannot open it: %s; is it a CAN interface that is up?", name,
			       strerror(errno));
	return RC_OK;
}

enum rc part_wrap_can(int fd, struct part *ret, struct err *err)
{
	static const struct part_ops ops = { bus_read, bus_write, bus_close, NULL, bus_filter };
	struct bus *b = calloc(1, sizeof *b);

	if (b == NULL) {
		close(fd);
		return err_set(err, RC_NOMEM, 0, "out of memory for a socket");
	}
	b->fd = fd;
	*ret = (struct part){ .ops = &ops, .ctx = b, .fd = fd };
	return RC_OK;
}

enum rc part_open_can(const char *rest, struct part *ret, struct err *err)
{
	int fd = socket(PF_CAN, SOCK_RAW | SOCK_CLOEXEC, CAN_RAW);

	if (fd < 0)
		return err_set(err, RC_IO, errno, "link \"can:%s\": this computer's kernel has no CAN: %s", rest,
			       strerror(errno));
	enum rc rc = bind_to(fd, rest, err);
	if (rc == RC_OK)
		return part_wrap_can(fd, ret, err);
	close(fd);
	return rc;
}
