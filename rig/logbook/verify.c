/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/logbook_private.h"

#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
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

/* The small tables of a run: number, short digest, and the step of the chain that the row makes. */
struct walk {
	const char *table, *sql;
	void (*digest)(sqlite3_stmt *st, const struct chain *before, struct chain *after);
};

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

/* Number and short digest, then the sample. */
#define WALK_SAMPLES(columns) \
	"SELECT key & 4294967295, digest, take_sample(" columns ") FROM sample " \
	"WHERE key >= (?1 << 32) AND key < ((?1 + 1) << 32) ORDER BY key"

static const char *samples_sql(unsigned has)
{
	return has & SAMPLE_HAS_CELL_TEMP ? WALK_SAMPLES(SAMPLE_COLUMNS)
	       : has & SAMPLE_HAS_REPEATS ? WALK_SAMPLES(SAMPLE_COLUMNS_3)
	       : has & SAMPLE_HAS_RIPPLE  ? WALK_SAMPLES(SAMPLE_COLUMNS_2)
					  : WALK_SAMPLES(SAMPLE_COLUMNS_1);
}

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

/* What a row says of itself. */
struct told {
	int64_t no, digest;
};

static struct told told_by(sqlite3_stmt *st)
{
	return (struct told){ sqlite3_column_int64(st, 0), sqlite3_column_int64(st, 1) };
}

static enum rc judge_row(struct logbook *lb, const char *table, int64_t run_id, struct told told, int64_t no,
			 const struct chain *chain, struct err *err)
{
	if (told.no != no)
		return not_whole(lb, err, table, no, run_id, missing);
	if (told.digest != chain_short(chain))
		return not_whole(lb, err, table, no, run_id, altered);
	return RC_OK;
}

static enum rc walk_rows(struct logbook *lb, const struct walk *w, int64_t run_id, struct chain *ret, int64_t *ret_n,
			 struct err *err)
{
	sqlite3_stmt *st;
	int step = SQLITE_DONE;
	enum rc rc = db_prepare(lb, w->sql, &st, err);

	*ret = (struct chain){ 0 };
	*ret_n = 0;
	if (rc != RC_OK)
		return rc;
	sqlite3_bind_int64(st, 1, run_id);
	while (rc == RC_OK && (step = sqlite3_step(st)) == SQLITE_ROW) {
		++*ret_n;
		w->digest(st, ret, ret);
		rc = judge_row(lb, w->table, run_id, told_by(st), *ret_n, ret, err);
	}
	if (rc == RC_OK && step != SQLITE_DONE)
		rc = db_fail(lb, err, "read");
	sqlite3_finalize(st);
	return rc;
}

/* Samples are read out of the file by a thread of their own, block by block, while the one that asked digests and uses
 * the blocks before: half of the time of a million samples is SQLite's. Who waits is woken when half of the blocks are
 * his again, for a wake-up costs as much as a fifth of a block. The connection is the reader's until it ended. */
#define BLOCK 256
#define BLOCKS 16
struct reader {
	struct logbook *lb;
	sqlite3_stmt *st;
	pthread_mutex_t lock;
	pthread_cond_t moved;
	size_t full; /* blocks that were read and are not used up; under the lock, as ended and stop are */
	bool ended, stop;
	int step; /* SQLite's last word */
	struct block {
		size_t n;
		struct told told[BLOCK];
		struct sample sample[BLOCK];
	} block[BLOCKS];
};

static void read_block(struct reader *r, struct block *to)
{
	for (to->n = 0; to->n < BLOCK; to->n++) {
		r->step = sample_step(r->lb, r->st, &to->sample[to->n]);
		if (r->step != SQLITE_ROW)
			return;
		to->told[to->n] = told_by(r->st);
	}
}

static void *read_on(void *arg)
{
	struct reader *r = arg;

	for (size_t at = 0;; at = (at + 1) % BLOCKS) {
		pthread_mutex_lock(&r->lock);
		while (r->full == BLOCKS && !r->stop)
			pthread_cond_wait(&r->moved, &r->lock);
		bool stop = r->stop;
		pthread_mutex_unlock(&r->lock);
		if (stop)
			return NULL;
		read_block(r, &r->block[at]);
		pthread_mutex_lock(&r->lock);
		r->full++;
		r->ended = stop = r->step != SQLITE_ROW;
		if (r->full == BLOCKS / 2 || stop)
			pthread_cond_signal(&r->moved);
		pthread_mutex_unlock(&r->lock);
		if (stop)
			return NULL;
	}
}

struct seen {
	void (*fn)(void *ctx, const struct sample *sample);
	void *ctx;
};

/* What a walk over samples has come to. why: of the first that does not fit (RC_SAYS_NO); the chain stands there. */
struct walked {
	struct logbook *lb;
	const struct seen *seen; /* NULL: nobody */
	struct run_state *s;
	struct err *why;
};

/* False: nobody sees them, and a row does not fit. */
static bool use_block(struct walked *w, const struct block *b)
{
	struct run_state *s = w->s;

	for (size_t i = 0; i < b->n; i++) {
		s->last_mono_ns = b->sample[i].mono_ns;
		if (w->why->rc == RC_OK) {
			sample_digest(&s->sample, &b->sample[i], w->lb->has, &s->sample);
			w->why->rc =
				judge_row(w->lb, "sample", s->run_id, b->told[i], ++s->samples, &s->sample, w->why);
		}
		if (w->seen)
			w->seen->fn(w->seen->ctx, &b->sample[i]);
		else if (w->why->rc != RC_OK)
			return false;
	}
	return true;
}

static void use_all(struct reader *r, struct walked *w)
{
	bool more = true;

	for (size_t at = 0; more; at = (at + 1) % BLOCKS) {
		pthread_mutex_lock(&r->lock);
		while (r->full == 0)
			pthread_cond_wait(&r->moved, &r->lock);
		pthread_mutex_unlock(&r->lock);
		bool go_on = use_block(w, &r->block[at]);
		pthread_mutex_lock(&r->lock);
		r->full--;
		more = go_on && !(r->ended && r->full == 0);
		r->stop = !go_on;
		if (r->full == BLOCKS / 2 || r->stop)
			pthread_cond_signal(&r->moved);
		pthread_mutex_unlock(&r->lock);
	}
}

static void walk(struct reader *r, struct walked *w)
{
	pthread_t thread;

	if (pthread_create(&thread, NULL, read_on, r) == 0) {
		use_all(r, w);
		pthread_join(thread, NULL);
		return;
	}
	do {
		read_block(r, &r->block[0]);
	} while (use_block(w, &r->block[0]) && r->step == SQLITE_ROW);
}

/* All samples in one pass: each is fed to its chain and, where somebody asks, seen. A row that does not fit ends the
 * walk only where nobody sees it. */
static enum rc walk_samples(struct logbook *lb, int64_t run_id, const struct seen *seen, struct run_state *s,
			    struct err *why, struct err *err)
{
	struct walked w = { lb, seen, s, why };
	struct reader *r = calloc(1, sizeof *r);
	enum rc rc = r ? db_prepare(lb, samples_sql(lb->has), &r->st, err)
		       : err_set(err, RC_NOMEM, 0, "%s: out of memory", lb->path);

	s->last_mono_ns = INT64_MIN;
	if (rc == RC_OK) {
		r->lb = lb;
		pthread_mutex_init(&r->lock, NULL);
		pthread_cond_init(&r->moved, NULL);
		sqlite3_bind_int64(r->st, 1, run_id);
		walk(r, &w);
		if (r->step != SQLITE_DONE && r->step != SQLITE_ROW)
			rc = db_fail(lb, err, "read");
		sqlite3_finalize(r->st);
		pthread_cond_destroy(&r->moved);
		pthread_mutex_destroy(&r->lock);
	}
	free(r);
	return rc;
}

static enum rc load_state(struct logbook *lb, int64_t run_id, const struct seen *seen, struct run_state *s,
			  struct err *why, struct err *err)
{
	enum rc rc = walk_samples(lb, run_id, seen, s, why, err);

	if (rc != RC_OK || why->rc != RC_OK)
		return rc;
	rc = walk_rows(lb, &walk_point, run_id, &s->point, &s->points, why);
	if (rc == RC_OK)
		rc = walk_rows(lb, &walk_event, run_id, &s->event, &s->events, why);
	if (rc != RC_OK && rc != RC_SAYS_NO && err)
		*err = *why;
	return rc == RC_SAYS_NO ? RC_OK : rc;
}

enum rc run_state_load(struct logbook *lb, int64_t run_id, struct run_state *ret, struct err *err)
{
	struct run_state s = { .run_id = run_id };
	struct err why = { 0 };
	enum rc rc = load_state(lb, run_id, NULL, &s, &why, err);

	if (rc == RC_OK && why.rc != RC_OK) {
		rc = why.rc;
		if (err)
			*err = why;
	}
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

static void digest_text(const struct run_state *s, char ret[LOGBOOK_DIGEST_TEXT])
{
	struct chain all = { 0 };
	struct chain_row row;

	chain_row_begin(&row, &all, "run contents");
	chain_bytes(&row, s->sample.digest, CHAIN_SIZE);
	chain_bytes(&row, s->point.digest, CHAIN_SIZE);
	chain_bytes(&row, s->event.digest, CHAIN_SIZE);
	chain_row_end(&row, &all);
	for (int i = 0; i < CHAIN_SIZE; i++)
		snprintf(ret + 2 * i, 3, "%02x", all.digest[i]);
}

enum rc logbook_run_digest(struct logbook *lb, int64_t run_id, char ret[LOGBOOK_DIGEST_TEXT], struct err *err)
{
	struct run_state s;
	enum rc rc = run_state_load(lb, run_id, &s, err);

	if (rc == RC_OK)
		digest_text(&s, ret);
	return rc;
}

enum rc logbook_samples_and_digest(struct logbook *lb, int64_t run_id,
				   void (*fn)(void *ctx, const struct sample *sample), void *ctx,
				   char ret[LOGBOOK_DIGEST_TEXT], struct err *ret_why, struct err *err)
{
	const struct seen seen = { fn, ctx };
	struct run_state s = { .run_id = run_id };
	enum rc rc;

	*ret_why = (struct err){ 0 };
	rc = load_state(lb, run_id, &seen, &s, ret_why, err);
	ret[0] = '\0';
	if (rc == RC_OK && ret_why->rc == RC_OK)
		digest_text(&s, ret);
	return rc;
}
