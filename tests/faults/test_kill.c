/* SPDX-License-Identifier: GPL-3.0-or-later */
/* I10: a writer is killed (SIGKILL) at random moments, in the middle of whatever it does: opening, committing, moving
 * the journal into the file. What it had said for long enough must be there, in order and without a gap. */
#include "tests/unit/logbook/logbook_scene.h"

#include "logbook/ring.h"

#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <time.h>

#include <cmocka.h>

#define ROUNDS 20
#define ROWS_A_POINT 100
#define POINTS_MOST 200000
/* A point is written "at once": far longer than a commit takes, far shorter than the 0.5 s of samples. */
#define POINT_S 0.3
#define SAMPLE_S 1.0

/* Seen by both; it outlives the child. */
struct told {
	atomic_long points, samples;
	double point_at[POINTS_MOST];
	double sample_at[POINTS_MOST]; /* of every hundredth */
};

static double seconds(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* As the loop does it on a bench clock: as fast as the disk allows. */
static void write_for_ever(const char *path, struct told *told)
{
	struct run_head head = { .kind = "sweep" };
	struct log_ring *ring;
	struct logbook *lb;

	if (logbook_open(path, &lb, NULL) != RC_OK || logbook_run_begin(lb, &head, NULL) != RC_OK ||
	    log_ring_start(lb, head.id, &ring, NULL) != RC_OK)
		_exit(1);
	for (long i = 0; i < (POINTS_MOST - 1) * ROWS_A_POINT; i++) {
		struct sample s = sample_number(i);
		log_ring_make_room(ring);
		log_ring_sample(ring, &s);
		if (i % 100 == 0)
			told->sample_at[i / 100] = seconds();
		atomic_store(&told->samples, i + 1);
		if (i % ROWS_A_POINT == ROWS_A_POINT - 1) {
			struct seq_point p = point_number((int)(i / ROWS_A_POINT));
			log_ring_point(ring, &p);
			told->point_at[i / ROWS_A_POINT] = seconds();
			atomic_store(&told->points, i / ROWS_A_POINT + 1);
		}
	}
	_exit(2);
}

static double kill_after(struct told *told, const char *path, double wait_s)
{
	pid_t child = fork();

	assert_true(child >= 0);
	if (child == 0)
		write_for_ever(path, told);
	struct timespec pause = { .tv_nsec = (long)(wait_s * 1e9) % 1000000000, .tv_sec = (time_t)wait_s };
	nanosleep(&pause,
		  NULL); /* the moment is the point of it: it decides where the child is struck, not whether we pass */
	double at = seconds();
	int status;
	assert_int_equal(kill(child, SIGKILL), 0);
	assert_int_equal(waitpid(child, &status, 0), child);
	assert_true(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
	return at;
}

static bool in_order(void *ctx, const struct sample *sample)
{
	int64_t *n = ctx;
	struct sample want = sample_number(*n);

	if (!same_sample(sample, &want))
		return false;
	++*n;
	return true;
}

/* Gives the points that are there. */
static long check_run(struct book *b, int64_t run_id, const struct told *told, double killed_at)
{
	struct run_info info;
	struct seq_point *points = NULL;
	size_t n = 0;
	int64_t samples = 0;
	long due_points = 0, due_samples = 0;

	if (logbook_run_info(b->lb, run_id, &info, &b->err) != RC_OK || info.ended)
		fail_msg("run %lld: %s", (long long)run_id, b->err.what);
	if (logbook_points(b->lb, run_id, &points, NULL, &n, &b->err) != RC_OK ||
	    logbook_each_sample(b->lb, run_id, INT64_MIN, INT64_MAX, in_order, &samples, &b->err) != RC_OK)
		fail_msg("%s", b->err.what);
	for (size_t i = 0; i < n; i++) {
		struct seq_point want = point_number((int)i);
		assert_true(same_point(&points[i], &want));
	}
	free(points);
	assert_int_equal(samples, info.samples); /* none out of order, none twice */
	while (due_points < atomic_load(&told->points) && told->point_at[due_points] < killed_at - POINT_S)
		due_points++;
	while (due_samples * 100 < atomic_load(&told->samples) && told->sample_at[due_samples] < killed_at - SAMPLE_S)
		due_samples++;
	if ((long)n < due_points)
		fail_msg("%ld points were told %.1f s before the kill, %zu are there", due_points, POINT_S, n);
	assert_true(samples >= (due_samples - 1) * 100);
	return (long)n;
}

static void nothing_that_was_told_is_lost(void **state)
{
	struct book *b = *state;
	struct told *told = mmap(NULL, sizeof *told, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
	const char *text = getenv("BRIDLE_TEST_SEED");
	unsigned seed = text ? (unsigned)strtoul(text, NULL, 0) : 7;
	long all = 0;

	assert_ptr_not_equal(told, MAP_FAILED);
	print_message("# seed %u\n", seed);
	srand(seed);
	for (int round = 0; round < ROUNDS; round++) {
		double wait_s = round % 3 ? 0.3 * rand() / RAND_MAX : 0.3 + 1.2 * rand() / RAND_MAX;
		int64_t *ids = NULL;
		size_t n = 0;

		if (round % 5 == 0)
			book_remove(b); /* a fresh file now and then: checking a large one takes long */
		memset(told, 0, sizeof(atomic_long) * 2);
		double killed_at = kill_after(told, b->path, wait_s);
		if (access(b->path, F_OK) != 0)
			continue; /* struck before the file was made */
		assert_int_equal(
			book_number(b, "SELECT count(*) FROM pragma_integrity_check WHERE integrity_check = 'ok'"), 1);
		if (logbook_open(b->path, &b->lb, &b->err) != RC_OK || logbook_verify(b->lb, &b->err) != RC_OK ||
		    logbook_runs(b->lb, NULL, &ids, &n, &b->err) != RC_OK)
			fail_msg("round %d: %s", round, b->err.what);
		if (atomic_load(&told->samples) > 0)
			all += check_run(b, ids[0], told, killed_at);
		free(ids);
		logbook_close(b->lb);
		b->lb = NULL;
	}
	print_message("# %d kills, %ld points kept\n", ROUNDS, all);
	assert_true(all > 100);
	munmap(told, sizeof *told);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(nothing_that_was_told_is_lost, book_set_up, book_tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
