/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "warden/warden_host.h"

#include "channel/beside.h"
#include "warden/warden_wire.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define WELCOME_MS 2000
#define END_MS 1000
#define HIGH_FD 64 /* copies are made above all numbers that the warden is given */

extern char **environ;

struct warden_host {
	int fd;
	pid_t pid;
	struct wire_welcome welcome;
	char watchdog[WIRE_PATH];
	struct wire_echo echo; /* newest */
	uint32_t seq;
	int64_t waiting_ns; /* since when a proof is unanswered; 0: none is */
	bool dead;
};

static int64_t now_ns(void)
{
	struct timespec t;

	clock_gettime(CLOCK_BOOTTIME, &t);
	return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

/* Each descriptor gets its number; copies first, since sources and targets may cross. */
static int add_fd(posix_spawn_file_actions_t *actions, int source, int target, int *copies, int *n)
{
	int copy = fcntl(source, F_DUPFD_CLOEXEC, HIGH_FD);

	if (copy < 0)
		return errno;
	copies[(*n)++] = copy;
	return posix_spawn_file_actions_adddup2(actions, copy, target);
}

static int spawn(const char *path, const struct warden_start *start, int fd, pid_t *ret_pid)
{
	char *argv[] = { (char *)"bridle-warden", (char *)"--started-by-bridle", NULL };
	posix_spawn_file_actions_t actions;
	posix_spawnattr_t attr;
	int copies[2 + WARDEN_LINES], n = 0, e;
	sigset_t none, all;

	sigemptyset(&none);
	sigfillset(&all);
	posix_spawn_file_actions_init(&actions);
	posix_spawnattr_init(&attr);
	posix_spawnattr_setflags(&attr, POSIX_SPAWN_SETSID | POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
	posix_spawnattr_setsigmask(&attr, &none);
	posix_spawnattr_setsigdefault(&attr, &all);
	e = add_fd(&actions, fd, WIRE_FD_HOST, copies, &n);
	e = e ? e : add_fd(&actions, start->account_fd, WIRE_FD_ACCOUNT, copies, &n);
	for (int i = 0; i < start->config->n_lines && !e; i++)
		e = add_fd(&actions, start->line_fd[i], WIRE_FD_LINE + i, copies, &n);
	for (int i = 0; i < 3 && !e; i++)
		e = posix_spawn_file_actions_addopen(&actions, i, "/dev/null", O_RDWR, 0);
	e = e ? e : posix_spawn(ret_pid, path, &actions, &attr, argv, environ);
	for (int i = 0; i < n; i++)
		close(copies[i]);
	posix_spawnattr_destroy(&attr);
	posix_spawn_file_actions_destroy(&actions);
	return e;
}

static bool wait_readable(int fd, int ms)
{
	struct pollfd p = { .fd = fd, .events = POLLIN };

	return poll(&p, 1, ms) > 0;
}

static enum rc greet(struct warden_host *h, const struct warden_start *start, struct err *err)
{
	struct wire_hello hello = { .magic = WIRE_MAGIC, .version = WIRE_VERSION, .config = *start->config };
	struct wire_welcome *w = &h->welcome;

	if (getrandom(&hello.nonce, sizeof hello.nonce, 0) != sizeof hello.nonce)
		return err_set(err, RC_IO, errno, "cannot start the warden: no random number: %s", strerror(errno));
	snprintf(hello.program, sizeof hello.program, "%s", BRIDLE_VERSION);
	memcpy(hello.watchdog, h->watchdog, sizeof hello.watchdog);
	if (send(h->fd, &hello, sizeof hello, MSG_NOSIGNAL) != sizeof hello || !wait_readable(h->fd, WELCOME_MS) ||
	    recv(h->fd, w, sizeof *w, MSG_DONTWAIT) != sizeof *w)
		return err_set(err, RC_IO, 0,
			       "the warden does not answer; bridle-warden and bridle must be of one version. Install "
			       "both again");
	if (w->magic != WIRE_MAGIC || w->version != WIRE_VERSION || w->nonce != hello.nonce ||
	    strncmp(w->program, hello.program, sizeof w->program) != 0)
		return err_set(err, RC_IO, 0, "the warden is of another version than this program; install both again");
	return RC_OK;
}

enum rc warden_host_start(const struct warden_start *start, struct warden_host **ret, struct err *err)
{
	struct warden_host *h = calloc(1, sizeof *h);
	int pair[2] = { -1, -1 }, e;
	char path[600];
	enum rc rc;

	if (h == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for the warden");
	h->fd = -1;
	if (start->watchdog)
		snprintf(h->watchdog, sizeof h->watchdog, "%s", start->watchdog);
	rc = start->program ? RC_OK : program_beside("bridle-warden", path, sizeof path, err);
	if (start->program &&
	    ((size_t)snprintf(path, sizeof path, "%s", start->program) >= sizeof path || access(path, X_OK) != 0))
		rc = err_set(err, RC_IO, errno, "cannot start the warden: %s is not there or may not be run",
			     start->program);
	if (rc == RC_OK && socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, pair) != 0)
		rc = err_set(err, RC_IO, errno, "cannot start the warden: %s", strerror(errno));
	h->fd = pair[0];
	if (rc == RC_OK && (e = spawn(path, start, pair[1], &h->pid)) != 0) {
		h->pid = 0;
		rc = err_set(err, RC_IO, e, "cannot start the warden %s: %s", path, strerror(e));
	}
	if (pair[1] >= 0)
		close(pair[1]);
	if (rc == RC_OK)
		rc = greet(h, start, err);
	if (rc != RC_OK) {
		warden_host_close(h);
		return rc;
	}
	*ret = h;
	return RC_OK;
}

void warden_host_notes(const struct warden_host *h, char *buf, size_t size)
{
	size_t n = 0;

	buf[0] = '\0';
	if (!h->welcome.locked)
		n += (size_t)snprintf(buf, size,
				      "The warden may not lock its memory: it may answer late (raise the limit of "
				      "locked memory). ");
	if (!h->welcome.real_time && n < size)
		n += (size_t)snprintf(buf + n, size - n,
				      "The warden has no real-time priority: it may answer late (run with "
				      "CAP_SYS_NICE). ");
	if (h->welcome.watchdog_errno && n < size)
		snprintf(buf + n, size - n, "The warden cannot feed %s: %s. ", h->watchdog,
			 strerror(h->welcome.watchdog_errno));
	if (buf[0])
		buf[strlen(buf) - 1] = '\0';
}

static int32_t milli(double ampere)
{
	return ampere > 0 ? (int32_t)lround(fmin(ampere * 1e3, WARDEN_BRAKE_MOST_mA)) : 0;
}

static void say(struct warden_host *h, struct wire_proof proof)
{
	proof.magic = WIRE_MAGIC;
	proof.seq = ++h->seq;
	proof.at_ns = now_ns();
	if (h->waiting_ns == 0)
		h->waiting_ns = proof.at_ns;
	if (send(h->fd, &proof, sizeof proof, MSG_DONTWAIT | MSG_NOSIGNAL) < 0 && errno != EAGAIN)
		h->dead = true;
}

void warden_host_prove(struct warden_host *h, bool live, bool power, double brake_A)
{
	say(h, (struct wire_proof){ .live = live, .power = power, .brake_mA = milli(brake_A) });
}

static void take(struct warden_host *h)
{
	struct wire_echo echo;
	ssize_t n;

	while ((n = recv(h->fd, &echo, sizeof echo, MSG_DONTWAIT)) != 0) {
		if (n < 0 && errno == EINTR)
			continue;
		if (n < 0) {
			h->dead |= errno != EAGAIN && errno != EWOULDBLOCK;
			return;
		}
		if (n != sizeof echo || echo.magic != WIRE_MAGIC)
			continue;
		h->echo = echo;
		h->waiting_ns = echo.seq == h->seq ? 0 : echo.at_ns;
	}
	h->dead = true;
}

enum warden_state warden_host_state(const struct warden_host *h)
{
	if (h->dead)
		return WARDEN_DEAD;
	if (h->echo.phase >= WARDEN_HOLDS)
		return WARDEN_STOPPED;
	return h->echo.line_gone ? WARDEN_LINE_GONE : WARDEN_ALIVE;
}

double warden_host_age_s(struct warden_host *h)
{
	take(h);
	if (warden_host_state(h) != WARDEN_ALIVE)
		return INFINITY;
	return h->waiting_ns ? (double)(now_ns() - h->waiting_ns) * 1e-9 : 0;
}

double warden_host_age_after_s(struct warden_host *h, int wait_ms)
{
	int64_t until_ns = now_ns() + wait_ms * 1000000LL;

	take(h);
	while (h->waiting_ns && !h->dead && now_ns() < until_ns) {
		wait_readable(h->fd, wait_ms);
		take(h);
	}
	return h->waiting_ns ? INFINITY : warden_host_age_s(h);
}

uint64_t warden_host_written(const struct warden_host *h, size_t line)
{
	return line < WARDEN_LINES ? h->echo.written[line] : 0;
}

int warden_host_pid(const struct warden_host *h)
{
	return (int)h->pid;
}

/* One that holds a brake goes on without us; else it ends at once. */
static void wait_for_end(const struct warden_host *h)
{
	for (int waited_ms = 0; waitpid(h->pid, NULL, WNOHANG) == 0 && waited_ms < END_MS; waited_ms += 2)
		poll(NULL, 0, 2);
}

void warden_host_close(struct warden_host *h)
{
	if (h == NULL)
		return;
	if (h->fd >= 0) {
		say(h, (struct wire_proof){ .bye = true });
		close(h->fd);
	}
	if (h->pid > 0)
		wait_for_end(h);
	free(h);
}
