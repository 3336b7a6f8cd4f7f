/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/logbook_private.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define BUSY_MS 5000
#define LONGEST (64 << 20) /* bytes of a row that is read or written */

enum rc db_fail(struct logbook *lb, struct err *err, const char *tried)
{
	int sys = sqlite3_system_errno(lb->db);
	int code = sqlite3_errcode(lb->db);

	if (code == SQLITE_NOTADB)
		return err_set(err, RC_DB, 0, "%s: not a logbook (not an SQLite file); move it away", lb->path);
	if (code == SQLITE_BUSY)
		return err_set(err, RC_DB, 0,
			       "%s: cannot %s it: another program has held it for %d s; "
			       "close that program",
			       lb->path, tried, BUSY_MS / 1000);
	if (code == SQLITE_FULL)
		return err_set(err, RC_DB, ENOSPC, "%s: cannot %s it: the disk is full; make room", lb->path, tried);
	if (code == SQLITE_IOERR)
		return err_set(err, RC_DB, sys, "%s: cannot %s it: the disk or a limit on the size of files refused it",
			       lb->path, tried);
	return err_set(err, RC_DB, sys, "%s: cannot %s it: %s%s%s", lb->path, tried, sqlite3_errmsg(lb->db),
		       sys ? ": " : "", sys ? strerror(sys) : "");
}

enum rc db_exec(struct logbook *lb, const char *sql, const char *tried, struct err *err)
{
	if (sqlite3_exec(lb->db, sql, NULL, NULL, NULL) == SQLITE_OK)
		return RC_OK;
	return db_fail(lb, err, tried);
}

enum rc db_prepare(struct logbook *lb, const char *sql, sqlite3_stmt **ret, struct err *err)
{
	*ret = NULL;
	if (sqlite3_prepare_v2(lb->db, sql, -1, ret, NULL) == SQLITE_OK)
		return RC_OK;
	return db_fail(lb, err, "read");
}

void bind_real(sqlite3_stmt *st, int column, double value)
{
	if (isnan(value))
		sqlite3_bind_null(st, column);
	else
		sqlite3_bind_double(st, column, fpclassify(value) == FP_ZERO ? 0.0 : value);
}

void bind_text(sqlite3_stmt *st, int column, const char *text)
{
	sqlite3_bind_text(st, column, text, -1, SQLITE_STATIC);
}

double column_real(sqlite3_stmt *st, int column)
{
	double value = sqlite3_column_double(st, column);

	/* NULL reads as 0: only then the type is worth its call (a million rows have fifteen million reals). */
	if (fpclassify(value) == FP_ZERO && sqlite3_column_type(st, column) == SQLITE_NULL)
		return NAN;
	return value;
}

static enum rc connect(struct logbook *lb, const char *uri, int flags, struct err *err)
{
	if (sqlite3_open_v2(uri, &lb->db, flags | SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_EXRESCODE, NULL) != SQLITE_OK)
		return lb->db ? db_fail(lb, err, "open") : err_set(err, RC_NOMEM, 0, "%s: out of memory", lb->path);
	sqlite3_extended_result_codes(lb->db, 0);
	sqlite3_busy_timeout(lb->db, BUSY_MS);
	sqlite3_limit(lb->db, SQLITE_LIMIT_LENGTH, LONGEST);
	/* A foreign file must not run code of its own: no functions in views and triggers but SQLite's harmless ones.
	 */
	sqlite3_db_config(lb->db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
	sqlite3_db_config(lb->db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
	return sample_reader(lb) == SQLITE_OK ? RC_OK : db_fail(lb, err, "open");
}

static struct logbook *make(const char *path, bool writable)
{
	struct logbook *lb = calloc(1, sizeof *lb);

	if (lb) {
		lb->writable = writable;
		lb->path = strdup(path);
	}
	if (lb && !lb->path) {
		free(lb);
		lb = NULL;
	}
	return lb;
}

static enum rc set_up_writer(struct logbook *lb, struct err *err)
{
	enum rc rc = connect(lb, lb->path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, err);

	if (rc == RC_OK)
		rc = db_exec(lb, "PRAGMA journal_mode = WAL", "open", err);
	if (rc == RC_OK)
		rc = db_exec(lb,
			     "PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA recursive_triggers = ON; "
			     "PRAGMA wal_autocheckpoint = 4000; PRAGMA journal_size_limit = 33554432",
			     "open", err);
	if (rc == RC_OK)
		rc = schema_create(lb, err);
	return rc == RC_OK ? schema_check(lb, LOGBOOK_APPLICATION, err) : rc;
}

enum rc logbook_open(const char *path, struct logbook **ret, struct err *err)
{
	struct stat st;

	if (lstat(path, &st) == 0 && !S_ISREG(st.st_mode))
		return err_set(
			err, RC_DB, 0,
			"%s: expected a plain file, found %s; nothing is written there. Move it away, or name the "
			"folder that holds the logbook with --bench",
			path, S_ISLNK(st.st_mode) ? "a link" : "something else");
	struct logbook *lb = make(path, true);

	if (!lb)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", path);
	enum rc rc = set_up_writer(lb, err);
	if (rc == RC_OK)
		*ret = lb;
	else
		logbook_close(lb);
	return rc;
}

/* A path as a file: URI; SQLite takes options (immutable) only that way. */
static char *file_uri(const char *path, const char *options)
{
	char *uri = malloc(strlen(path) * 3 + strlen(options) + 16), *p = uri;

	if (!uri)
		return NULL;
	p += sprintf(p, "file:");
	for (; *path; path++) {
		if (strchr("%?#", *path))
			p += sprintf(p, "%%%02X", (unsigned)(unsigned char)*path);
		else
			*p++ = *path;
	}
	sprintf(p, "%s", options);
	return uri;
}

static bool has_journal(const char *path)
{
	char wal[4096];
	struct stat st;

	snprintf(wal, sizeof wal, "%s-wal", path);
	return stat(wal, &st) == 0 && st.st_size > 0;
}

/* In a folder that cannot be written SQLite has nowhere to put its shared memory; without a journal it needs none. */
static enum rc set_up_reader(struct logbook *lb, bool immutable, struct err *err)
{
	char *uri = file_uri(lb->path, immutable ? "?immutable=1" : "");

	if (!uri)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", lb->path);
	enum rc rc = connect(lb, uri, SQLITE_OPEN_READONLY | SQLITE_OPEN_URI, err);
	free(uri);
	if (rc == RC_OK)
		rc = schema_check(lb, LOGBOOK_APPLICATION, err);
	return rc;
}

enum rc logbook_open_read(const char *path, struct logbook **ret, struct err *err)
{
	struct logbook *lb;

	if (access(path, R_OK) != 0)
		return err_set(err, RC_DB, errno, "%s: cannot open the logbook: %s%s", path, strerror(errno),
			       errno == ENOENT ? "; a first run makes it" : "");
	lb = make(path, false);
	if (!lb)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", path);
	enum rc rc = set_up_reader(lb, false, err);
	if (rc != RC_OK && lb->db && (sqlite3_errcode(lb->db) & 0xff) != SQLITE_NOTADB && !has_journal(path)) {
		sqlite3_close(lb->db);
		lb->db = NULL;
		rc = set_up_reader(lb, true, err);
	}
	if (rc == RC_OK)
		*ret = lb;
	else
		logbook_close(lb);
	return rc;
}

void logbook_close(struct logbook *lb)
{
	if (!lb)
		return;
	for (size_t i = 0; i < STATEMENT_COUNT; i++)
		sqlite3_finalize(lb->kept[i]);
	sqlite3_close(lb->db);
	free(lb->path);
	free(lb);
}
