/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/logbook_private.h"

#include "channel/utf8.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum rc copy_text(sqlite3_stmt *st, int column, char **ret)
{
	const char *text = (const char *)sqlite3_column_text(st, column);

	*ret = NULL;
	if (!text)
		return RC_OK;
	*ret = strdup(text);
	return *ret ? RC_OK : RC_NOMEM;
}

/* Shown to people, by a terminal too, which obeys what a file from somebody else may hold. */
static void cut_text(sqlite3_stmt *st, int column, char *ret, size_t size)
{
	const char *text = (const char *)sqlite3_column_text(st, column);

	utf8_clean(text ? text : "", ret, size);
}

static enum rc no_memory(struct logbook *lb, struct err *err)
{
	return err_set(err, RC_NOMEM, 0, "%s: out of memory", lb->path);
}

/* One row or none; anything else is an error. */
static enum rc one_row(struct logbook *lb, sqlite3_stmt *st, bool *ret_found, struct err *err)
{
	int step = sqlite3_step(st);

	*ret_found = step == SQLITE_ROW;
	return step == SQLITE_ROW || step == SQLITE_DONE ? RC_OK : db_fail(lb, err, "read");
}

static enum rc no_run(struct logbook *lb, int64_t run_id, struct err *err)
{
	return err_set(err, RC_ARG, 0, "%s: no run %lld; bridle log list shows them", lb->path, (long long)run_id);
}

/* Records. */

/* ?2: the place. */
#define OF_PLACE "(?2 = 0 OR run_id IS NULL OR (SELECT on_bench FROM run WHERE run.id = record.run_id) = (?2 = 2))"

enum rc logbook_latest_record(struct logbook *lb, const char *kind, enum record_place place, int64_t *ret_id,
			      int64_t *ret_wall_ns, char **ret_json, struct err *err)
{
	sqlite3_stmt *st;
	bool found = false;
	int64_t id = 0, wall = 0;
	char *json = NULL;
	enum rc rc = db_prepare(
		lb, "SELECT id, wall_ns, json FROM record WHERE kind = ?1 AND " OF_PLACE " ORDER BY id DESC LIMIT 1",
		&st, err);

	if (rc != RC_OK)
		return rc;
	bind_text(st, 1, kind);
	sqlite3_bind_int(st, 2, (int)place);
	rc = one_row(lb, st, &found, err);
	if (rc == RC_OK && found) {
		id = sqlite3_column_int64(st, 0);
		wall = sqlite3_column_int64(st, 1);
		if (copy_text(st, 2, &json) != RC_OK)
			rc = no_memory(lb, err);
	}
	sqlite3_finalize(st);
	if (rc != RC_OK)
		return rc;
	if (ret_id)
		*ret_id = id;
	if (ret_wall_ns)
		*ret_wall_ns = wall;
	if (ret_json)
		*ret_json = json;
	else
		free(json);
	return RC_OK;
}

enum rc logbook_record_by_id(struct logbook *lb, int64_t id, char **ret_kind, int64_t *ret_wall_ns, char **ret_json,
			     struct err *err)
{
	sqlite3_stmt *st;
	bool found = false;
	char *kind = NULL, *json = NULL;
	int64_t wall = 0;
	enum rc rc = db_prepare(lb, "SELECT kind, wall_ns, json FROM record WHERE id = ?", &st, err);

	if (rc != RC_OK)
		return rc;
	sqlite3_bind_int64(st, 1, id);
	rc = one_row(lb, st, &found, err);
	if (rc == RC_OK && !found)
		rc = err_set(err, RC_ARG, 0, "%s: no record %lld", lb->path, (long long)id);
	if (rc == RC_OK) {
		wall = sqlite3_column_int64(st, 1);
		if (copy_text(st, 0, &kind) != RC_OK || copy_text(st, 2, &json) != RC_OK)
			rc = no_memory(lb, err);
	}
	sqlite3_finalize(st);
	if (rc == RC_OK && ret_wall_ns)
		*ret_wall_ns = wall;
	if (rc == RC_OK && ret_kind)
		*ret_kind = kind;
	else
		free(kind);
	if (rc == RC_OK && ret_json)
		*ret_json = json;
	else
		free(json);
	return rc;
}

enum rc logbook_each_record(struct logbook *lb, const char *kind, enum record_place place,
			    bool (*fn)(void *ctx, const struct record_info *record), void *ctx, struct err *err)
{
	sqlite3_stmt *st;
	int step;
	enum rc rc = db_prepare(lb,
				"SELECT id, run_id, wall_ns, kind, program, json FROM record "
				"WHERE (?1 IS NULL OR kind = ?1) AND " OF_PLACE " ORDER BY id",
				&st, err);

	if (rc != RC_OK)
		return rc;
	bind_text(st, 1, kind);
	sqlite3_bind_int(st, 2, (int)place);
	while ((step = sqlite3_step(st)) == SQLITE_ROW) {
		const struct record_info record = {
			.id = sqlite3_column_int64(st, 0),
			.run_id = sqlite3_column_int64(st, 1),
			.wall_ns = sqlite3_column_int64(st, 2),
			.kind = (const char *)sqlite3_column_text(st, 3),
			.program = (const char *)sqlite3_column_text(st, 4),
			.json = (const char *)sqlite3_column_text(st, 5),
		};
		if (!fn(ctx, &record)) {
			step = SQLITE_DONE;
			break;
		}
	}
	if (step != SQLITE_DONE)
		rc = db_fail(lb, err, "read");
	sqlite3_finalize(st);
	return rc;
}

/* Runs. */

static void fill_info(sqlite3_stmt *st, struct run_info *ret)
{
	*ret = (struct run_info){ 0 };
	ret->id = sqlite3_column_int64(st, 0);
	cut_text(st, 1, ret->kind, sizeof ret->kind);
	cut_text(st, 2, ret->program, sizeof ret->program);
	ret->mono_ns = sqlite3_column_int64(st, 3);
	ret->wall_ns = sqlite3_column_int64(st, 4);
	ret->on_bench = sqlite3_column_int(st, 5) != 0;
	cut_text(st, 6, ret->actuator, sizeof ret->actuator);
	cut_text(st, 7, ret->plan, sizeof ret->plan);
	ret->calibration_id = sqlite3_column_int64(st, 8);
	ret->map_id = sqlite3_column_int64(st, 9);
	ret->resumes_run_id = sqlite3_column_int64(st, 10);
	ret->ended = sqlite3_column_type(st, 11) != SQLITE_NULL;
	ret->end_mono_ns = sqlite3_column_int64(st, 11);
	cut_text(st, 12, ret->outcome, sizeof ret->outcome);
	cut_text(st, 13, ret->cause, sizeof ret->cause);
	cut_text(st, 14, ret->message, sizeof ret->message);
	ret->samples = sqlite3_column_int64(st, 15);
	ret->points = sqlite3_column_int64(st, 16);
	if (!ret->ended) {
		int64_t last_ns = sqlite3_column_int64(st, 17);
		ret->end_mono_ns = last_ns > ret->mono_ns ? last_ns : ret->mono_ns;
		cut_text(st, 18, ret->message, sizeof ret->message);
	}
}

enum rc logbook_run_info(struct logbook *lb, int64_t run_id, struct run_info *ret, struct err *err)
{
	static const char sql[] =
		"WITH last AS (SELECT max(key) AS key FROM sample WHERE key >= ?2 AND key <= ?3) "
		"SELECT r.id, r.kind, r.program, r.mono_ns, r.wall_ns, r.on_bench, r.actuator, r.plan, "
		"r.calibration_id, r.map_id, r.resumes_run_id, e.mono_ns, e.outcome, e.cause, e.message, "
		"coalesce(last.key - ?2, 0), (SELECT count(*) FROM point WHERE run_id = ?1), "
		"(SELECT mono_ns FROM sample WHERE sample.key = last.key), "
		"'it is still going on, or the program was killed or lost its power' "
		"FROM run AS r JOIN last LEFT JOIN run_end AS e ON e.run_id = r.id WHERE r.id = ?1";
	sqlite3_stmt *st;
	bool found = false;
	enum rc rc = db_prepare(lb, sql, &st, err);

	if (rc != RC_OK)
		return rc;
	sqlite3_bind_int64(st, 1, run_id);
	sqlite3_bind_int64(st, 2, sample_key(run_id, 0));
	sqlite3_bind_int64(st, 3, sample_key(run_id, SAMPLE_NO_MAX));
	rc = one_row(lb, st, &found, err);
	if (rc == RC_OK && !found)
		rc = no_run(lb, run_id, err);
	if (rc == RC_OK)
		fill_info(st, ret);
	sqlite3_finalize(st);
	return rc;
}

enum rc logbook_runs(struct logbook *lb, const char *kind, int64_t **ret, size_t *ret_n, struct err *err)
{
	sqlite3_stmt *st;
	size_t n = 0, room = 0;
	int64_t *ids = NULL;
	int step;
	enum rc rc = db_prepare(lb, "SELECT id FROM run WHERE ?1 IS NULL OR kind = ?1 ORDER BY id DESC", &st, err);

	if (rc != RC_OK)
		return rc;
	bind_text(st, 1, kind);
	while ((step = sqlite3_step(st)) == SQLITE_ROW) {
		if (n == room) {
			room = room ? 2 * room : 64;
			int64_t *more = realloc(ids, room * sizeof *ids);
			if (!more)
				break;
			ids = more;
		}
		ids[n++] = sqlite3_column_int64(st, 0);
	}
	if (step == SQLITE_ROW)
		rc = no_memory(lb, err);
	else if (step != SQLITE_DONE)
		rc = db_fail(lb, err, "read");
	sqlite3_finalize(st);
	if (rc != RC_OK) {
		free(ids);
		return rc;
	}
	*ret = ids;
	*ret_n = n;
	return RC_OK;
}

/* "SELECT run_id, text"; takes st. */
static enum rc one_event(struct logbook *lb, sqlite3_stmt *st, int64_t *ret_run, char *text, size_t size,
			 struct err *err)
{
	bool found = false;
	enum rc rc = one_row(lb, st, &found, err);

	if (rc == RC_OK && found) {
		*ret_run = sqlite3_column_int64(st, 0);
		cut_text(st, 1, text, size);
	}
	sqlite3_finalize(st);
	return rc;
}

enum rc logbook_last_event(struct logbook *lb, const char *kind, const char *one, const char *other, int64_t *ret_run,
			   char *text, size_t size, struct err *err)
{
	sqlite3_stmt *st;
	enum rc rc = db_prepare(lb,
				"SELECT run_id, text FROM event WHERE kind = ?1 AND (substr(text, 1, length(?2)) = ?2 "
				"OR substr(text, 1, length(?3)) = ?3) ORDER BY run_id DESC, no DESC LIMIT 1",
				&st, err);

	*ret_run = 0;
	text[0] = '\0';
	if (rc != RC_OK)
		return rc;
	bind_text(st, 1, kind);
	bind_text(st, 2, one);
	bind_text(st, 3, other);
	return one_event(lb, st, ret_run, text, size, err);
}

enum rc logbook_last_unended(struct logbook *lb, const char *kind, int64_t *ret_run, char *text, size_t size,
			     struct err *err)
{
	sqlite3_stmt *st;
	enum rc rc = db_prepare(lb,
				"SELECT run_id, text FROM event WHERE kind = ?1 AND NOT EXISTS (SELECT 1 FROM run_end "
				"WHERE run_end.run_id = event.run_id) ORDER BY run_id DESC, no DESC LIMIT 1",
				&st, err);

	*ret_run = 0;
	text[0] = '\0';
	if (rc != RC_OK)
		return rc;
	bind_text(st, 1, kind);
	return one_event(lb, st, ret_run, text, size, err);
}

enum rc logbook_run_texts(struct logbook *lb, int64_t run_id, char **ret_rig, char **ret_actuator, char **ret_plan,
			  struct err *err)
{
	char *text[3] = { NULL, NULL, NULL };
	char **to[3] = { ret_rig, ret_actuator, ret_plan };
	sqlite3_stmt *st;
	bool found = false;
	enum rc rc = db_prepare(lb, "SELECT rig_text, actuator_text, plan_text FROM run WHERE id = ?", &st, err);

	if (rc != RC_OK)
		return rc;
	sqlite3_bind_int64(st, 1, run_id);
	rc = one_row(lb, st, &found, err);
	if (rc == RC_OK && !found)
		rc = no_run(lb, run_id, err);
	for (int i = 0; i < 3 && rc == RC_OK; i++)
		if (copy_text(st, i, &text[i]) != RC_OK)
			rc = no_memory(lb, err);
	sqlite3_finalize(st);
	for (int i = 0; i < 3; i++) {
		if (rc == RC_OK && to[i])
			*to[i] = text[i];
		else
			free(text[i]);
	}
	return rc;
}

/* Points: the chain of resumed runs, oldest first. A run resumes only older ones, so the walk ends. */

static enum rc count_points(struct logbook *lb, sqlite3_stmt *st, size_t *ret, struct err *err)
{
	bool found;
	enum rc rc = one_row(lb, st, &found, err);

	*ret = rc == RC_OK && found ? (size_t)sqlite3_column_int64(st, 0) : 0;
	return rc;
}

#define RESUMED \
	"WITH RECURSIVE chain (id) AS (SELECT id FROM run WHERE id = ? UNION SELECT r.resumes_run_id FROM run AS r " \
	"JOIN chain ON r.id = chain.id WHERE r.resumes_run_id < r.id) "

static enum rc fill_points(struct logbook *lb, sqlite3_stmt *st, struct seq_point *points, int64_t *run_of, size_t n,
			   struct err *err)
{
	for (size_t i = 0; i < n; i++) {
		if (sqlite3_step(st) != SQLITE_ROW)
			return db_fail(lb, err, "read");
		run_of[i] = sqlite3_column_int64(st, 0);
		point_from_row(st, 1, &points[i]);
	}
	return RC_OK;
}

enum rc logbook_points(struct logbook *lb, int64_t run_id, struct seq_point **ret, int64_t **ret_run_of, size_t *ret_n,
		       struct err *err)
{
	sqlite3_stmt *count = NULL, *list = NULL;
	struct seq_point *points = NULL;
	int64_t *run_of = NULL;
	size_t n = 0;
	enum rc rc = db_prepare(lb, RESUMED "SELECT count(*) FROM point WHERE run_id IN (SELECT id FROM chain)", &count,
				err);

	if (rc == RC_OK)
		rc = db_prepare(lb,
				RESUMED "SELECT run_id, " POINT_COLUMNS " FROM point WHERE run_id IN "
					"(SELECT id FROM chain) ORDER BY run_id, no",
				&list, err);
	if (rc == RC_OK) {
		sqlite3_bind_int64(count, 1, run_id);
		sqlite3_bind_int64(list, 1, run_id);
		rc = count_points(lb, count, &n, err);
	}
	if (rc == RC_OK) {
		points = calloc(n + 1, sizeof *points);
		run_of = calloc(n + 1, sizeof *run_of);
		rc = points && run_of ? fill_points(lb, list, points, run_of, n, err) : no_memory(lb, err);
	}
	sqlite3_finalize(count);
	sqlite3_finalize(list);
	if (rc == RC_OK) {
		*ret = points;
		*ret_n = n;
	} else {
		free(points);
	}
	if (rc == RC_OK && ret_run_of)
		*ret_run_of = run_of;
	else
		free(run_of);
	return rc;
}

/* Samples. Time never goes back inside a run (the writer refuses it), so its first sample at or after a moment is
 * found by halving the keys; no index on time is needed. */

static enum rc last_no(struct logbook *lb, int64_t run_id, int64_t *ret, struct err *err)
{
	sqlite3_stmt *st;
	bool found;
	enum rc rc = db_prepare(lb, "SELECT max(key) FROM sample WHERE key >= ? AND key <= ?", &st, err);

	if (rc != RC_OK)
		return rc;
	sqlite3_bind_int64(st, 1, sample_key(run_id, 0));
	sqlite3_bind_int64(st, 2, sample_key(run_id, SAMPLE_NO_MAX));
	rc = one_row(lb, st, &found, err);
	*ret = rc == RC_OK && sqlite3_column_type(st, 0) != SQLITE_NULL
		       ? sqlite3_column_int64(st, 0) - sample_key(run_id, 0)
		       : 0;
	sqlite3_finalize(st);
	return rc;
}

static enum rc first_no_from(struct logbook *lb, int64_t run_id, int64_t begin_ns, int64_t last, int64_t *ret,
			     struct err *err)
{
	sqlite3_stmt *st;
	int64_t low = 1, high = last + 1;
	bool found = true;
	enum rc rc = db_prepare(lb, "SELECT mono_ns FROM sample WHERE key = ?", &st, err);

	while (rc == RC_OK && low < high) {
		int64_t middle = low + (high - low) / 2;
		sqlite3_bind_int64(st, 1, sample_key(run_id, middle));
		rc = one_row(lb, st, &found, err);
		if (rc == RC_OK && !found)
			rc = err_set(err, RC_DB, 0,
				     "%s: sample %lld of run %lld is missing; bridle log verify tells more", lb->path,
				     (long long)middle, (long long)run_id);
		if (rc == RC_OK && sqlite3_column_int64(st, 0) < begin_ns)
			low = middle + 1;
		else
			high = middle;
		sqlite3_reset(st);
	}
	sqlite3_finalize(st);
	*ret = low;
	return rc;
}

static enum rc walk_samples(struct logbook *lb, int64_t run_id, int64_t first, int64_t last, int64_t end_ns,
			    bool (*fn)(void *ctx, const struct sample *sample), void *ctx, struct err *err)
{
	static const char from[] = " FROM sample WHERE key >= ? AND key <= ? ORDER BY key";
	char sql[sizeof SAMPLE_COLUMNS + sizeof from + 30];
	struct sample sample;
	sqlite3_stmt *st;
	int step;

	snprintf(sql, sizeof sql, "SELECT take_sample(%s)%s", SAMPLE_COLUMNS_OF(lb->has), from);
	enum rc rc = db_prepare(lb, sql, &st, err);
	if (rc != RC_OK)
		return rc;
	sqlite3_bind_int64(st, 1, sample_key(run_id, first));
	sqlite3_bind_int64(st, 2, sample_key(run_id, last));
	while ((step = sample_step(lb, st, &sample)) == SQLITE_ROW) {
		if (sample.mono_ns >= end_ns || !fn(ctx, &sample)) {
			step = SQLITE_DONE;
			break;
		}
	}
	if (step != SQLITE_DONE)
		rc = db_fail(lb, err, "read");
	sqlite3_finalize(st);
	return rc;
}

enum rc logbook_each_sample(struct logbook *lb, int64_t run_id, int64_t begin_ns, int64_t end_ns,
			    bool (*fn)(void *ctx, const struct sample *sample), void *ctx, struct err *err)
{
	int64_t last = 0, first = 1;
	enum rc rc = last_no(lb, run_id, &last, err);

	if (rc == RC_OK)
		rc = first_no_from(lb, run_id, begin_ns, last, &first, err);
	return rc == RC_OK ? walk_samples(lb, run_id, first, last, end_ns, fn, ctx, err) : rc;
}

enum rc logbook_each_event(struct logbook *lb, int64_t run_id,
			   bool (*fn)(void *ctx, int64_t mono_ns, const char *kind, const char *text), void *ctx,
			   struct err *err)
{
	sqlite3_stmt *st;
	int step;
	enum rc rc = db_prepare(lb, "SELECT mono_ns, kind, text FROM event WHERE run_id = ? ORDER BY no", &st, err);

	if (rc != RC_OK)
		return rc;
	sqlite3_bind_int64(st, 1, run_id);
	while ((step = sqlite3_step(st)) == SQLITE_ROW) {
		if (!fn(ctx, sqlite3_column_int64(st, 0), (const char *)sqlite3_column_text(st, 1),
			(const char *)sqlite3_column_text(st, 2))) {
			step = SQLITE_DONE;
			break;
		}
	}
	if (step != SQLITE_DONE)
		rc = db_fail(lb, err, "read");
	sqlite3_finalize(st);
	return rc;
}
