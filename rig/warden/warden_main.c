/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle-warden: the process around warden_step. It allocates nothing and opens nothing after its welcome. */
#include "warden/warden_gpio.h"
#include "warden/warden_wire.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define PRIORITY 60 /* above the loop's: one that spins must not keep the warden away */
#define HELLO_S 5
#define FEED_NS 1000000000LL
#define STACK 65536
#define RETRY_NS 5000000LL

struct out {
	bool gone;
	bool full;      /* a CAN interface's queue: poll does not tell when it takes a frame again */
	unsigned order; /* whose bytes wait */
	size_t n;       /* of them: nothing is added behind them */
	char byte[WARDEN_BYTES * 2 + 8];
};

struct process {
	struct wire_hello hello;
	struct warden warden;
	struct warden_out next;
	struct out line[WARDEN_LINES];
	uint64_t written[WARDEN_LINES];
	unsigned done,
		waiting; /* ORDER_...: for the next step; given to every line that has them, and not yet whole on all */
	int signals, watchdog;
	bool asked, refused;
	int64_t fed_ns;
};

static int64_t now_ns(void)
{
	struct timespec t;

	clock_gettime(CLOCK_BOOTTIME, &t);
	return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

/* The host shares these descriptors: their flags are left alone. */
static ssize_t put(int fd, bool gpio, const char *byte, size_t n)
{
	if (gpio)
		return warden_gpio_set(fd, byte[n - 1] == WARDEN_GPIO_CLOSE[0]) ? (ssize_t)n : -1;
	ssize_t done = send(fd, byte, n, MSG_DONTWAIT | MSG_NOSIGNAL);

	return done < 0 && errno == ENOTSOCK ? write(fd, byte, n) : done;
}

static void flush_line(struct process *p, size_t i)
{
	struct out *out = &p->line[i];

	while (out->n > 0 && !out->gone) {
		ssize_t done = put(WIRE_FD_LINE + (int)i, p->hello.config.line[i].gpio, out->byte, out->n);

		if (done < 0 && errno == EINTR)
			continue;
		out->full = done < 0 && errno == ENOBUFS;
		if (done <= 0) {
			out->gone = done == 0 || (errno != EAGAIN && errno != EWOULDBLOCK && errno != ENOBUFS);
			return;
		}
		p->written[i] += (uint64_t)done;
		out->n -= (size_t)done;
		memmove(out->byte, out->byte + done, out->n);
	}
}

/* To all lines that have it; true when each has taken it whole. One that still waits with it is not given it twice. */
static bool give(struct process *p, unsigned order)
{
	bool whole = true, given = true;

	for (size_t i = 0; i < p->hello.config.n_lines; i++) {
		char byte[sizeof p->line[i].byte];
		size_t n = warden_put(&p->hello.config.line[i], order, p->warden.brake_mA, byte);

		if (n == 0)
			continue;
		flush_line(p, i);
		if (p->line[i].n == 0) {
			memcpy(p->line[i].byte, byte, n);
			p->line[i].n = n;
			p->line[i].order = order;
			flush_line(p, i);
		}
		given &= p->line[i].order == order;
		whole &= p->line[i].n == 0 && !p->line[i].gone;
	}
	p->waiting = given ? p->waiting | order : p->waiting & ~order;
	return whole;
}

/* Orders that have meanwhile gone out whole. */
static void settle(struct process *p)
{
	unsigned wait = 0;

	for (size_t i = 0; i < p->hello.config.n_lines; i++)
		if (p->line[i].n > 0 || p->line[i].gone)
			wait |= p->line[i].order;
	p->done |= p->waiting & ~wait;
	p->waiting &= wait;
}

static void obey(struct process *p)
{
	for (unsigned order = ORDER_DRIVE_OFF; order <= ORDER_RELEASE; order <<= 1) {
		if (p->next.orders & order)
			p->refused |= !give(p, order);
	}
	settle(p);
}

static void keep_account(const struct process *p)
{
	char text[1024] = "";

	warden_tell(&p->warden, &p->hello.config, text, sizeof text - 2);
	strcat(text, "\n");
	/* The whole room, so that nothing of an older account stays; it was there before the disk was full. */
	if (pwrite(WIRE_FD_ACCOUNT, text, sizeof text, 0) > 0 && p->warden.told_end)
		fdatasync(WIRE_FD_ACCOUNT);
}

static void step(struct process *p, struct warden_in in)
{
	in.now_ns = now_ns();
	in.asked = p->asked;
	in.written = p->done;
	in.waits = p->waiting != 0;
	p->done = 0;
	p->warden = warden_step(p->warden, &p->hello.config, &in, &p->next);
	obey(p);
	if (p->next.tell)
		keep_account(p);
}

static void echo(const struct process *p, const struct wire_proof *proof)
{
	struct wire_echo e = { .magic = WIRE_MAGIC,
			       .seq = proof->seq,
			       .at_ns = proof->at_ns,
			       .phase = (uint8_t)p->warden.phase,
			       .line_gone = p->refused };

	for (size_t i = 0; i < p->hello.config.n_lines; i++)
		e.line_gone |= p->line[i].gone;
	memcpy(e.written, p->written, sizeof e.written);
	send(WIRE_FD_HOST, &e, sizeof e, MSG_DONTWAIT | MSG_NOSIGNAL);
}

/* All that the host has said; false at its end. */
static bool hear(struct process *p)
{
	for (;;) {
		struct wire_proof proof;
		ssize_t n = recv(WIRE_FD_HOST, &proof, sizeof proof, MSG_DONTWAIT);

		if (n < 0 && errno == EINTR)
			continue;
		if (n < 0 && (errno == EAGAIN || errno == EWOULDBLOCK))
			return true;
		if (n <= 0)
			return false;
		if (n != sizeof proof || proof.magic != WIRE_MAGIC)
			continue;
		step(p, (struct warden_in){ .proof = true,
					    .seq = proof.seq,
					    .at_ns = proof.at_ns,
					    .live = proof.live,
					    .power = proof.power,
					    .brake_mA = proof.brake_mA,
					    .bye = proof.bye });
		echo(p, &proof);
		if (p->next.end)
			return true;
	}
}

static void feed(struct process *p, int64_t now)
{
	if (p->watchdog < 0 || now - p->fed_ns < FEED_NS)
		return;
	p->fed_ns = now;
	if (write(p->watchdog, "\0", 1) < 0 && errno == EBADF)
		p->watchdog = -1;
}

static void sleep_until(struct process *p, struct pollfd *fds, nfds_t n)
{
	int64_t left = p->next.wake_ns == INT64_MAX ? INT64_MAX : p->next.wake_ns - now_ns();

	if (p->watchdog >= 0 && left > FEED_NS)
		left = FEED_NS;
	for (size_t i = 0; i < p->hello.config.n_lines; i++)
		if (p->line[i].full && !p->line[i].gone && left > RETRY_NS)
			left = RETRY_NS;
	struct timespec t = { .tv_sec = left > 0 ? left / 1000000000 : 0, .tv_nsec = left > 0 ? left % 1000000000 : 0 };
	ppoll(fds, n, left == INT64_MAX ? NULL : &t, NULL);
}

static void look_at_lines(struct process *p, const struct pollfd *fds)
{
	for (size_t i = 0; i < p->hello.config.n_lines; i++) {
		p->line[i].gone |= (fds[i].revents & (POLLHUP | POLLERR | POLLNVAL)) != 0;
		flush_line(p, i);
	}
	settle(p);
}

static void watch(struct process *p)
{
	bool host = true;

	while (!p->next.end) {
		struct pollfd fds[2 + WARDEN_LINES] = { { .fd = host ? WIRE_FD_HOST : -1, .events = POLLIN },
							{ .fd = p->asked ? -1 : p->signals, .events = POLLIN } };

		for (size_t i = 0; i < p->hello.config.n_lines; i++)
			fds[2 + i] = (struct pollfd){ .fd = p->line[i].gone ? -1 : WIRE_FD_LINE + (int)i,
						      .events = p->line[i].n > 0 && !p->line[i].full ? POLLOUT : 0 };
		sleep_until(p, fds, 2 + p->hello.config.n_lines);
		look_at_lines(p, fds + 2);
		p->asked |= fds[1].revents != 0;
		if (host)
			host = hear(p);
		if (!p->next.end)
			step(p, (struct warden_in){ .gone = !host });
		feed(p, now_ns());
	}
	if (p->watchdog >= 0 && write(p->watchdog, "V", 1) == 1) /* ends the watchdog in order */
		close(p->watchdog);
}

static bool greet(struct process *p)
{
	const struct timeval patience = { .tv_sec = HELLO_S };
	struct wire_hello *h = &p->hello;

	setsockopt(WIRE_FD_HOST, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
	return recv(WIRE_FD_HOST, h, sizeof *h, 0) == sizeof *h && h->magic == WIRE_MAGIC &&
	       h->version == WIRE_VERSION && strncmp(h->program, BRIDLE_VERSION, sizeof h->program) == 0 &&
	       h->config.n_lines <= WARDEN_LINES && h->config.silence_ns > 0 &&
	       h->config.hold_most_ns >= h->config.hold_ns && memchr(h->watchdog, '\0', sizeof h->watchdog) != NULL;
}

static void touch_stack(void)
{
	volatile char page[STACK];

	for (size_t i = 0; i < sizeof page; i += 1024)
		page[i] = 0;
}

static bool get_ready(struct process *p)
{
	const struct sched_param priority = { .sched_priority = PRIORITY };
	struct wire_welcome w = { .magic = WIRE_MAGIC, .version = WIRE_VERSION, .nonce = p->hello.nonce };
	sigset_t set;

	sigemptyset(&set);
	sigaddset(&set, SIGTERM);
	sigaddset(&set, SIGINT); /* a terminal's keys are the host's to hear, and these ends a stop in order */
	sigaddset(&set, SIGHUP);
	sigaddset(&set, SIGQUIT);
	sigprocmask(SIG_BLOCK, &set, NULL);
	signal(SIGPIPE, SIG_IGN);
	signal(SIGTSTP, SIG_IGN);
	p->signals = signalfd(-1, &set, SFD_CLOEXEC);
	p->watchdog = -1;
	if (p->hello.watchdog[0] != '\0') {
		p->watchdog = open(p->hello.watchdog, O_WRONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
		w.watchdog_errno = p->watchdog < 0 ? errno : 0;
	}
	w.locked = mlockall(MCL_CURRENT | MCL_FUTURE) == 0;
	w.real_time = sched_setscheduler(0, SCHED_FIFO, &priority) == 0;
	touch_stack();
	snprintf(w.program, sizeof w.program, "%s", BRIDLE_VERSION);
	return p->signals >= 0 && send(WIRE_FD_HOST, &w, sizeof w, MSG_NOSIGNAL) == sizeof w;
}

int main(int argc, char **argv)
{
	static struct process process;

	if (argc != 2 || strcmp(argv[1], "--started-by-bridle") != 0) {
		fprintf(stderr, "bridle-warden: bridle starts it where rig.ini has a [warden] section; "
				"it is not run by hand\n");
		return 2;
	}
	if (!greet(&process) || !get_ready(&process))
		return 1;
	process.next.wake_ns = INT64_MAX;
	watch(&process);
	return process.warden.why == WARDEN_NO_STOP ? 0 : 3;
}
