/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/serve.h"
#include "bench/control_side.h"
#include "node/tether.h"

#include <errno.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define WAIT_BYTES_MS 2000 /* for bytes that the host says it has written */
#define WAIT_WRITE_MS 2000 /* for a host that does not read */
#define REAL_TIME_MS 2     /* between looks at the machine's clock */
#define PTY_LOOK_MS 20     /* a pseudo-terminal cannot say that somebody came */
#define PORTION_US 250000  /* of a long advance: what falls due is written after each */
#define LEAP_US 1000000    /* most that bench time catches up at once after the machine slept */

struct server {
	const struct serve_config *config;
	struct world *world;
	int tether, control; /* connections, -1 = none */
	struct more {
		int fd;
		uint64_t received, sent;
	} more[PROFILE_INSTRUMENTS]; /* lines of other instruments */
	int refused;                 /* a second host, which has been told so and may read it; -1 = none */
	uint64_t received, sent;     /* on this tether connection */
	struct control_side side;
	bool had_control, real_time;
	int64_t anchor_ns, anchor_us; /* machine's clock and bench time when real time began */
};

static int64_t machine_ns(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static void drop_tether(struct server *s)
{
	if (s->tether >= 0 && !s->config->tether.is_pty)
		close(s->tether);
	s->tether = -1;
}

static void drop_control(struct server *s)
{
	if (s->control >= 0)
		close(s->control);
	s->control = -1;
}

static void wait_fd(int fd, short events, int ms)
{
	struct pollfd p = { .fd = fd, .events = events };

	poll(&p, 1, ms);
}

/* True when something came. */
static bool read_tether(struct server *s)
{
	char buf[4096];
	ssize_t n = s->tether < 0 ? 0 : read(s->tether, buf, sizeof buf);

	if (n > 0) {
		s->received += (uint64_t)n;
		world_receive(s->world, buf, (size_t)n);
		return true;
	}
	if (s->tether >= 0 && (n == 0 || (errno != EAGAIN && errno != EINTR)))
		drop_tether(s);
	return false;
}

/* In lock-step all of it goes out; in real time what a host does not read is lost, as on a real line. */
static void write_tether(struct server *s, const char *buf, size_t n)
{
	int64_t deadline_ns = 0;

	while (n > 0 && s->tether >= 0) {
		ssize_t done =
			s->config->tether.is_pty ? write(s->tether, buf, n) : send(s->tether, buf, n, MSG_NOSIGNAL);

		if (done > 0) {
			s->sent += (uint64_t)done;
			buf += done;
			n -= (size_t)done;
		} else if (errno == EAGAIN) {
			if (deadline_ns == 0)
				deadline_ns = machine_ns() + WAIT_WRITE_MS * 1000000LL;
			if (s->control < 0)
				return;
			if (machine_ns() > deadline_ns)
				drop_tether(s);
			else
				wait_fd(s->tether, POLLOUT, WAIT_WRITE_MS);
		} else if (errno != EINTR) {
			drop_tether(s);
		}
	}
}

/* True when something came. */
static bool read_more(struct server *s, size_t i)
{
	struct more *m = &s->more[i];
	char buf[512];
	ssize_t n = m->fd < 0 ? 0 : read(m->fd, buf, sizeof buf);

	if (n > 0) {
		m->received += (uint64_t)n;
		world_receive_line(s->world, i, buf, (size_t)n);
		return true;
	}
	if (m->fd >= 0 && (n == 0 || (errno != EAGAIN && errno != EINTR))) {
		close(m->fd);
		m->fd = -1;
	}
	return false;
}

static void take_more(struct server *s, size_t i)
{
	int fd;

	while (s->more[i].fd >= 0 && read_more(s, i)) {
	}
	fd = listen_accept(&s->config->more[i]);
	if (fd < 0)
		return;
	if (s->more[i].fd >= 0) /* one host at a time */
		close(fd);
	else
		s->more[i] = (struct more){ .fd = fd };
}

/* An answer is short: it fits the transport at once, or its host is gone. */
static void write_more(struct server *s, size_t i)
{
	char buf[256];
	size_t n;

	while ((n = world_take_line(s->world, i, buf, sizeof buf)) > 0) {
		ssize_t done = s->more[i].fd < 0 ? 0 : send(s->more[i].fd, buf, n, MSG_NOSIGNAL);
		s->more[i].sent += done > 0 ? (uint64_t)done : 0;
	}
}

static void write_due(struct server *s)
{
	char buf[4096];
	size_t n;

	while ((n = world_take(s->world, buf, sizeof buf)) > 0)
		write_tether(s, buf, n);
	for (size_t i = 0; i < s->config->n_more; i++)
		write_more(s, i);
}

static void move_to(struct server *s, int64_t t_us)
{
	while (s->world->now_us < t_us) {
		int64_t left_us = t_us - s->world->now_us;

		world_advance(s->world, left_us < PORTION_US ? t_us : s->world->now_us + PORTION_US);
		if (s->world->faults.link_cut)
			drop_tether(s);
		write_due(s);
	}
	write_due(s); /* an advance by nothing still writes */
}

/* One host at a time. The line stays open on this side until the other has read and closed it: bytes that nobody takes
 * would end it with an error before the words are read. */
static void refuse(struct server *s, int fd)
{
	struct tether_writer w;

	tether_begin_seq(&w, '!', 0);
	tether_put_words(&w, "no busy");
	size_t n = tether_end(&w);
	if (s->refused >= 0)
		close(s->refused);
	s->refused = fd;
	if (send(fd, w.line, n, MSG_NOSIGNAL) != (ssize_t)n || shutdown(fd, SHUT_WR) != 0) {
		close(fd);
		s->refused = -1;
	}
}

static void read_refused(struct server *s)
{
	char buf[512];
	ssize_t n = read(s->refused, buf, sizeof buf);

	if (n > 0 || (n < 0 && (errno == EAGAIN || errno == EINTR)))
		return;
	close(s->refused);
	s->refused = -1;
}

static void take_tether(struct server *s)
{
	const struct listener *l = &s->config->tether;
	int fd;

	if (l->is_pty) {
		bool used = listen_pty_used(l);

		if (used && s->tether < 0)
			s->received = s->sent = 0;
		s->tether = used ? l->fd : -1;
		return;
	}
	while (s->tether >= 0 && read_tether(s)) {
	}
	fd = listen_accept(l);
	if (fd < 0)
		return;
	if (s->world->faults.link_cut) {
		close(fd);
		return;
	}
	if (s->tether >= 0) {
		refuse(s, fd);
		return;
	}
	s->tether = fd;
	s->received = s->sent = 0;
}

static void take_control(struct server *s)
{
	int fd = listen_accept(&s->config->control);

	if (fd < 0)
		return;
	if (s->control >= 0) {
		refuse(s, fd);
		return;
	}
	s->control = fd;
	s->had_control = true;
	control_side_begin(&s->side);
	if (s->config->tether.is_pty) /* it cannot tell one host from the next */
		s->received = s->sent = 0;
}

/* A host that does not read its answers is gone: nobody shall keep the bench from its other lines and its end. */
static void answer(struct server *s)
{
	int64_t deadline_ns = machine_ns() + WAIT_WRITE_MS * 1000000LL;
	size_t done = 0;

	while (s->control >= 0 && done < s->side.answer_n) {
		ssize_t n = send(s->control, s->side.answer + done, s->side.answer_n - done, MSG_NOSIGNAL);

		if (n > 0)
			done += (size_t)n;
		else if (errno == EAGAIN && machine_ns() < deadline_ns)
			wait_fd(s->control, POLLOUT, WAIT_WRITE_MS);
		else if (errno != EINTR)
			drop_control(s);
	}
}

static bool await_more(struct server *s, size_t i)
{
	int64_t deadline_ns = machine_ns() + WAIT_BYTES_MS * 1000000LL;

	while (s->more[i].received < s->side.received[1 + i]) {
		if (s->more[i].fd < 0)
			take_more(s, i);
		if (s->more[i].fd < 0)
			return true;
		if (read_more(s, i) || s->more[i].fd < 0)
			continue;
		if (machine_ns() > deadline_ns)
			return false;
		wait_fd(s->more[i].fd, POLLIN, 10);
	}
	return true;
}

/* The bytes that the host says it has written, or false after 2 s. */
static bool await_bytes(struct server *s)
{
	int64_t deadline_ns = 0;

	while (s->received < s->side.received[0]) {
		if (s->tether < 0)
			take_tether(s);
		if (s->tether < 0)
			return true; /* no host at the tether: the number is not looked at */
		if (read_tether(s) || s->tether < 0)
			continue;
		if (deadline_ns == 0)
			deadline_ns = machine_ns() + WAIT_BYTES_MS * 1000000LL;
		if (machine_ns() > deadline_ns)
			return false;
		wait_fd(s->tether, POLLIN, 10);
	}
	return true;
}

static void advance(struct server *s)
{
	uint64_t sent[SIDE_LINES] = { 0 };
	bool all = await_bytes(s);

	for (size_t i = 0; i + 1 < s->side.lines && all; i++)
		all = await_more(s, i);
	if (!all) {
		control_side_no_bytes(&s->side);
		return;
	}
	move_to(s, s->side.advance_us);
	if (s->world->faults.held_us > 0) {
		move_to(s, s->world->now_us + s->world->faults.held_us);
		s->world->faults.held_us = 0;
	}
	sent[0] = s->tether < 0 ? 0 : s->sent;
	for (size_t i = 0; i < s->config->n_more; i++)
		sent[1 + i] = s->more[i].fd < 0 ? 0 : s->more[i].sent;
	control_side_advanced(&s->side, s->world->now_us, sent);
}

static void read_control(struct server *s)
{
	char buf[512];
	ssize_t n = read(s->control, buf, sizeof buf);

	if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
		drop_control(s);
		return;
	}
	for (ssize_t i = 0; i < n && s->control >= 0; i++) {
		enum control_step todo = control_side_feed(&s->side, s->world, buf[i]);

		if (todo == CONTROL_ADVANCE)
			advance(s);
		if (todo != CONTROL_NONE)
			answer(s);
	}
}

static bool at_rest(const struct server *s)
{
	const struct node_side *node = &s->world->node;

	/* An idle node that was told to close the contactor has a lease, too. */
	return (node->state == NODE_SIDE_IDLE && node->lease_us == INT64_MAX) || node->state == NODE_SIDE_SAFE;
}

/* Somebody at another line than the tether: a warden whose host is gone. */
static bool has_more(const struct server *s)
{
	for (size_t i = 0; i < s->config->n_more; i++)
		if (s->more[i].fd >= 0)
			return true;
	return false;
}

static void keep_real_time(struct server *s)
{
	bool wanted = s->control < 0 && (s->tether >= 0 || has_more(s) || !at_rest(s));
	int64_t now_ns = machine_ns(), t_us;

	if (wanted && !s->real_time) {
		s->anchor_ns = now_ns;
		s->anchor_us = s->world->now_us;
	}
	s->real_time = wanted;
	if (!wanted)
		return;
	t_us = s->anchor_us + (now_ns - s->anchor_ns) / 1000;
	if (t_us > s->world->now_us + LEAP_US) {
		t_us = s->world->now_us + LEAP_US;
		s->anchor_ns = now_ns;
		s->anchor_us = t_us;
	}
	move_to(s, t_us);
}

static int patience_ms(const struct server *s)
{
	if (s->real_time)
		return REAL_TIME_MS;
	return s->config->tether.is_pty && s->tether < 0 ? PTY_LOOK_MS : -1;
}

enum rc serve(const struct serve_config *config, struct err *err)
{
	struct server s = { .config = config, .world = config->world, .tether = -1, .control = -1, .refused = -1 };

	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		s.more[i].fd = -1;

	for (;;) {
		struct pollfd p[6 + 2 * PROFILE_INSTRUMENTS] = {
			{ .fd = config->stop_fd, .events = POLLIN },
			{ .fd = s.tether, .events = POLLIN },
			{ .fd = s.control, .events = POLLIN },
			{ .fd = config->tether.is_pty ? -1 : config->tether.fd, .events = POLLIN },
			{ .fd = config->control.fd, .events = POLLIN },
			{ .fd = s.refused, .events = POLLIN },
		};
		for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++) {
			bool there = i < config->n_more;
			p[6 + 2 * i] = (struct pollfd){ .fd = there ? config->more[i].fd : -1, .events = POLLIN };
			p[7 + 2 * i] = (struct pollfd){ .fd = there ? s.more[i].fd : -1, .events = POLLIN };
		}

		if (poll(p, sizeof p / sizeof p[0], patience_ms(&s)) < 0 && errno != EINTR)
			return err_set(err, RC_IO, errno, "cannot wait for hosts: %s", strerror(errno));
		if (p[0].revents != 0)
			break;
		if (s.control < 0)
			keep_real_time(&s); /* before the bytes: they are acted on now */
		if (p[1].revents != 0)
			read_tether(&s);
		if (p[3].revents != 0 || config->tether.is_pty)
			take_tether(&s);
		for (size_t i = 0; i < config->n_more; i++)
			if (p[6 + 2 * i].revents != 0 || p[7 + 2 * i].revents != 0)
				take_more(&s, i);
		if (p[2].revents != 0 && s.control >= 0)
			read_control(&s);
		if (p[5].revents != 0)
			read_refused(&s);
		if (p[4].revents != 0)
			take_control(&s);
		keep_real_time(&s);
		if (config->once && s.had_control && s.control < 0 && at_rest(&s))
			break;
	}
	drop_tether(&s);
	drop_control(&s);
	if (s.refused >= 0)
		close(s.refused);
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++)
		if (s.more[i].fd >= 0)
			close(s.more[i].fd);
	return RC_OK;
}
