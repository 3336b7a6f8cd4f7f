// SPDX-License-Identifier: GPL-3.0-or-later
// The warden as a process. A host of its own proves life every 10 ms and is then killed, stopped, stuck in a loop, hung
// in a read, or gone; the time from its last proof to the first byte of the stop is measured at the line's far end, by
// one clock. docs/invariants.md, W1: at most 200 ms.
//
//     warden_process PATH-OF-BRIDLE-WARDEN FULLQUEUE.so [TRIALS]      # 15 of each way unless said
#include "warden/warden_account.h"
#include "warden/warden_host.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>
#include <cmocka.h>

#define MS 1000000LL
#define MOST_MS 200.0 /* W1 */

enum way { KILLED, STOPPED, STUCK, HANGS, GONE, WAYS };
static const char *const way_word[WAYS] = { "SIGKILL", "SIGSTOP", "stuck loop", "hung read", "end of file" };

static const char *program, *full_queue;
static int trials = 15;
static char folder[100];

// What host and test share.
struct shared {
	volatile int64_t proved_ns;
	volatile int way; // -1: go on
	volatile int proofs, warden, state;
	volatile bool failed;
	volatile int full_ms; // the drive's line takes nothing for so long (fullqueue.c)
};
static struct shared *shared;

static int64_t now_ns(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static struct warden_bytes bytes(const char *text)
{
	struct warden_bytes b = { .n = (uint8_t)strlen(text) };

	memcpy(b.byte, text, b.n);
	return b;
}

// Relay, drive and brake on one stream, so that their order is seen.
static struct warden_config make(int64_t hold_ms)
{
	return (struct warden_config){
		.silence_ns = 100 * MS,
		.hold_ns = hold_ms * MS,
		.hold_most_ns = 600000 * MS,
		.n_lines = 3,
		.line = { { .close = bytes("C"), .open = bytes("O") },
			  { .drive_off = bytes("D") },
			  { .hold = bytes("B "), .after = bytes("\n"), .release = bytes("R") } },
	};
}

static void tick(void)
{
	const struct timespec t = { .tv_nsec = 10 * MS };

	nanosleep(&t, NULL);
}

static void misbehave(int way)
{
	int none[2];
	char byte;

	if (way == STUCK)
		for (volatile int i = 0;; i++) {
		}
	if (way == GONE)
		_exit(0);
	if (way == HANGS && pipe(none) == 0 && read(none[0], &byte, 1) < 0)
		_exit(1);
}

// Never comes back.
static void be_host(int line, int64_t hold_ms)
{
	struct warden_config config = make(hold_ms);
	const int lines[] = { line, line, line };
	char text[WARDEN_ACCOUNT_SIZE];
	struct warden_host *h;
	struct err err;
	int account;

	if (warden_account_open(folder, 0, &account, text, &err) != RC_OK)
		_exit(2);
	const struct warden_start start = { program, &config, lines, account, NULL };
	if (shared->full_ms > 0) {
		char ms[20];

		snprintf(ms, sizeof ms, "%d", shared->full_ms);
		setenv("FULL_MS", ms, 1);
		setenv("LD_PRELOAD", full_queue, 1);
		setenv("ASAN_OPTIONS", "verify_asan_link_order=0", 1);
	}
	if (warden_host_start(&start, &h, &err) != RC_OK) {
		fprintf(stderr, "# %s\n", err.what);
		shared->failed = true;
		_exit(3);
	}
	shared->warden = warden_host_pid(h);
	for (;;) {
		int way = shared->way;

		if (way >= 0)
			misbehave(way);
		shared->proved_ns = now_ns();
		warden_host_prove(h, true, true, 0.35);
		shared->proofs++;
		tick();
		shared->state = isfinite(warden_host_age_s(h)) ? WARDEN_ALIVE : (int)warden_host_state(h);
	}
}

struct trial {
	int line, host;
	char seen[200];
	size_t n;
};

static struct trial begin_full(int64_t hold_ms, int full_ms)
{
	struct trial t = { 0 };
	int pair[2];

	*shared = (struct shared){ .way = -1, .state = WARDEN_ALIVE, .full_ms = full_ms };
	assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, pair), 0);
	t.line = pair[0];
	t.host = fork();
	if (t.host == 0) {
		close(pair[0]);
		be_host(pair[1], hold_ms);
	}
	close(pair[1]);
	while (shared->proofs < 5 && !shared->failed)
		tick();
	assert_false(shared->failed);
	return t;
}

static struct trial begin(int64_t hold_ms)
{
	return begin_full(hold_ms, 0);
}

// Until text has come, or time is over; when its first byte came.
static int64_t wait_for(struct trial *t, const char *text, int ms)
{
	int64_t until = now_ns() + ms * MS, came = 0;

	while (strstr(t->seen, text) == NULL) {
		struct pollfd p = { .fd = t->line, .events = POLLIN };
		int left = (int)((until - now_ns()) / MS);

		if (left <= 0 || poll(&p, 1, left) <= 0)
			return 0;
		came = now_ns();
		ssize_t n = read(t->line, t->seen + t->n, sizeof t->seen - 1 - t->n);
		if (n <= 0)
			return 0;
		t->n += (size_t)n;
	}
	return came;
}

static void end_trial(struct trial *t)
{
	kill(t->host, SIGCONT);
	kill(t->host, SIGKILL);
	while (wait(NULL) > 0 || errno == EINTR) { // also the warden: it is given to this process when its host is gone
	}
	close(t->line);
}

static void the_stop_comes_within_its_time(void **state)
{
	double most = 0;

	(void)state;
	for (int way = 0; way < WAYS; way++) {
		double most_of_way = 0;

		for (int i = 0; i < trials; i++) {
			struct trial t = begin(20);

			assert_true(wait_for(&t, "C", 2000) > 0);
			usleep((useconds_t)(rand() % 10000));
			if (way == KILLED || way == STOPPED)
				kill(t.host, way == KILLED ? SIGKILL : SIGSTOP);
			else
				shared->way = way;
			int64_t came = wait_for(&t, "D", 2000);
			assert_true(came > 0);
			double ms = (double)(came - shared->proved_ns) * 1e-6;
			most_of_way = fmax(most_of_way, ms);
			assert_true(wait_for(&t, "R", 2000) > 0);
			assert_memory_equal(t.seen, "CDOB 0.350\n", 11);
			end_trial(&t);
		}
		print_message("# %s: last proof to the first byte of the stop, %d trials: at most %.1f ms\n",
			      way_word[way], trials, most_of_way);
		most = fmax(most, most_of_way);
	}
	print_message("# %d trials in all: at most %.1f ms, limit %.0f ms\n", trials * WAYS, most, MOST_MS);
	assert_true(most < MOST_MS);
}

static void a_host_that_goes_on_is_told_and_closes_nothing(void **state)
{
	struct trial t = begin(20);

	(void)state;
	assert_true(wait_for(&t, "C", 2000) > 0);
	kill(t.host, SIGSTOP);
	assert_true(wait_for(&t, "R", 2000) > 0);
	kill(t.host, SIGCONT);
	int64_t until = now_ns() + 1000 * MS;
	while (shared->state != WARDEN_STOPPED && now_ns() < until)
		tick();
	assert_int_equal(shared->state, WARDEN_STOPPED);
	assert_int_equal(wait_for(&t, "CC", 200), 0);
	assert_null(strchr(t.seen + 1, 'C'));
	end_trial(&t);
}

static void its_own_death_is_noticed_at_once(void **state)
{
	(void)state;
	for (int way = KILLED; way <= STOPPED; way++) {
		struct trial t = begin(20);
		int warden = shared->warden;

		assert_true(wait_for(&t, "C", 2000) > 0);
		int64_t killed = now_ns();
		kill(warden, way == KILLED ? SIGKILL : SIGSTOP);
		if (way == KILLED) {
			while (shared->state != WARDEN_DEAD && now_ns() - killed < 1000 * MS)
				usleep(500);
			double ms = (double)(now_ns() - killed) * 1e-6;
			print_message("# death of the warden noticed after %.1f ms\n", ms);
			assert_true(shared->state == WARDEN_DEAD && ms < 100);
		} else {
			usleep(50000);
			kill(warden, SIGCONT);
		}
		end_trial(&t);
	}
}

static void a_signal_and_an_unplugged_relay(void **state)
{
	struct trial t = begin(20);

	(void)state;
	assert_true(wait_for(&t, "C", 2000) > 0);
	kill(shared->warden, SIGTERM);
	assert_true(wait_for(&t, "R", 2000) > 0);
	end_trial(&t);
	t = begin(20);
	assert_true(wait_for(&t, "C", 2000) > 0);
	shutdown(t.line, SHUT_RDWR);
	int64_t until = now_ns() + 1000 * MS;
	while (shared->state != WARDEN_LINE_GONE && now_ns() < until)
		tick();
	assert_int_equal(shared->state, WARDEN_LINE_GONE);
	kill(shared->warden, SIGKILL);
	end_trial(&t);
}

static void the_account_is_there_afterwards(void **state)
{
	char text[WARDEN_ACCOUNT_SIZE];
	struct trial t = begin(20);
	int fd;

	(void)state;
	assert_true(wait_for(&t, "C", 2000) > 0);
	kill(t.host, SIGKILL);
	end_trial(&t);
	assert_int_equal(warden_account_open(folder, 0, &fd, text, NULL), RC_OK);
	assert_string_equal(
		text, "The warden stopped the rig: the program ended while the rig was energised. Drive commanded off. "
		      "Contactor commanded open. Brake held. Brake released after 0 s, by time alone.");
	assert_int_equal(warden_account_forget(fd, NULL), RC_OK);
	close(fd);
}

// A CAN interface with a full queue: the other orders go out meanwhile, this one as soon as it can; the account says
// which.
static void a_full_queue_is_tried_again_and_then_told(void **state)
{
	(void)state;
	for (int full_ms = 80; full_ms <= 60000; full_ms += 60000 - 80) {
		bool for_ever = full_ms > 200;
		struct trial t = begin_full(300, full_ms);
		char text[WARDEN_ACCOUNT_SIZE];
		int fd;

		assert_true(wait_for(&t, "C", 2000) > 0);
		kill(t.host, SIGKILL);
		int64_t opened = wait_for(&t, "OB 0.350\n", 2000), off = wait_for(&t, "D", for_ever ? 400 : 2000);
		assert_true(opened > 0 && (off > 0) == !for_ever);
		if (!for_ever)
			print_message("# full for %d ms: commanded off after %.1f ms\n", full_ms,
				      (double)(off - opened) * 1e-6);
		assert_true(off < opened + 200 * MS);
		assert_true(strchr(t.seen, 'R') != NULL || wait_for(&t, "R", 2000) > 0);
		end_trial(&t);
		assert_int_equal(warden_account_open(folder, 0, &fd, text, NULL), RC_OK);
		assert_int_equal(strncmp(text, "NOT SAFE", 8) == 0, for_ever);
		assert_non_null(
			strstr(text, for_ever ? "The drive could NOT be commanded off." : " Drive commanded off."));
		assert_non_null(strstr(text, " Contactor commanded open. Brake held."));
		assert_int_equal(warden_account_forget(fd, NULL), RC_OK);
		close(fd);
	}
}

static void what_is_not_a_warden_is_refused(void **state)
{
	struct warden_config config = make(20);
	int pair[2], account;
	char text[WARDEN_ACCOUNT_SIZE];
	struct warden_host *h;
	struct err err;

	(void)state;
	assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, pair), 0);
	assert_int_equal(warden_account_open(folder, 0, &account, text, NULL), RC_OK);
	const int lines[] = { pair[1], pair[1], pair[1] };
	struct warden_start start = { "/bin/true", &config, lines, account, NULL };
	assert_int_equal(warden_host_start(&start, &h, &err), RC_IO);
	assert_non_null(strstr(err.what, "does not answer"));
	start.program = "/nonexistent/bridle-warden";
	assert_int_equal(warden_host_start(&start, &h, &err), RC_IO);
	assert_non_null(strstr(err.what, "is not there"));
	close(account);
	close(pair[0]);
	close(pair[1]);
}

// Where a machine gives neither, the host says so; where it gives both, it must not.
static void what_it_could_not_have_is_said(void **state)
{
	struct warden_config config = make(20);
	char text[WARDEN_ACCOUNT_SIZE], notes[400], stat[64], line[400] = "";
	int pair[2], account;
	struct warden_host *h;
	bool locked = false;

	(void)state;
	assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, pair), 0);
	assert_int_equal(warden_account_open(folder, 0, &account, text, NULL), RC_OK);
	const int lines[] = { pair[1], pair[1], pair[1] };
	const struct warden_start start = { program, &config, lines, account, "/nonexistent/watchdog" };
	assert_int_equal(warden_host_start(&start, &h, NULL), RC_OK);
	warden_host_notes(h, notes, sizeof notes);
	assert_non_null(strstr(notes, "cannot feed /nonexistent/watchdog"));
	snprintf(stat, sizeof stat, "/proc/%d/status", warden_host_pid(h));
	FILE *f = fopen(stat, "r");
	assert_non_null(f);
	while (fgets(line, sizeof line, f))
		if (strncmp(line, "VmLck:", 6) == 0)
			locked = atoi(line + 6) > 0;
	fclose(f);
	assert_int_equal(locked, strstr(notes, "lock its memory") == NULL);
	warden_host_close(h);
	close(account);
	close(pair[0]);
	close(pair[1]);
}

int main(int argc, char **argv)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_stop_comes_within_its_time),
		cmocka_unit_test(a_host_that_goes_on_is_told_and_closes_nothing),
		cmocka_unit_test(its_own_death_is_noticed_at_once),
		cmocka_unit_test(a_signal_and_an_unplugged_relay),
		cmocka_unit_test(the_account_is_there_afterwards),
		cmocka_unit_test(a_full_queue_is_tried_again_and_then_told),
		cmocka_unit_test(what_is_not_a_warden_is_refused),
		cmocka_unit_test(what_it_could_not_have_is_said),
	};

	if (argc < 3)
		return 2;
	program = argv[1];
	full_queue = argv[2];
	if (argc > 3)
		trials = atoi(argv[3]);
	shared = mmap(NULL, sizeof *shared, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
	strcpy(folder, "/tmp/bridle-warden-XXXXXX");
	if (shared == MAP_FAILED || mkdtemp(folder) == NULL || prctl(PR_SET_CHILD_SUBREAPER, 1) != 0)
		return 2;
	signal(SIGPIPE, SIG_IGN);
	int failed = cmocka_run_group_tests_name("warden_process", tests, NULL, NULL);
	char path[200];
	snprintf(path, sizeof path, "%s/%s", folder, WARDEN_ACCOUNT);
	unlink(path);
	rmdir(folder);
	return failed;
}
