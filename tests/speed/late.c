/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How late the ticks of a host are with five instruments beside the node, two of which take 0.4 s for each answer (each
 * on a thread of its own), against a loop that only sleeps until the same absolute deadlines: both in turns of 1 s, at
 * the same priority. Polls, guard and set are those of the program; the node, logbook and live line are left out.
 *   late [SECONDS of each, 60] [TICKS a second, 1000]
 * Prints one JSON document: the lateness at wake-up at the median, the 99th and the 99.9th percentile in microseconds,
 * their ratio, and what the ticks allocated (calls of this program's code) and faulted. By hand: on a busy machine only
 * the ratio means something. */
#include "channel/can_signal.h"
#include "channel/text_pattern.h"
#include "guard/guard.h"
#include "instrument/aside.h"
#include "instrument/can_drive.h"
#include "instrument/indicator.h"
#include "instrument/scpi_supply.h"
#include "instrument/text_drive.h"

#include <math.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define LINES 5
#define SLOW_MS 400
#define PRIORITY 40

/* The linker sends the calls of this program's own code here (meson.build). */
static _Thread_local unsigned long allocations;
void *__real_malloc(size_t n);
void *__real_calloc(size_t n, size_t size);
void *__real_realloc(void *p, size_t n);
void *__wrap_malloc(size_t n);
void *__wrap_calloc(size_t n, size_t size);
void *__wrap_realloc(void *p, size_t n);

void *__wrap_malloc(size_t n)
{
	allocations++;
	return __real_malloc(n);
}

void *__wrap_calloc(size_t n, size_t size)
{
	allocations++;
	return __real_calloc(n, size);
}

void *__wrap_realloc(void *p, size_t n)
{
	allocations++;
	return __real_realloc(p, n);
}

static const char *const streams[3] = { "S 36.5 1\n", "ST 1.000 kg\r\n", "t28136D0104\r" };

static int64_t now_ns(void)
{
	const struct clock_src clock = clock_machine();

	return clock.now(clock.ctx).ns;
}

/* The devices, another process: three send a line each 10 ms, two answer late. */
static void serve(const int *listening)
{
	struct pollfd fd[LINES];
	int64_t due[2] = { 0 };
	char buf[256];

	for (int i = 0; i < LINES; i++)
		fd[i] = (struct pollfd){ .fd = accept(listening[i], NULL, NULL), .events = POLLIN };
	for (;;) {
		const struct timespec rest = { .tv_nsec = 10000000 };

		nanosleep(&rest, NULL);
		for (int i = 0; i < 3; i++) {
			(void)recv(fd[i].fd, buf, sizeof buf, MSG_DONTWAIT);
			(void)send(fd[i].fd, streams[i], strlen(streams[i]), MSG_DONTWAIT | MSG_NOSIGNAL);
		}
		for (int i = 0; i < 2; i++) {
			if (recv(fd[3 + i].fd, buf, sizeof buf, MSG_DONTWAIT) > 0)
				due[i] = now_ns() + SLOW_MS * 1000000LL;
			if (due[i] == 0 || now_ns() < due[i])
				continue;
			(void)send(fd[3 + i].fd, "47.5;1.25\n", 10, MSG_DONTWAIT | MSG_NOSIGNAL);
			due[i] = 0;
		}
	}
}

static struct text_pattern pattern(const char *text)
{
	struct text_pattern p = { 0 };
	char why[TEXT_PATTERN_WHY];

	(void)text_pattern_read(text, &p, why);
	return p;
}

static struct can_map map(const char *text)
{
	struct can_map ret = { 0 };
	char why[CAN_SIGNAL_WHY];

	(void)can_map_read(text, &ret, why);
	return ret;
}

static struct instrument in[LINES];
static struct link *lines[LINES];
static struct aside *asides[2];
static struct clock_src the_clock;

static enum rc open_slow(int i, struct err *err)
{
	const struct instrument_config config = { .name = "supply",
						  .roles = i == 3 ? ROLE_VOLTAGE : ROLE_CURRENT,
						  .number = (uint8_t)(1 + i),
						  .period_s = 0.2,
						  .wait_ms = 200 };
	enum rc rc = supply_open(&config, lines[i], &the_clock, &in[i], err);

	if (rc == RC_OK)
		rc = aside_new(&the_clock, &asides[i - 3], err);
	if (rc == RC_OK)
		rc = aside_add(asides[i - 3], &in[i], err);
	return rc == RC_OK ? aside_start(asides[i - 3], err) : rc;
}

static enum rc open_all(struct err *err)
{
	const struct drive_setup drive = {
		.unit_rpm = 1, .unit_A = 1, .gear_ratio = 36, .sign = 1, .lease_s = 0.3, .period_s = 0.01
	};
	const struct text_drive_setup text = { .drive = drive,
					       .speed = pattern("V {speed.1}"),
					       .off = pattern("OFF"),
					       .tell = { pattern("S {speed} {enabled}") },
					       .n_tell = 1 };
	const struct indicator_setup gauge = {
		.tell = { pattern("{stable=US|ST} {reading} kg") }, .n_tell = 1, .division = 0.005, .saturation = 4000
	};
	const struct can_drive_setup can = { .drive = drive,
					     .speed = map("0x201 data 01 00 00 byte 1 length 16 signed"),
					     .off = map("0x201 data 00 00 00"),
					     .tell = { [DRIVE_WORD_SPEED] =
							       map("0x281 byte 0 length 16 signed scale 0.1"),
						       [DRIVE_WORD_ENABLED] = map("0x281 byte 2 length 8 is 4") } };
	struct instrument_config config = { .name = "fast",
					    .number = 1,
					    .roles = ROLE_DRIVE,
					    .period_s = 0.01,
					    .text_drive = &text,
					    .indicator = &gauge,
					    .can_drive = &can };
	enum rc rc = text_drive_open(&config, lines[0], &the_clock, &in[0], err);

	config.roles = ROLE_CELL;
	config.number = 2;
	rc = rc == RC_OK ? indicator_open(&config, lines[1], &the_clock, &in[1], err) : rc;
	config.roles = ROLE_DRIVE;
	config.number = 3;
	rc = rc == RC_OK ? can_drive_open(&config, lines[2], &the_clock, &in[2], err) : rc;
	rc = rc == RC_OK ? open_slow(3, err) : rc;
	return rc == RC_OK ? open_slow(4, err) : rc;
}

static int connect_all(const char *folder, pid_t *ret_child, struct err *err)
{
	int listening[LINES];

	for (int i = 0; i < LINES; i++) {
		struct sockaddr_un where = { .sun_family = AF_UNIX };

		snprintf(where.sun_path, sizeof where.sun_path, "%s/%d", folder, i);
		listening[i] = socket(AF_UNIX, SOCK_STREAM, 0);
		if (bind(listening[i], (struct sockaddr *)&where, sizeof where) != 0 || listen(listening[i], 1) != 0)
			return -1;
	}
	*ret_child = fork();
	if (*ret_child == 0) {
		(void)prctl(PR_SET_PDEATHSIG, SIGKILL);
		serve(listening);
	}
	for (int i = 0; i < LINES; i++) {
		char address[120];

		snprintf(address, sizeof address, "unix:%s/%d", folder, i);
		if (link_open(address, 0, NULL, 2000, &lines[i], err) != RC_OK)
			return -1;
		close(listening[i]);
		unlink(address + strlen("unix:"));
	}
	return 0;
}

static struct guard guard;
static struct snapshot snap;

static void tick(void)
{
	static const struct guard_limits limits = { .tick_s = 0.001, .torque_Nm = 50, .speed_rpm = 100, .brake_A = 1 };
	static const struct wish nothing = { 0 };
	struct guard_verdict verdict;

	snap.now = the_clock.now(the_clock.ctx);
	for (int i = 0; i < LINES; i++)
		in[i].ops->poll(in[i].ctx, &snap);
	guard = guard_step(guard, &limits, &snap, &nothing, &verdict);
	for (int i = 0; i < LINES; i++)
		if (in[i].ops->set)
			in[i].ops->set(in[i].ctx, &verdict.allowed);
}

/* A turn of so many ticks; what is late goes into late_us. */
static void turn(bool with, int n, int64_t period_ns, double *late_us)
{
	struct mono next = the_clock.now(the_clock.ctx);

	for (int i = 0; i < n; i++) {
		next = mono_add_ns(next, period_ns);
		if (the_clock.sleep_until(the_clock.ctx, next, NULL) != RC_OK)
			return;
		late_us[i] = 1e6 * mono_diff_s(the_clock.now(the_clock.ctx), next);
		if (with)
			tick();
	}
}

static int compare(const void *a, const void *b)
{
	const double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

static double percentile(const double *sorted, long n, double share)
{
	return sorted[(long)(share * (double)(n - 1))];
}

static void print(const char *name, double *late_us, long n)
{
	qsort(late_us, (size_t)n, sizeof *late_us, compare);
	printf("\"%s\": {\"median_us\": %.1f, \"p99_us\": %.1f, \"p99_9_us\": %.1f, \"most_us\": %.1f}, ", name,
	       percentile(late_us, n, 0.5), percentile(late_us, n, 0.99), percentile(late_us, n, 0.999),
	       late_us[n - 1]);
}

int main(int argc, char **argv)
{
	const long seconds = argc > 1 ? atol(argv[1]) : 60, rate = argc > 2 ? atol(argv[2]) : 1000;
	const struct sched_param param = { .sched_priority = PRIORITY };
	char folder[] = "/tmp/bridle-late-XXXXXX";
	struct rusage before, after;
	struct err err = { 0 };
	pid_t child = 0;

	the_clock = clock_machine();
	snap = snapshot_blank();
	if (seconds < 1 || rate < 1 || mkdtemp(folder) == NULL || connect_all(folder, &child, &err) != 0 ||
	    open_all(&err) != RC_OK) {
		fprintf(stderr, "late: %s\n", err.what[0] ? err.what : "expected seconds and ticks a second");
		return 3;
	}
	(void)rmdir(folder);
	const long n = seconds * rate;
	double *alone = calloc((size_t)n, sizeof *alone), *with = calloc((size_t)n, sizeof *with);
	if (alone == NULL || with == NULL)
		return 3;
	bool real_time = mlockall(MCL_CURRENT | MCL_FUTURE) == 0 && sched_setscheduler(0, SCHED_FIFO, &param) == 0;
	turn(true, (int)rate, 1000000000 / rate, with); /* warm */
	long faults = 0;
	unsigned long allocated = 0;
	for (long s = 0; s < seconds; s++) {
		turn(false, (int)rate, 1000000000 / rate, alone + s * rate);
		const unsigned long had = allocations;
		getrusage(RUSAGE_THREAD, &before);
		turn(true, (int)rate, 1000000000 / rate, with + s * rate);
		getrusage(RUSAGE_THREAD, &after);
		allocated += allocations - had;
		faults += after.ru_minflt - before.ru_minflt + after.ru_majflt - before.ru_majflt;
	}
	printf("{\"seconds\": %ld, \"rate_Hz\": %ld, \"real_time\": %s, ", seconds, rate, real_time ? "true" : "false");
	print("alone", alone, n);
	print("with", with, n);
	printf("\"ratio_p99_9\": %.2f, \"allocations\": %lu, \"page_faults\": %ld, \"readings\": [%u, %u, %u, %u]}\n",
	       percentile(with, n, 0.999) / percentile(alone, n, 0.999), allocated, faults,
	       snap.channel[CHANNEL_DRIVE].fresh, snap.channel[CHANNEL_CELL].fresh, snap.channel[CHANNEL_VOLTAGE].fresh,
	       snap.channel[CHANNEL_CURRENT].fresh);
	kill(child, SIGKILL);
	waitpid(child, NULL, 0);
	for (int i = 0; i < LINES; i++)
		in[i].ops->close(in[i].ctx);
	for (int i = 0; i < 2; i++)
		aside_free(asides[i]);
	for (int i = 0; i < LINES; i++)
		link_close(lines[i]);
	free(alone);
	free(with);
	return 0;
}
