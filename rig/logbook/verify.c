/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/logbook_private.h"

#include <stdio.h>
#include <string.h>

static enum rc not_whole(struct logbook *lb, struct err *err, const char *table, int64_t no, int64_t run_id,
			 const char *what)
{
	if (run_id)
		return err_set(err, RC_SAYS_NO, 0, "%s: %s %lld of run %lld %s", lb->path, table, (long long)no,
			       (long long)run_id, what);
	return err_set(err, RC_SAYS_NO, 0, "%s: row %lld of table %s %s", lb->path, (long long)no, table, what);
}

static const char altered[] = "was altered: its digest does not fit";
static const char missing[] = "is missing";

/* The three tables of a run: number, short digest, and the step of the chain that the row makes. */
struct walk {
	const char *table, *sql;
	void (*digest)(sqlite3_stmt *st, const struct chain *before, struct chain *after);
};

static void digest_row(sqlite3_stmt *st, unsigned has, const struct chain *before, struct chain *after)
{
	struct sample sample;

	sample_from_row(st, 2, &sample);
	sample_digest(before, &sample, has, after);
}

static void digest_sample_row(sqlite3_stmt *st, const struct chain *before, struct chain *after)
{
	digest_row(st, SAMPLE_HAS_RIPPLE | SAMPLE_HAS_REPEATS | SAMPLE_HAS_CELL_TEMP, before, after);
}

static void digest_sample_3_row(sqlite3_stmt *st, const struct chain *before, struct chain *after)
{
	digest_row(st, SAMPLE_HAS_RIPPLE | SAMPLE_HAS_REPEATS, before, after);
}

static void digest_sample_2_row(sqlite3_stmt *st, const struct chain *before, struct chain *after)
{
	digest_row(st, SAMPLE_HAS_RIPPLE, before, after);
}

static void digest_sample_1_row(sqlite3_stmt *st, const struct chain *before, struct chain *after)
{
	digest_row(st, 0, before, after);
}

static void digest_point_row(sqlite3_stmt *st, const struct chain *before, struct chain *after)
{
	struct seq_point point;

	point_from_row(st, 2, &point);
	point_digest(before, &point, after);
}

static void digest_event_row(sqlite3_stmt *st, const struct chain *before, struct chain *after)
{
	event_digest(before, sqlite3_column_int64(st, 2), (const char *)sqlite3_column_text(st, 3),
		     (const char *)sqlite3_column_text(st, 4), after);
}

/* Versions of clang-format draw braces in a macro differently. */
/* clang-format off */
#define WALK_SAMPLES(columns, digest) \
	{ "sample", \
	  "SELECT key & 4294967295, digest, " columns " FROM sample " \
	  "WHERE key >= (?1 << 32) AND key < ((?1 + 1) << 32) ORDER BY key", \
	  digest }
/* clang-format on */
static const struct walk walk_sample = WALK_SAMPLES(SAMPLE_COLUMNS, digest_sample_row);
static const struct walk walk_sample_3 = WALK_SAMPLES(SAMPLE_COLUMNS_3, digest_sample_3_row);
static const struct walk walk_sample_2 = WALK_SAMPLES(SAMPLE_COLUMNS_2, digest_sample_2_row);
static const struct walk walk_sample_1 = WALK_SAMPLES(SAMPLE_COLUMNS_1, digest_sample_1_row);
static const struct walk walk_point = {
	"point",
	"SELECT no, digest, " POINT_COLUMNS " FROM point WHERE run_id = ? ORDER BY no",
	digest_point_row,
};
static const struct walk walk_event = {
	"event",
	"SELECT no, digest, mono_ns, kind, text FROM event WHERE run_id = ? ORDER BY no",
	digest_event_row,
};

static enum rc walk_rows(struct logbook *lb, const struct walk *w, int64_t run_id, struct chain *ret, int64_t *ret_n,
			 int64_t *ret_last_ns, struct err *err)
{
	sqlite3_stmt *st;
	int step = SQLITE_DONE;
	enum rc rc = db_prepare(lb, w->sql, &st, err);

	*ret = (struct chain){ 0 };
	*ret_n = 0;
	*ret_last_ns = INT64_MIN;
	if (rc != RC_OK)
		return rc;
	sqlite3_bind_int64(st, 1, run_id);
	while (rc == RC_OK && (step = sqlite3_step(st)) == SQLITE_ROW) {
		++*ret_n;
		w->digest(st, ret, ret);
		if (sqlite3_column_int64(st, 0) != *ret_n)
			rc = not_whole(lb, err, w->table, *ret_n, run_id, missing);
		else if (sqlite3_column_int64(st, 1) != chain_short(ret))
			rc = not_whole(lb, err, w->table, *ret_n, run_id, altered);
		*ret_last_ns = sqlite3_column_int64(st, 2);
	}
	if (rc == RC_OK && step != SQLITE_DONE)
		rc = db_fail(lb, err, "read");
	sqlite3_finalize(st);
	return rc;
}

enum rc run_state_load(struct logbook *lb, int64_t run_id, struct run_state *ret, struct err *err)
{
	struct run_state s = { .run_id = run_id };
	int64_t unused;
	const struct walk *samples = lb->has & SAMPLE_HAS_CELL_TEMP ? &walk_sample
				     : lb->has & SAMPLE_HAS_REPEATS ? &walk_sample_3
				     : lb->has & SAMPLE_HAS_RIPPLE  ? &walk_sample_2
								    : &walk_sample_1;
	enum rc rc = walk_rows(lb, samples, run_id, &s.sample, &s.samples, &s.last_mono_ns, err);

	if (rc == RC_OK)
		rc = walk_rows(lb, &walk_point, run_id, &s.point, &s.points, &unused, err);
	if (rc == RC_OK)
		rc = walk_rows(lb, &walk_event, run_id, &s.event, &s.events, &unused, err);
	if (rc == RC_OK)
		*ret = s;
	return rc;
}

static enum rc integrity(struct logbook *lb, struct err *err)
{
	sqlite3_stmt *st;
	enum rc rc = db_prepare(lb, "PRAGMA integrity_check(1)", &st, err);

	if (rc != RC_OK)
		return rc;
	int step = sqlite3_step(st);
	const char *says = step == SQLITE_ROW ? (const char *)sqlite3_column_text(st, 0) : NULL;
	if (!says)
		rc = db_fail(lb, err, "check");
	else if (strcmp(says, "ok") != 0)
		rc = err_set(err, RC_SAYS_NO, 0, "%s: SQLite's integrity check: %s", lb->path, says);
	sqlite3_finalize(st);
	return rc;
}

static enum rc foreign_keys(struct logbook *lb, struct err *err)
{
	sqlite3_stmt *st;
	enum rc rc = db_prepare(lb, "PRAGMA foreign_key_check", &st, err);

	if (rc != RC_OK)
		return rc;
	int step = sqlite3_step(st);
	if (step == SQLITE_ROW)
		rc = err_set(err, RC_SAYS_NO, 0, "%s: a row of table %s rests on a row of %s that is missing", lb->path,
			     (const char *)sqlite3_column_text(st, 0), (const char *)sqlite3_column_text(st, 2));
	else if (step != SQLITE_DONE)
		rc = db_fail(lb, err, "check");
	sqlite3_finalize(st);
	return rc;
}

#define FIELDS_MAX 20

static enum rc check_small_row(struct logbook *lb, const char *table, sqlite3_stmt *st, int64_t no, struct chain *chain,
			       struct err *err)
{
	struct field fields[FIELDS_MAX];
	int n = sqlite3_column_count(st) - 1;

	for (int i = 0; i < n; i++)
		fields[i] = field_of_column(st, i);
	fields_digest(chain, table, fields, (size_t)n, chain);
	if (sqlite3_column_int64(st, 0) != no)
		return not_whole(lb, err, table, no, 0, missing);
	if (sqlite3_column_bytes(st, n) != CHAIN_SIZE ||
	    memcmp(sqlite3_column_blob(st, n), chain->digest, CHAIN_SIZE) != 0)
		return not_whole(lb, err, table, no, 0, altered);
	return RC_OK;
}

static enum rc check_small(struct logbook *lb, const char *table, struct err *err)
{
	struct chain chain = { 0 };
	char sql[80];
	sqlite3_stmt *st;
	int64_t no = 0;
	int step = SQLITE_DONE;

	snprintf(sql, sizeof sql, "SELECT * FROM %s ORDER BY id", table);
	enum rc rc = db_prepare(lb, sql, &st, err);
	while (rc == RC_OK && (step = sqlite3_step(st)) == SQLITE_ROW)
		rc = check_small_row(lb, table, st, ++no, &chain, err);
	if (rc == RC_OK && step != SQLITE_DONE)
		rc = db_fail(lb, err, "read");
	sqlite3_finalize(st);
	return rc;
}

static bool same_chain(sqlite3_stmt *st, int column, const struct chain *chain)
{
	return sqlite3_column_bytes(st, column) == CHAIN_SIZE &&
	       memcmp(sqlite3_column_blob(st, column), chain->digest, CHAIN_SIZE) == 0;
}

static enum rc check_run(struct logbook *lb, sqlite3_stmt *st, struct err *err)
{
	struct run_state s;
	int64_t run_id = sqlite3_column_int64(st, 0);
	enum rc rc = run_state_load(lb, run_id, &s, err);

	if (rc != RC_OK || sqlite3_column_type(st, 1) == SQLITE_NULL)
		return rc;
	if (s.samples != sqlite3_column_int64(st, 1))
		return not_whole(lb, err, "sample", s.samples + 1, run_id, missing);
	if (s.points != sqlite3_column_int64(st, 2))
		return not_whole(lb, err, "point", s.points + 1, run_id, missing);
	if (s.events != sqlite3_column_int64(st, 3))
		return not_whole(lb, err, "event", s.events + 1, run_id, missing);
	if (!same_chain(st, 4, &s.sample) || !same_chain(st, 5, &s.point) || !same_chain(st, 6, &s.event))
		return err_set(err, RC_SAYS_NO, 0, "%s: the rows of run %lld do not fit the digests at its end",
			       lb->path, (long long)run_id);
	return RC_OK;
}

static enum rc check_runs(struct logbook *lb, struct err *err)
{
	sqlite3_stmt *st;
	int step = SQLITE_DONE;
	enum rc rc = db_prepare(lb,
				"SELECT r.id, e.samples, e.points, e.events, e.sample_digest, e.point_digest, "
				"e.event_digest FROM run AS r LEFT JOIN run_end AS e ON e.run_id = r.id ORDER BY r.id",
				&st, err);

	while (rc == RC_OK && (step = sqlite3_step(st)) == SQLITE_ROW)
		rc = check_run(lb, st, err);
	if (rc == RC_OK && step != SQLITE_DONE)
		rc = db_fail(lb, err, "read");
	sqlite3_finalize(st);
	return rc;
}

/* A sample's key names its run without a foreign key (the look-up would cost a third of the writing). */
static enum rc stray_samples(struct logbook *lb, struct err *err)
{
	sqlite3_stmt *st;
	enum rc rc = db_prepare(lb, "SELECT max(key) >> 32, (SELECT max(id) FROM run), min(key) >> 32 FROM sample", &st,
				err);

	if (rc != RC_OK)
		return rc;
	if (sqlite3_step(st) != SQLITE_ROW)
		rc = db_fail(lb, err, "read");
	else if (sqlite3_column_type(st, 0) != SQLITE_NULL &&
		 (sqlite3_column_int64(st, 0) > sqlite3_column_int64(st, 1) || sqlite3_column_int64(st, 2) < 1))
		rc = err_set(err, RC_SAYS_NO, 0, "%s: there are samples of a run that is missing", lb->path);
	sqlite3_finalize(st);
	return rc;
}

enum rc logbook_verify(struct logbook *lb, struct err *err)
{
	static const char *const small[] = { "run", "run_end", "record" };
	enum rc rc = integrity(lb, err);

	if (rc == RC_OK)
		rc = schema_compare(lb, err);
	if (rc == RC_OK)
		rc = foreign_keys(lb, err);
	for (size_t i = 0; i < sizeof small / sizeof small[0] && rc == RC_OK; i++)
		rc = check_small(lb, small[i], err);
	if (rc == RC_OK)
		rc = stray_samples(lb, err);
	return rc == RC_OK ? check_runs(lb, err) : rc;
}

enum rc logbook_run_digest(struct logbook *lb, int64_t run_id, char ret[LOGBOOK_DIGEST_TEXT], struct err *err)
{
	struct chain all = { 0 };
	struct chain_row h;
	struct run_state s;
	enum rc rc = run_state_load(lb, run_id, &s, err);

	if (rc != RC_OK)
		return rc;
	chain_row_begin(&h, &all, "run contents");
	chain_bytes(&h, s.sample.digest, CHAIN_SIZE);
	chain_bytes(&h, s.point.digest, CHAIN_SIZE);
	chain_bytes(&h, s.event.digest, CHAIN_SIZE);
	chain_row_end(&h, &all);
	for (int i = 0; i < CHAIN_SIZE; i++)
		snprintf(ret + 2 * i, 3, "%02x", all.digest[i]);
	return RC_OK;
}
