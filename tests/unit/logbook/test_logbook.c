/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/unit/logbook/logbook_scene.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define OK(call) \
	do { \
		if ((call) != RC_OK) \
			fail_msg("%s", b->err.what); \
	} while (0)

static void open_book(struct book *b)
{
	OK(logbook_open(b->path, &b->lb, &b->err));
}

static void reopen_for_reading(struct book *b)
{
	logbook_close(b->lb);
	b->lb = NULL;
	OK(logbook_open_read(b->path, &b->lb, &b->err));
}

static int64_t begin_run(struct book *b, const char *kind, int64_t resumes)
{
	struct run_head head = { .kind = kind,
				 .rig_text = "[rig]\nname = Heron Lock\n",
				 .actuator_text = "[actuator]\n",
				 .plan_text = NULL,
				 .actuator_name = "paddle winder",
				 .plan_name = NULL,
				 .mono_ns = 1000,
				 .wall_ns = 1717171717000000000,
				 .on_bench = true,
				 .resumes_run_id = resumes };

	OK(logbook_run_begin(b->lb, &head, &b->err));
	return head.id;
}

static void add_samples(struct book *b, int64_t run_id, int64_t first, int64_t n)
{
	for (int64_t i = first; i < first + n; i++) {
		struct sample s = sample_number(i);
		OK(logbook_samples(b->lb, run_id, &s, 1, &b->err));
	}
}

/* A run of each kind of row, ended. */
static int64_t whole_run(struct book *b)
{
	int64_t id = begin_run(b, "sweep", 0);

	OK(logbook_begin(b->lb, &b->err));
	add_samples(b, id, 0, 100);
	for (int i = 0; i < 5; i++) {
		struct seq_point p = point_number(i);
		OK(logbook_point(b->lb, id, &p, &b->err));
		OK(logbook_event(b->lb, id, 77 * i, "step", i == 2 ? "" : "a text", &b->err));
	}
	OK(logbook_commit(b->lb, &b->err));
	OK(logbook_record(b->lb, id, 42, "note", "{\"text\": \"cool morning\"}", NULL, &b->err));
	OK(logbook_run_end(b->lb, id, 999999, "done", "", "", &b->err));
	return id;
}

/* Opening. */

static void makes_the_file_as_stated(void **state)
{
	struct book *b = *state;

	open_book(b);
	assert_int_equal(book_number(b, "PRAGMA user_version"), 4);
	assert_int_equal(book_number(b, "SELECT count(*) FROM pragma_journal_mode WHERE journal_mode = 'wal'"), 1);
	OK(logbook_verify(b->lb, &b->err));
	logbook_close(b->lb);
	b->lb = NULL;
	open_book(b); /* and again */
}

static void refuses_what_is_not_a_logbook(void **state)
{
	struct book *b = *state;
	FILE *f = fopen(b->path, "w");

	fputs("this is no SQLite file, though it is longer than the hundred bytes of an SQLite header, so that it is "
	      "looked at in earnest and not taken for an empty one\n",
	      f);
	fclose(f);
	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_DB);
	assert_non_null(strstr(b->err.what, b->path));
	assert_non_null(strstr(b->err.what, "not a logbook"));
	assert_int_equal(logbook_open_read(b->path, &b->lb, &b->err), RC_DB);
	assert_non_null(strstr(b->err.what, "not a logbook"));

	unlink(b->path);
	assert_int_equal(book_sql(b, "CREATE TABLE recipes (name TEXT); INSERT INTO recipes VALUES ('soup')"),
			 SQLITE_OK);
	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_DB);
	assert_non_null(strstr(b->err.what, "not a logbook"));
	assert_int_equal(book_number(b, "SELECT count(*) FROM sqlite_schema"), 1); /* nothing was added to it */

	assert_int_equal(logbook_open_read("/nowhere/at all", &b->lb, &b->err), RC_DB);
	assert_int_equal(logbook_open("/nowhere/at all", &b->lb, &b->err), RC_DB);
	assert_int_equal(logbook_open(b->dir, &b->lb, &b->err), RC_DB);
	assert_null(b->lb);
}

static void refuses_a_newer_schema(void **state)
{
	struct book *b = *state;

	open_book(b);
	logbook_close(b->lb);
	b->lb = NULL;
	assert_int_equal(book_sql(b, "PRAGMA user_version = 5"), SQLITE_OK);
	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_DB);
	assert_non_null(strstr(b->err.what, "version 5"));
	assert_int_equal(logbook_open_read(b->path, &b->lb, &b->err), RC_DB);
}

/* I14 */
static void a_reader_does_not_write(void **state)
{
	struct book *b = *state;
	struct run_head head = { .kind = "sweep" };

	open_book(b);
	whole_run(b);
	reopen_for_reading(b);
	assert_int_equal(logbook_run_begin(b->lb, &head, &b->err), RC_DB);
	assert_non_null(strstr(b->err.what, "reading only"));
	assert_int_equal(logbook_record(b->lb, 0, 0, "note", "{}", NULL, &b->err), RC_DB);
}

static void a_path_with_odd_letters_is_a_path(void **state)
{
	struct book *b = *state;

	snprintf(b->path, sizeof b->path, "%s/a %%41?mode=memory#x", b->dir);
	open_book(b);
	whole_run(b);
	reopen_for_reading(b);
	assert_int_equal(access(b->path, F_OK), 0);
	OK(logbook_verify(b->lb, &b->err));
}

/* Rows come back as they went in. */

struct gathered {
	size_t n, stop_at;
	struct sample rows[400];
};

static bool gather(void *ctx, const struct sample *sample)
{
	struct gathered *g = ctx;

	g->rows[g->n++] = *sample;
	return g->n != g->stop_at;
}

static void samples_come_back_bit_by_bit(void **state)
{
	struct book *b = *state;
	struct gathered g = { 0 };
	struct sample odd = {
		.mono_ns = INT64_MAX,
		.node_us = UINT64_MAX,
		.sample_no = UINT32_MAX,
		.cell_count = INT32_MIN,
		.cell_conversions = UINT32_MAX,
		.pulses = INT64_MIN,
		.edge_time_s = NAN,
		.torque_Nm = -INFINITY,
		.speed_rpm = INFINITY,
		.brake_set_A = 5e-324,
		.brake_A = 1.7976931348623157e308,
		.voltage_V = -0.0,
		.current_A = 0.1 + 0.2,
		.drive_set = 1e15,
		.drive_rotor_rpm = -9007199254740993.0,
		.drive_A = NAN,
		.temp_degC = { NAN, NAN, NAN, NAN },
		.drive_mode = UINT16_MAX,
		.drive_flags = UINT16_MAX,
		.lines = UINT16_MAX,
		.phase = UINT16_MAX,
		.step = INT32_MIN,
		.late_ns = INT64_MIN,
	};

	open_book(b);
	int64_t id = begin_run(b, "sweep", 0);
	add_samples(b, id, 0, 200);
	OK(logbook_samples(b->lb, id, &odd, 1, &b->err));
	reopen_for_reading(b);
	OK(logbook_each_sample(b->lb, id, INT64_MIN, INT64_MAX, gather, &g, &b->err));
	assert_int_equal(g.n, 200); /* the end is not part of the stretch, and the odd one is at the end of time */
	for (int i = 0; i < 200; i++) {
		struct sample s = sample_number(i);
		assert_true(same_sample(&g.rows[i], &s));
	}
	OK(logbook_verify(b->lb, &b->err)); /* reads the odd one: its digest was made before it was stored */
}

/* Against the slow and obvious: every window over rows, several of them at one moment. */
static void a_stretch_is_the_rows_between_its_ends(void **state)
{
	struct book *b = *state;
	int64_t times[60];

	open_book(b);
	begin_run(b, "hang", 0); /* neighbours on both sides */
	int64_t id = begin_run(b, "sweep", 0);
	for (int i = 0; i < 60; i++) {
		struct sample s = sample_number(i);
		s.mono_ns = times[i] = 100 + 10 * (i / 3) + (i >= 30 ? 500 : 0);
		OK(logbook_samples(b->lb, id, &s, 1, &b->err));
	}
	int64_t after = begin_run(b, "sweep", 0);
	add_samples(b, after, 0, 3);
	for (int64_t begin = 85; begin < 900; begin += 5) {
		for (int64_t end = begin - 10; end < 910; end += 35) {
			struct gathered g = { 0 };
			size_t want = 0;
			for (int i = 0; i < 60; i++)
				want += times[i] >= begin && times[i] < end;
			OK(logbook_each_sample(b->lb, id, begin, end, gather, &g, &b->err));
			assert_int_equal(g.n, want);
			for (size_t i = 0; i < g.n; i++)
				assert_true(g.rows[i].mono_ns >= begin && g.rows[i].mono_ns < end);
		}
	}
	struct gathered g = { .stop_at = 7 };
	OK(logbook_each_sample(b->lb, id, INT64_MIN, INT64_MAX, gather, &g, &b->err));
	assert_int_equal(g.n, 7);
	OK(logbook_each_sample(b->lb, 99, INT64_MIN, INT64_MAX, gather, &g, &b->err));
	assert_int_equal(g.n, 7); /* no such run: no row */
}

static void time_goes_on_and_an_ended_run_stays_ended(void **state)
{
	struct book *b = *state;
	struct sample late = sample_number(9), early = sample_number(8);
	struct seq_point p = point_number(1);

	open_book(b);
	int64_t id = begin_run(b, "sweep", 0);
	OK(logbook_samples(b->lb, id, &late, 1, &b->err));
	assert_int_equal(logbook_samples(b->lb, id, &early, 1, &b->err), RC_ARG);
	assert_int_equal(book_number(b, "SELECT count(*) FROM sample"), 1);
	OK(logbook_samples(b->lb, id, &late, 1, &b->err)); /* the same moment is no step back */
	OK(logbook_run_end(b->lb, id, 5, "done", "", "", &b->err));
	assert_int_equal(logbook_samples(b->lb, id, &late, 1, &b->err), RC_ARG);
	assert_int_equal(logbook_point(b->lb, id, &p, &b->err), RC_ARG);
	assert_int_equal(logbook_event(b->lb, id, 0, "x", "y", &b->err), RC_ARG);
	assert_int_equal(logbook_run_end(b->lb, id, 5, "done", "", "", &b->err), RC_ARG);
	assert_int_equal(logbook_event(b->lb, 77, 0, "x", "y", &b->err), RC_DB); /* no such run */
	OK(logbook_verify(b->lb, &b->err));
}

static void a_run_tells_what_it_was(void **state)
{
	struct book *b = *state;
	struct run_info info;
	char *rig = NULL, *actuator = NULL, *plan = NULL;

	open_book(b);
	int64_t id = whole_run(b);
	reopen_for_reading(b);
	OK(logbook_run_info(b->lb, id, &info, &b->err));
	assert_true(info.ended && info.on_bench);
	assert_string_equal(info.kind, "sweep");
	assert_string_equal(info.actuator, "paddle winder");
	assert_string_equal(info.plan, "");
	assert_string_equal(info.outcome, "done");
	assert_string_equal(info.program, BRIDLE_VERSION);
	assert_int_equal(info.samples, 100);
	assert_int_equal(info.points, 5);
	assert_int_equal(info.wall_ns, 1717171717000000000);
	assert_int_equal(info.end_mono_ns, 999999);
	OK(logbook_run_texts(b->lb, id, &rig, &actuator, &plan, &b->err));
	assert_string_equal(rig, "[rig]\nname = Heron Lock\n");
	assert_string_equal(actuator, "[actuator]\n");
	assert_null(plan);
	free(rig);
	free(actuator);
	assert_int_equal(logbook_run_info(b->lb, 12, &info, &b->err), RC_ARG);
	assert_non_null(strstr(b->err.what, "no run 12"));
}

/* A terminal obeys them, from whomever the file is: ESC, BEL, DEL, and U+009B, which some take for ESC [,
 * one of 8 bits as the byte 9B alone. What is no UTF-8 (RFC 3629, section 4) is no text: a byte alone, a sequence that
 * is cut. */
static void what_it_was_has_no_control_characters(void **state)
{
	struct book *b = *state;
	struct run_info info;
	char text[40];
	int64_t run;
	struct run_head head = { .kind = "sweep",
				 .rig_text = "[rig]\n",
				 .actuator_name = "\033]52;c;x\007",
				 .plan_name = "a\177\302\2332Jb °C\2332J\377\342\210" };

	open_book(b);
	OK(logbook_run_begin(b->lb, &head, &b->err));
	OK(logbook_event(b->lb, head.id, 0, "stop", "\033[2Jgone\2330m ± 1", &b->err));
	OK(logbook_run_info(b->lb, head.id, &info, &b->err));
	assert_string_equal(info.actuator, "?]52;c;x?");
	assert_string_equal(info.plan, "a???2Jb °C?2J???");
	OK(logbook_last_unended(b->lb, "stop", &run, text, sizeof text, &b->err));
	assert_int_equal(run, head.id);
	assert_string_equal(text, "?[2Jgone?0m ± 1");
}

static void a_run_that_was_killed_says_so(void **state)
{
	struct book *b = *state;
	struct run_info info;
	struct seq_point p = point_number(3), *points = NULL;
	size_t n = 0;

	open_book(b);
	int64_t id = begin_run(b, "sweep", 0);
	add_samples(b, id, 0, 10);
	OK(logbook_point(b->lb, id, &p, &b->err));
	reopen_for_reading(b);
	OK(logbook_run_info(b->lb, id, &info, &b->err));
	assert_false(info.ended);
	/* nobody knows whether somebody still writes it */
	assert_non_null(strstr(info.message, "still going on"));
	assert_non_null(strstr(info.message, "killed"));
	assert_string_equal(info.outcome, "");
	assert_non_null(strstr(info.message, "killed"));
	assert_int_equal(info.samples, 10);
	assert_int_equal(info.end_mono_ns, sample_number(9).mono_ns);
	OK(logbook_points(b->lb, id, &points, NULL, &n, &b->err));
	assert_int_equal(n, 1);
	assert_true(same_point(points, &p));
	free(points);
	OK(logbook_verify(b->lb, &b->err));
}

static void points_of_resumed_runs_come_first(void **state)
{
	struct book *b = *state;
	struct seq_point *points = NULL;
	int64_t *run_of = NULL, ids[3] = { 0 };
	size_t n = 0;

	open_book(b);
	for (int run = 0; run < 3; run++) {
		ids[run] = begin_run(b, "sweep", run ? ids[run - 1] : 0);
		for (int i = 0; i < 3; i++) {
			struct seq_point p = point_number(3 * run + i);
			OK(logbook_point(b->lb, ids[run], &p, &b->err));
		}
		int64_t other = begin_run(b, "map", 0); /* in between, and of no concern */
		struct seq_point p = point_number(99);
		OK(logbook_point(b->lb, other, &p, &b->err));
	}
	OK(logbook_points(b->lb, ids[2], &points, &run_of, &n, &b->err));
	assert_int_equal(n, 9);
	for (int i = 0; i < 9; i++) {
		struct seq_point p = point_number(i);
		assert_true(same_point(&points[i], &p));
		assert_int_equal(run_of[i], ids[i / 3]);
	}
	free(points);
	free(run_of);
	OK(logbook_points(b->lb, ids[0], &points, NULL, &n, &b->err));
	assert_int_equal(n, 3);
	free(points);
}

static void records_and_runs_are_found(void **state)
{
	struct book *b = *state;
	int64_t id = 7, first, second, wall = 7, *ids = NULL;
	char *json = NULL, *kind = NULL;
	size_t n = 0;

	open_book(b);
	OK(logbook_latest_record(b->lb, "calibration", RECORD_ANY, &id, &wall, &json, &b->err));
	assert_int_equal(id, 0);
	assert_null(json);
	OK(logbook_record(b->lb, 0, 10, "calibration", "{\"n\":1}", &first, &b->err));
	OK(logbook_record(b->lb, 0, 20, "map", "{}", NULL, &b->err));
	OK(logbook_record(b->lb, 0, 30, "calibration", "{\"n\":2}", &second, &b->err));
	OK(logbook_latest_record(b->lb, "calibration", RECORD_ANY, &id, &wall, &json, &b->err));
	assert_int_equal(id, second);
	assert_int_equal(wall, 30);
	assert_string_equal(json, "{\"n\":2}");
	free(json);
	OK(logbook_record_by_id(b->lb, first, &kind, &wall, &json, &b->err));
	assert_string_equal(kind, "calibration");
	assert_string_equal(json, "{\"n\":1}");
	free(json);
	free(kind);
	assert_int_equal(logbook_record_by_id(b->lb, 55, &kind, &wall, &json, &b->err), RC_ARG);

	begin_run(b, "hang", 0);
	begin_run(b, "sweep", 0);
	begin_run(b, "hang", 0);
	OK(logbook_runs(b->lb, "hang", &ids, &n, &b->err));
	assert_int_equal(n, 2);
	assert_true(ids[0] == 3 && ids[1] == 1);
	free(ids);
	OK(logbook_runs(b->lb, NULL, &ids, &n, &b->err));
	assert_int_equal(n, 3);
	free(ids);
	int64_t on_bench; /* begin_run's are */
	OK(logbook_record(b->lb, begin_run(b, "hang", 0), 40, "calibration", "{\"n\":3}", &on_bench, &b->err));
	OK(logbook_latest_record(b->lb, "calibration", RECORD_BENCH, &id, NULL, NULL, &b->err));
	assert_int_equal(id, on_bench);
	OK(logbook_latest_record(b->lb, "calibration", RECORD_REAL, &id, NULL, NULL, &b->err));
	assert_int_equal(id, second);
}

/* I12: append-only, for everybody. */
static void nothing_is_changed_or_deleted(void **state)
{
	static const char *const tries[] = {
		"UPDATE sample SET torque_Nm = 0",
		"DELETE FROM sample",
		"UPDATE point SET flags = 0",
		"DELETE FROM point",
		"UPDATE event SET text = ''",
		"DELETE FROM event",
		"UPDATE run SET plan = 'x'",
		"DELETE FROM run",
		"UPDATE run_end SET outcome = 'done'",
		"DELETE FROM run_end",
		"UPDATE record SET json = '{}'",
		"DELETE FROM record",
		"INSERT OR REPLACE INTO record SELECT * FROM record",
		"INSERT OR REPLACE INTO run SELECT * FROM run",
		"INSERT OR REPLACE INTO run_end SELECT * FROM run_end",
		"INSERT OR REPLACE INTO point SELECT * FROM point",
		"INSERT OR REPLACE INTO event SELECT * FROM event",
	};
	struct book *b = *state;

	open_book(b);
	whole_run(b);
	for (size_t i = 0; i < sizeof tries / sizeof tries[0]; i++)
		if (book_sql(b, tries[i]) != SQLITE_CONSTRAINT)
			fail_msg("not refused: %s", tries[i]);
	OK(logbook_verify(b->lb, &b->err));
}

static void gather_all(void *ctx, const struct sample *sample)
{
	gather(ctx, sample);
}

/* One pass says what two say, and every sample comes whatever the digest says. */
static void one_pass_agrees(struct book *b)
{
	char digest[LOGBOOK_DIGEST_TEXT] = "", passed[LOGBOOK_DIGEST_TEXT];
	struct gathered g = { 0 };
	struct err said = { 0 }, why = { 0 };
	enum rc rc = logbook_run_digest(b->lb, 1, digest, &said);

	OK(logbook_samples_and_digest(b->lb, 1, gather_all, &g, passed, &why, &b->err));
	assert_int_equal(why.rc, rc);
	assert_string_equal(why.what, said.what);
	assert_string_equal(passed, digest);
	assert_int_equal(g.n, book_number(b, "SELECT count(*) FROM sample"));
	struct sample first = sample_number(0), last = sample_number(99);
	if (rc == RC_OK && g.n == 100)
		assert_true(same_sample(&g.rows[0], &first) && same_sample(&g.rows[99], &last));
}

/* Somebody takes the triggers away, alters a row and puts them back. */
static void what_was_altered_is_found(void **state)
{
	static const struct {
		const char *trigger, *alter, *says;
	} tries[] = {
		{ "sample_no_update", "UPDATE sample SET torque_Nm = torque_Nm + 1e-12 WHERE key & 4294967295 = 50",
		  "sample 50 of run 1 was altered" },
		{ "sample_no_update", "UPDATE sample SET temp_case_degC = 0 WHERE key & 4294967295 = 1",
		  "sample 1 of run 1 was altered" },
		{ "sample_no_delete", "DELETE FROM sample WHERE key & 4294967295 = 50",
		  "sample 50 of run 1 is missing" },
		{ "sample_no_delete", "DELETE FROM sample WHERE key & 4294967295 = 100",
		  "sample 100 of run 1 is missing" },
		{ "point_no_update", "UPDATE point SET mean_torque_Nm = 3 WHERE no = 2",
		  "point 2 of run 1 was altered" },
		{ "point_no_delete", "DELETE FROM point WHERE no = 5", "point 5 of run 1 is missing" },
		{ "event_no_update", "UPDATE event SET text = 'another' WHERE no = 5", "event 5 of run 1 was altered" },
		{ "event_no_delete", "DELETE FROM event", "event 1 of run 1 is missing" },
		{ "run_no_update", "UPDATE run SET rig_text = replace(rig_text, 'Heron', 'Swan')",
		  "row 1 of table run was altered" },
		{ "run_end_no_update", "UPDATE run_end SET outcome = 'stopped'", "row 1 of table run_end was altered" },
		{ "record_no_update", "UPDATE record SET json = '{}'", "row 1 of table record was altered" },
		{ "record_no_delete", "DELETE FROM record WHERE id = 1", "row 1 of table record is missing" },
	};

	for (size_t i = 0; i < sizeof tries / sizeof tries[0]; i++) {
		struct book *b = *state;
		char sql[1200];
		open_book(b);
		whole_run(b);
		OK(logbook_record(b->lb, 0, 43, "note", "{}", NULL, &b->err));
		OK(logbook_verify(b->lb, &b->err));
		one_pass_agrees(b);
		snprintf(sql, sizeof sql,
			 "PRAGMA writable_schema = ON; CREATE TEMP TABLE keep AS SELECT * FROM sqlite_schema "
			 "WHERE name = '%s'; DROP TRIGGER %s; %s; INSERT INTO sqlite_schema SELECT * FROM keep",
			 tries[i].trigger, tries[i].trigger, tries[i].alter);
		assert_int_equal(book_sql(b, sql), SQLITE_OK);
		reopen_for_reading(b);
		assert_int_equal(logbook_verify(b->lb, &b->err), RC_SAYS_NO);
		if (!strstr(b->err.what, tries[i].says))
			fail_msg("%s: \"%s\"", tries[i].alter, b->err.what);
		one_pass_agrees(b);
		logbook_close(b->lb);
		b->lb = NULL;
		unlink(b->path);
	}
}

static void a_missing_trigger_is_found(void **state)
{
	struct book *b = *state;

	open_book(b);
	whole_run(b);
	assert_int_equal(book_sql(b, "DROP TRIGGER sample_no_update"), SQLITE_OK);
	assert_int_equal(logbook_verify(b->lb, &b->err), RC_SAYS_NO);
	assert_non_null(strstr(b->err.what, "sample_no_update is missing"));
}

/* I13: a run's digest is of what was measured, not of when it was written or how rows were grouped. */
static void the_digest_knows_no_grouping_and_no_time_of_day(void **state)
{
	struct book *b = *state;
	char first[LOGBOOK_DIGEST_TEXT], next[LOGBOOK_DIGEST_TEXT];
	struct sample samples[300];

	for (int i = 0; i < 300; i++)
		samples[i] = sample_number(i);
	open_book(b);
	for (int way = 0; way < 3; way++) {
		struct run_head head = { .kind = "sweep", .wall_ns = 1000 * way };
		struct seq_point p = point_number(1);
		OK(logbook_run_begin(b->lb, &head, &b->err));
		if (way == 0) {
			OK(logbook_samples(b->lb, head.id, samples, 300, &b->err));
			OK(logbook_point(b->lb, head.id, &p, &b->err));
		} else if (way == 1) {
			OK(logbook_begin(b->lb, &b->err));
			OK(logbook_samples(b->lb, head.id, samples, 150, &b->err));
			OK(logbook_point(b->lb, head.id, &p, &b->err));
			OK(logbook_samples(b->lb, head.id, samples + 150, 150, &b->err));
			OK(logbook_commit(b->lb, &b->err));
		} else {
			add_samples(b, head.id, 0, 100);
			OK(logbook_begin(b->lb, &b->err)); /* undone: as if it had not been */
			add_samples(b, head.id, 100, 50);
			OK(logbook_point(b->lb, head.id, &p, &b->err));
			logbook_undo(b->lb);
			logbook_close(b->lb); /* killed, and taken up by another program */
			b->lb = NULL;
			open_book(b);
			add_samples(b, head.id, 100, 200);
			OK(logbook_point(b->lb, head.id, &p, &b->err));
		}
		OK(logbook_run_end(b->lb, head.id, 7, "done", "", "", &b->err));
		OK(logbook_run_digest(b->lb, head.id, way ? next : first, &b->err));
		if (way)
			assert_string_equal(first, next);
	}
	OK(logbook_verify(b->lb, &b->err));
	samples[7].cell_count++;
	struct run_head head = { .kind = "sweep" };
	OK(logbook_run_begin(b->lb, &head, &b->err));
	OK(logbook_samples(b->lb, head.id, samples, 300, &b->err));
	OK(logbook_run_digest(b->lb, head.id, next, &b->err));
	assert_string_not_equal(first, next);
}

static void a_failed_append_undoes_its_group(void **state)
{
	struct book *b = *state;
	struct sample early = sample_number(1);

	open_book(b);
	int64_t id = begin_run(b, "sweep", 0);
	add_samples(b, id, 10, 5);
	OK(logbook_begin(b->lb, &b->err));
	add_samples(b, id, 15, 5);
	assert_int_equal(logbook_samples(b->lb, id, &early, 1, &b->err), RC_ARG);
	assert_int_equal(logbook_commit(b->lb, &b->err), RC_ARG);
	assert_int_equal(book_number(b, "SELECT count(*) FROM sample"), 5);
	add_samples(b, id, 15, 5);
	OK(logbook_verify(b->lb, &b->err));
	assert_int_equal(book_number(b, "SELECT count(*) FROM sample"), 10);
}

/* A note while a run is being written by another program: both are kept, the chains stay whole. */
static void two_writers_take_turns(void **state)
{
	struct book *b = *state;
	struct logbook *other = NULL;

	open_book(b);
	int64_t id = begin_run(b, "sweep", 0);
	OK(logbook_open(b->path, &other, &b->err));
	for (int i = 0; i < 20; i++) {
		add_samples(b, id, i, 1);
		OK(logbook_record(i % 2 ? other : b->lb, 0, i, "note", "{}", NULL, &b->err));
	}
	logbook_close(other);
	OK(logbook_run_end(b->lb, id, 7, "done", "", "", &b->err));
	OK(logbook_verify(b->lb, &b->err));
	assert_int_equal(book_number(b, "SELECT count(*) FROM record"), 20);
}

#define TEST(f) cmocka_unit_test_setup_teardown(f, book_set_up, book_tear_down)

int main(void)
{
	static const struct CMUnitTest tests[] = {
		TEST(makes_the_file_as_stated),
		TEST(refuses_what_is_not_a_logbook),
		TEST(refuses_a_newer_schema),
		TEST(a_reader_does_not_write),
		TEST(a_path_with_odd_letters_is_a_path),
		TEST(samples_come_back_bit_by_bit),
		TEST(a_stretch_is_the_rows_between_its_ends),
		TEST(time_goes_on_and_an_ended_run_stays_ended),
		TEST(a_run_tells_what_it_was),
		TEST(what_it_was_has_no_control_characters),
		TEST(a_run_that_was_killed_says_so),
		TEST(points_of_resumed_runs_come_first),
		TEST(records_and_runs_are_found),
		TEST(nothing_is_changed_or_deleted),
		TEST(what_was_altered_is_found),
		TEST(a_missing_trigger_is_found),
		TEST(the_digest_knows_no_grouping_and_no_time_of_day),
		TEST(a_failed_append_undoes_its_group),
		TEST(two_writers_take_turns),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
