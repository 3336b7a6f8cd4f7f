/* SPDX-License-Identifier: GPL-3.0-or-later */
/* I11: a disk that has no room. Twice: with a limit on the size of files, which everybody may set, and in a small file
 * system of its own, where that may be mounted. */
#include "tests/unit/logbook/logbook_scene.h"

#include "logbook/ring.h"

#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/mount.h>
#include <sys/resource.h>

#include <cmocka.h>

static int64_t begin(struct book *b, struct log_ring **ring)
{
	struct run_head head = { .kind = "sweep" };

	if (logbook_open(b->path, &b->lb, &b->err) != RC_OK || logbook_run_begin(b->lb, &head, &b->err) != RC_OK ||
	    log_ring_start(b->lb, head.id, ring, &b->err) != RC_OK)
		fail_msg("%s", b->err.what);
	return head.id;
}

/* Until the ring says that it failed. */
static long fill(struct log_ring *ring)
{
	long n = 0;

	for (; !log_ring_failed(ring); n++) {
		struct sample s = sample_number(n);
		if (n > 3000000)
			fail_msg("three million rows found room");
		log_ring_make_room(ring);
		log_ring_sample(ring, &s);
		if (n % 500 == 0) {
			struct seq_point p = point_number((int)(n / 500));
			log_ring_point(ring, &p);
		}
	}
	return n;
}

static void check_what_is_left(struct book *b, int64_t run_id, long written)
{
	struct run_info info;

	logbook_close(b->lb);
	b->lb = NULL;
	if (logbook_open_read(b->path, &b->lb, &b->err) != RC_OK || logbook_verify(b->lb, &b->err) != RC_OK ||
	    logbook_run_info(b->lb, run_id, &info, &b->err) != RC_OK)
		fail_msg("%s", b->err.what);
	print_message("# %ld rows given, %lld samples and %lld points kept\n", written, (long long)info.samples,
		      (long long)info.points);
	assert_false(info.ended);
	assert_true(info.samples > 100 && info.points > 0);
	assert_true(info.samples <= written);
	logbook_close(b->lb);
	b->lb = NULL;
}

static void a_run_after_it_is_written(struct book *b)
{
	struct log_ring *ring;

	begin(b, &ring);
	for (int i = 0; i < 100; i++) {
		struct sample s = sample_number(i);
		assert_true(log_ring_sample(ring, &s));
	}
	if (log_ring_stop(ring, &b->err) != RC_OK || logbook_verify(b->lb, &b->err) != RC_OK)
		fail_msg("%s", b->err.what);
}

static void files_that_may_not_grow(void **state)
{
	struct book *b = *state;
	struct rlimit before, small;
	struct log_ring *ring;

	signal(SIGXFSZ, SIG_IGN);
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
	small = before;
	small.rlim_cur = 1 << 20;
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
	int64_t run_id = begin(b, &ring);
	long written = fill(ring);
	enum rc rc = log_ring_stop(ring, &b->err);
	struct err said = b->err;
	assert_int_equal(rc, RC_DB);
	check_what_is_left(b, run_id, written);
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
	print_message("# %s\n", said.what);
	assert_non_null(strstr(said.what, b->path));
	a_run_after_it_is_written(b);
}

static void a_disk_without_room(void **state)
{
	struct book *b = *state;
	struct log_ring *ring;

	assert_int_equal(mount("bridle-test", b->dir, "tmpfs", 0, "size=2m"), 0);
	int64_t run_id = begin(b, &ring);
	long written = fill(ring);
	enum rc rc = log_ring_stop(ring, &b->err);
	struct err said = b->err;
	check_what_is_left(b, run_id, written);
	int made_room = mount("bridle-test", b->dir, "tmpfs", MS_REMOUNT, "size=32m");
	if (made_room == 0)
		a_run_after_it_is_written(b);
	logbook_close(b->lb);
	b->lb = NULL;
	umount(b->dir);
	print_message("# %s\n", said.what);
	assert_int_equal(rc, RC_DB);
	assert_int_equal(made_room, 0);
	assert_non_null(strstr(said.what, "the disk is full"));
}

#define TEST(f) cmocka_unit_test_setup_teardown(f, book_set_up, book_tear_down)

static bool may_mount(void)
{
	char dir[] = "/tmp/bridle-mount-XXXXXX";

	if (!mkdtemp(dir))
		return false;
	bool may = mount("bridle-test", dir, "tmpfs", 0, "size=2m") == 0;
	if (may)
		umount(dir);
	rmdir(dir);
	return may;
}

/* With "disk" the test that has to mount, by its exit status: cmocka's own line for a skipped test reads "not ok". */
int main(int argc, char **argv)
{
	static const struct CMUnitTest files[] = { TEST(files_that_may_not_grow) },
				       disk[] = { TEST(a_disk_without_room) };

	if (argc < 2 || strcmp(argv[1], "disk") != 0)
		return cmocka_run_group_tests(files, NULL, NULL);
	if (!may_mount()) {
		puts("no small file system may be mounted here");
		return 77; /* skipped */
	}
	return cmocka_run_group_tests(disk, NULL, NULL);
}
