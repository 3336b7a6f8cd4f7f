/* SPDX-License-Identifier: GPL-3.0-or-later */
/* I9 to I11. The writer is held up by a second connection that has the write lock: no sleeps, no luck. */
#include "tests/unit/logbook/logbook_scene.h"

#include "logbook/ring.h"

#include <sched.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <time.h>

#include <cmocka.h>

#define OK(call) \
	do { \
		if ((call) != RC_OK) \
			fail_msg("%s", b->err.what); \
	} while (0)

static struct log_ring *start(struct book *b, int64_t *ret_run)
{
	struct run_head head = { .kind = "sweep" };
	struct log_ring *ring = NULL;

	OK(logbook_open(b->path, &b->lb, &b->err));
	OK(logbook_run_begin(b->lb, &head, &b->err));
	OK(log_ring_start(b->lb, head.id, &ring, &b->err));
	*ret_run = head.id;
	return ring;
}

struct check {
	int64_t next;
	bool good;
};

static bool is_next(void *ctx, const struct sample *sample)
{
	struct check *c = ctx;
	struct sample want = sample_number(c->next);

	c->good = c->good && same_sample(sample, &want);
	c->next++;
	return true;
}

static void assert_samples(struct book *b, int64_t run_id, int64_t n)
{
	struct check c = { 0, true };

	OK(logbook_each_sample(b->lb, run_id, INT64_MIN, INT64_MAX, is_next, &c, &b->err));
	assert_true(c.good);
	assert_int_equal(c.next, n);
	OK(logbook_verify(b->lb, &b->err));
}

static double seconds(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Wait for something that another thread does; no longer than 20 s. */
#define EVENTUALLY(condition) \
	do { \
		double until = seconds() + 20; \
		while (!(condition)) { \
			if (seconds() > until) \
				fail_msg("did not come to pass in 20 s: %s", #condition); \
			sched_yield(); \
		} \
	} while (0)

static void everything_arrives_in_order(void **state)
{
	struct book *b = *state;
	int64_t run, n = 50000; /* six times round */
	struct log_ring *ring = start(b, &run);

	for (int64_t i = 0; i < n; i++) {
		struct sample s = sample_number(i);
		log_ring_make_room(ring);
		assert_true(log_ring_sample(ring, &s));
		if (i % 5000 == 0) {
			struct seq_point p = point_number((int)(i / 5000));
			char text[40];
			snprintf(text, sizeof text, "after %lld", (long long)i);
			assert_true(log_ring_point(ring, &p));
			assert_true(log_ring_event(ring, i, "step", text));
		}
	}
	assert_false(log_ring_failed(ring));
	OK(log_ring_stop(ring, &b->err));
	assert_samples(b, run, n);
	assert_int_equal(book_number(b, "SELECT count(*) FROM point"), 10);
	assert_int_equal(
		book_number(b,
			    "SELECT count(*) FROM event WHERE no = mono_ns / 5000 + 1 AND text = 'after ' || mono_ns"),
		10);
}

/* I10: a finished point is on the disk at once, while the run goes on. */
static void a_point_is_durable_at_once(void **state)
{
	struct book *b = *state;
	int64_t run;
	struct log_ring *ring = start(b, &run);
	double soonest = INFINITY;

	for (int i = 0; i < 5; i++) {
		struct seq_point p = point_number(i);
		double from = seconds();
		assert_true(log_ring_point(ring, &p));
		EVENTUALLY(book_number(b, "SELECT count(*) FROM point") == i + 1);
		soonest = fmin(soonest, seconds() - from);
	}
	print_message("# a point is seen by another connection after %.1f ms\n", 1e3 * soonest);
	assert_true(soonest < 0.3); /* samples alone are written after 0.5 s */
	struct sample s = sample_number(0);
	assert_true(log_ring_sample(ring, &s));
	EVENTUALLY(book_number(b, "SELECT count(*) FROM sample") == 1); /* and samples without being asked */
	OK(log_ring_stop(ring, &b->err));
}

static int next_kept(struct log_ring *ring)
{
	struct seq_point p;

	return log_ring_next_kept(ring, &p) ? p.step : -1;
}

/* I10: who tells people of points hears of each once, in order, and of none that is not on the disk. */
static void a_point_is_told_when_it_is_kept(void **state)
{
	struct book *b = *state;
	int64_t run;
	struct log_ring *ring = start(b, &run);
	sqlite3 *other = NULL;
	struct sample s = sample_number(0);
	int step = -1, told = 0;

	assert_int_equal(sqlite3_open(b->path, &other), SQLITE_OK);
	sqlite3_busy_timeout(other, 10000);
	assert_int_equal(sqlite3_exec(other, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
	for (int i = 0; i < 3; i++) {
		struct seq_point p = point_number(i);
		p.step = i;
		assert_true(log_ring_sample(ring, &s));
		assert_true(log_ring_point(ring, &p));
		assert_int_equal(next_kept(ring), -1);
	}
	assert_int_equal(sqlite3_exec(other, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
	sqlite3_close(other);
	for (; told < 3; told++) {
		EVENTUALLY((step = next_kept(ring)) >= 0);
		assert_int_equal(step, told);
		assert_true(book_number(b, "SELECT count(*) FROM point") > told);
	}
	assert_int_equal(next_kept(ring), -1);
	/* the last one of a run: kept when the thread has ended */
	struct seq_point last = point_number(3);
	last.step = 3;
	assert_true(log_ring_point(ring, &last));
	log_ring_end(ring);
	assert_int_equal(next_kept(ring), 3);
	assert_int_equal(next_kept(ring), -1);
	OK(log_ring_stop(ring, &b->err));
}

/* I10: what cannot be written is never told, whatever was written before it. */
static void a_point_that_cannot_be_written_is_not_told(void **state)
{
	struct book *b = *state;
	int64_t run;
	struct log_ring *ring = start(b, &run);

	for (int i = 0; i < 2; i++) {
		struct seq_point p = point_number(i);
		p.step = i;
		if (i == 1)
			EVENTUALLY(book_sql(b, "CREATE TRIGGER broken BEFORE INSERT ON point "
					       "BEGIN SELECT RAISE(ABORT, 'the disk is broken'); END") == SQLITE_OK);
		assert_true(log_ring_point(ring, &p) || i == 1);
		if (i == 0)
			EVENTUALLY(book_number(b, "SELECT count(*) FROM point") == 1);
	}
	log_ring_end(ring);
	assert_int_equal(next_kept(ring), 0);
	assert_int_equal(next_kept(ring), -1);
	assert_int_equal(log_ring_stop(ring, &b->err), RC_DB);
}

/* I9, I11: the disk stands still: the tick side goes on, a full ring is told and what is lost is written down. */
static void a_full_ring_is_told(void **state)
{
	struct book *b = *state;
	int64_t run, kept = 0, refused = 0;
	struct log_ring *ring = start(b, &run);
	sqlite3 *other = NULL;
	struct sample s;

	assert_int_equal(sqlite3_open(b->path, &other), SQLITE_OK);
	sqlite3_busy_timeout(other, 10000);
	assert_int_equal(sqlite3_exec(other, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
	while (refused < 3) {
		s = sample_number(kept);
		if (log_ring_sample(ring, &s))
			kept++;
		else
			refused++;
		assert_true(kept <= 8192);
		assert_int_equal(log_ring_failed(ring), refused > 0);
	}
	assert_int_equal(kept, 8192);
	assert_int_equal(sqlite3_exec(other, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
	sqlite3_close(other);
	/* The stop itself is still written when there is room again, but the failure stays told. */
	s = sample_number(kept);
	EVENTUALLY((log_ring_sample(ring, &s), book_number(b, "SELECT count(*) FROM sample") > 8192));
	assert_true(log_ring_failed(ring));
	assert_int_equal(log_ring_stop(ring, &b->err), RC_DB);
	assert_non_null(strstr(b->err.what, "not kept"));
	assert_int_equal(book_number(b, "SELECT count(*) FROM event WHERE kind = 'rows_lost'"), 1);
	OK(logbook_verify(b->lb, &b->err));
}

/* I11: a write that fails is told, and tried again: nothing that was taken is lost when it succeeds later. */
static void a_failed_write_is_told_and_made_good(void **state)
{
	struct book *b = *state;
	int64_t run, n = 0;
	struct log_ring *ring = start(b, &run);

	assert_int_equal(book_sql(b, "CREATE TRIGGER broken BEFORE INSERT ON sample WHEN (NEW.key & 4294967295) = 20 "
				     "BEGIN SELECT RAISE(ABORT, 'the disk is broken'); END"),
			 SQLITE_OK);
	for (; n < 30; n++) {
		struct sample s = sample_number(n);
		log_ring_sample(ring, &s);
	}
	EVENTUALLY(log_ring_failed(ring));
	assert_int_equal(book_number(b, "SELECT count(*) < 20 FROM sample"), 1);
	for (; n < 60; n++) {
		struct sample s = sample_number(n);
		assert_false(log_ring_sample(ring, &s)); /* says that it failed, and takes the row */
	}
	assert_int_equal(book_sql(b, "DROP TRIGGER broken"), SQLITE_OK);
	EVENTUALLY(book_number(b, "SELECT count(*) FROM sample") == 60);
	assert_true(log_ring_failed(ring));
	assert_int_equal(log_ring_stop(ring, &b->err), RC_DB);
	assert_non_null(strstr(b->err.what, "the disk is broken"));
	assert_samples(b, run, 60);
}

static void a_write_that_fails_to_the_end_says_how_much(void **state)
{
	struct book *b = *state;
	int64_t run;
	struct log_ring *ring = start(b, &run);
	struct sample s = sample_number(0);

	assert_int_equal(book_sql(b, "CREATE TRIGGER broken BEFORE INSERT ON sample "
				     "BEGIN SELECT RAISE(ABORT, 'the disk is broken'); END"),
			 SQLITE_OK);
	for (int i = 0; i < 10; i++)
		log_ring_sample(ring, &s);
	assert_int_equal(log_ring_stop(ring, &b->err), RC_DB);
	assert_non_null(strstr(b->err.what, "10 rows of run 1 could not be written"));
}

/* Both losses: what was taken and not written, and what was not even taken. */
static void a_full_ring_whose_rows_cannot_be_written_tells_both(void **state)
{
	struct book *b = *state;
	int64_t run;
	struct log_ring *ring = start(b, &run);
	struct sample s = sample_number(0);
	int taken = 0, refused = 0;

	assert_int_equal(book_sql(b, "CREATE TRIGGER broken BEFORE INSERT ON sample "
				     "BEGIN SELECT RAISE(ABORT, 'the disk is broken'); END"),
			 SQLITE_OK);
	log_ring_sample(ring, &s);
	EVENTUALLY(log_ring_failed(ring));
	for (taken = 1; taken < 8192; taken++)
		log_ring_sample(ring, &s);
	for (; refused < 5; refused++)
		assert_false(log_ring_sample(ring, &s));
	assert_int_equal(log_ring_stop(ring, &b->err), RC_DB);
	assert_non_null(strstr(b->err.what, "8192 rows of run 1 could not be written and 5 more were refused"));
}

static void a_long_text_is_cut_and_marked(void **state)
{
	struct book *b = *state;
	int64_t run;
	struct log_ring *ring = start(b, &run);
	char text[600];

	memset(text, 'x', sizeof text - 1);
	text[sizeof text - 1] = '\0';
	assert_true(log_ring_event(ring, 1, "note", text));
	assert_true(log_ring_event(ring, 2, "note", NULL));
	OK(log_ring_stop(ring, &b->err));
	assert_int_equal(book_number(b, "SELECT count(*) FROM event WHERE length(text) = 399 AND text LIKE '%x...'"),
			 1);
	assert_int_equal(book_number(b, "SELECT count(*) FROM event WHERE text = ''"), 1);
}

#define TEST(f) cmocka_unit_test_setup_teardown(f, book_set_up, book_tear_down)

int main(void)
{
	static const struct CMUnitTest tests[] = {
		TEST(everything_arrives_in_order),
		TEST(a_point_is_durable_at_once),
		TEST(a_point_is_told_when_it_is_kept),
		TEST(a_point_that_cannot_be_written_is_not_told),
		TEST(a_full_ring_is_told),
		TEST(a_failed_write_is_told_and_made_good),
		TEST(a_write_that_fails_to_the_end_says_how_much),
		TEST(a_full_ring_whose_rows_cannot_be_written_tells_both),
		TEST(a_long_text_is_cut_and_marked),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
