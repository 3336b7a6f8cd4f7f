/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/extract.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/logbook/logbook_scene.h"

#define must(call) assert_int_equal((call), RC_OK)
#define ROWS 300

static int64_t add_record(struct book *b, const char *kind, int64_t wall_ns, const char *json)
{
	int64_t id = 0;

	must(logbook_record(b->lb, 0, wall_ns, kind, json, &id, &b->err));
	return id;
}

static int64_t add_run(struct book *b, int64_t wall_ns, int64_t calibration_id, int64_t resumes, int first)
{
	struct run_head head = { .kind = "sweep",
				 .rig_text = "[rig]\n",
				 .wall_ns = wall_ns,
				 .mono_ns = 0,
				 .calibration_id = calibration_id,
				 .resumes_run_id = resumes,
				 .on_bench = true };

	must(logbook_run_begin(b->lb, &head, &b->err));
	must(logbook_begin(b->lb, &b->err));
	for (int i = first; i < first + ROWS; i++) {
		struct sample s = sample_number(i);
		must(logbook_samples(b->lb, head.id, &s, 1, &b->err));
	}
	must(logbook_commit(b->lb, &b->err));
	struct seq_point p = point_number(first % 7);
	must(logbook_point(b->lb, head.id, &p, &b->err));
	must(logbook_event(b->lb, head.id, 1, "note", "a note", &b->err));
	must(logbook_run_end(b->lb, head.id, 5000000000000, "done", "", "", &b->err));
	return head.id;
}

struct seen {
	int n, first;
	bool same;
};

static bool look(void *ctx, const struct sample *s)
{
	struct seen *seen = ctx;
	struct sample expected = sample_number(seen->first + seen->n++);

	seen->same &= same_sample(s, &expected);
	return true;
}

static bool count_record(void *ctx, const struct record_info *record)
{
	char *kinds = ctx;

	strcat(kinds, record->kind);
	strcat(kinds, " ");
	return true;
}

/* The run, the one that it continues, what they rest on; nothing of the runs between and after, nor what came later. */
static void holds_the_run_and_what_it_rests_on(void **state)
{
	struct book *b = *state;
	struct logbook *lb = NULL;
	struct run_info info;
	uint8_t *bytes = NULL, *again = NULL;
	size_t n = 0, n_again = 0;
	int64_t *runs = NULL;
	size_t n_runs = 0;
	char kinds[200] = "", digest[LOGBOOK_DIGEST_TEXT], home[LOGBOOK_DIGEST_TEXT];

	must(logbook_open(b->path, &b->lb, &b->err));
	add_record(b, "calibration", 1, "{\"old\":1}");
	int64_t cal = add_record(b, "calibration", 2, "{\"new\":1}");
	add_record(b, "check", 3, "{}");
	int64_t one = add_run(b, 10, cal, 0, 0), other = add_run(b, 20, cal, 0, 1000),
		two = add_run(b, 30, cal, one, 2000);
	add_record(b, "check", 40, "{\"later\":1}");
	add_record(b, "accepted", 50, "{}");
	must(extract_make(b->lb, two, &bytes, &n, &b->err));
	must(extract_make(b->lb, two, &again, &n_again, &b->err));
	assert_int_equal(n, n_again);
	assert_memory_equal(bytes, again, n);
	must(extract_open("x", bytes, n, &lb, &b->err));
	must(logbook_runs(lb, NULL, &runs, &n_runs, &b->err));
	assert_int_equal(n_runs, 2);
	assert_int_equal(runs[0], two);
	assert_int_equal(runs[1], one);
	assert_int_not_equal(logbook_run_info(lb, other, &info, &b->err), RC_OK);
	must(logbook_each_record(lb, NULL, RECORD_ANY, count_record, kinds, &b->err));
	assert_string_equal(kinds, "calibration check accepted ");
	struct seen seen = { .first = 2000, .same = true };
	must(logbook_each_sample(lb, two, INT64_MIN, INT64_MAX, look, &seen, &b->err));
	assert_int_equal(seen.n, ROWS);
	assert_true(seen.same);
	must(logbook_run_digest(lb, two, digest, &b->err));
	must(logbook_run_digest(b->lb, two, home, &b->err));
	assert_string_equal(digest, home);
	free(runs);
	logbook_close(lb);
	extract_free(bytes);
	extract_free(again);
}

/* It is no bench's logbook, and a logbook is no extract. */
static void is_no_logbook(void **state)
{
	struct book *b = *state;
	struct logbook *lb = NULL;
	uint8_t *bytes = NULL;
	size_t n = 0;

	must(logbook_open(b->path, &b->lb, &b->err));
	int64_t run = add_run(b, 10, add_record(b, "calibration", 2, "{}"), 0, 0);
	must(extract_make(b->lb, run, &bytes, &n, &b->err));
	logbook_close(b->lb);
	b->lb = NULL;
	book_remove(b);
	FILE *f = fopen(b->path, "w");
	assert_int_equal(fwrite(bytes, 1, n, f), n);
	fclose(f);
	assert_int_equal(logbook_open_read(b->path, &lb, &b->err), RC_DB);
	assert_non_null(strstr(b->err.what, "not a logbook"));
	bytes[68] ^= 1; /* application_id */
	assert_int_equal(extract_open("x", bytes, n, &lb, &b->err), RC_ARG);
	extract_free(bytes);
}

static void refuses_what_it_does_not_know(void **state)
{
	struct book *b = *state;
	struct logbook *lb = NULL;
	uint8_t *bytes = NULL, zeros[2000] = { 0 };
	size_t n = 0;

	must(logbook_open(b->path, &b->lb, &b->err));
	int64_t run = add_run(b, 10, add_record(b, "calibration", 2, "{}"), 0, 0);
	assert_int_equal(extract_make(b->lb, run + 1, &bytes, &n, &b->err), RC_ARG);
	must(extract_make(b->lb, run, &bytes, &n, &b->err));
	assert_int_equal(extract_open("x", zeros, sizeof zeros, &lb, &b->err), RC_ARG);
	assert_int_equal(extract_open("x", bytes, 100, &lb, &b->err), RC_ARG);
	/* A schema that somebody changed: the text of a trigger. */
	char *trigger = memmem(bytes, n, "append-only", 11);
	assert_non_null(trigger);
	memcpy(trigger, "xppend-only", 11);
	assert_int_equal(extract_open("x", bytes, n, &lb, &b->err), RC_ARG);
	assert_non_null(strstr(b->err.what, "schema"));
	extract_free(bytes);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(holds_the_run_and_what_it_rests_on, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(is_no_logbook, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(refuses_what_it_does_not_know, book_set_up, book_tear_down),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
