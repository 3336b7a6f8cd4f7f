/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/extract.h"
#include "logbook/logbook_private.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* In the file's header: "version valid for" and the version of the SQLite that wrote last. Both may be 0. */
#define HEADER_VERSION_AT 92
#define HEADER_VERSION_SIZE 8

#define CHAIN \
	"WITH RECURSIVE chain (id) AS (SELECT id FROM run WHERE id = ?1 UNION SELECT r.resumes_run_id FROM run AS r " \
	"JOIN chain ON r.id = chain.id WHERE r.resumes_run_id < r.id) "
#define OF_CHAIN "(SELECT id FROM chain)"

static const struct {
	const char *table, *rows;
} parts[] = {
	{ "record",
	  CHAIN "SELECT * FROM record WHERE id IN (SELECT calibration_id FROM run WHERE id IN " OF_CHAIN
		" UNION SELECT map_id FROM run WHERE id IN " OF_CHAIN
		") OR kind = 'accepted' OR (kind IN ('check', 'ready', 'study') "
		"AND wall_ns <= (SELECT wall_ns FROM run WHERE id = ?1)) OR (run_id = ?1 AND kind IN ('hold', "
		"'play', 'obey', 'response', 'ripple', 'tame', 'claimed')) ORDER BY id" },
	{ "run", CHAIN "SELECT * FROM run WHERE id IN " OF_CHAIN " ORDER BY id" },
	{ "run_end", CHAIN "SELECT * FROM run_end WHERE run_id IN " OF_CHAIN " ORDER BY id" },
	{ "point", CHAIN "SELECT * FROM point WHERE run_id IN " OF_CHAIN " ORDER BY run_id, no" },
	{ "event", CHAIN "SELECT * FROM event WHERE run_id IN " OF_CHAIN " ORDER BY run_id, no" },
	{ "sample", CHAIN "SELECT s.* FROM chain AS c CROSS JOIN sample AS s WHERE s.key >= (c.id << 32) AND "
			  "s.key < ((c.id + 1) << 32) ORDER BY s.key" },
};

static enum rc insert_into(struct logbook *to, const char *table, int n, sqlite3_stmt **ret, struct err *err)
{
	char sql[200];
	int used = snprintf(sql, sizeof sql, "INSERT INTO %s VALUES (?", table);

	for (int i = 1; i < n; i++)
		used += snprintf(sql + used, sizeof sql - (size_t)used, ", ?");
	snprintf(sql + used, sizeof sql - (size_t)used, ")");
	return db_prepare(to, sql, ret, err);
}

static enum rc copy_row(struct logbook *to, sqlite3_stmt *from, sqlite3_stmt *into, int n, struct err *err)
{
	for (int i = 0; i < n; i++)
		sqlite3_bind_value(into, i + 1, sqlite3_column_value(from, i));
	int step = sqlite3_step(into);
	sqlite3_reset(into);
	return step == SQLITE_DONE ? RC_OK : db_fail(to, err, "copy to");
}

static enum rc copy_rows(struct logbook *from, struct logbook *to, int64_t run_id, const char *table, const char *rows,
			 struct err *err)
{
	sqlite3_stmt *select, *insert = NULL;
	int step = SQLITE_DONE;
	enum rc rc = db_prepare(from, rows, &select, err);

	if (rc != RC_OK)
		return rc;
	sqlite3_bind_int64(select, 1, run_id);
	int n = sqlite3_column_count(select);
	rc = insert_into(to, table, n, &insert, err);
	while (rc == RC_OK && (step = sqlite3_step(select)) == SQLITE_ROW)
		rc = copy_row(to, select, insert, n, err);
	if (rc == RC_OK && step != SQLITE_DONE)
		rc = db_fail(from, err, "read");
	sqlite3_finalize(select);
	sqlite3_finalize(insert);
	return rc;
}

static enum rc new_memory(const char *name, struct logbook **ret, struct err *err)
{
	struct logbook *lb = calloc(1, sizeof *lb);

	if (lb)
		lb->path = strdup(name);
	if (!lb || !lb->path ||
	    sqlite3_open_v2(":memory:", &lb->db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL) != SQLITE_OK ||
	    sample_reader(lb) != SQLITE_OK) {
		logbook_close(lb);
		return err_set(err, RC_NOMEM, 0, "out of memory");
	}
	sqlite3_db_config(lb->db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
	sqlite3_db_config(lb->db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
	*ret = lb;
	return RC_OK;
}

static enum rc fill(struct logbook *from, struct logbook *to, int64_t run_id, struct err *err)
{
	char pragmas[100];

	snprintf(pragmas, sizeof pragmas, "PRAGMA user_version = %d; PRAGMA application_id = %d; BEGIN",
		 from->has & SAMPLE_HAS_CELL_TEMP ? 4
		 : from->has & SAMPLE_HAS_REPEATS ? 3
		 : from->has & SAMPLE_HAS_RIPPLE  ? 2
						  : 1,
		 LOGBOOK_EXTRACT);
	enum rc rc = schema_make(to, from->has) == SQLITE_OK ? RC_OK : db_fail(to, err, "make");
	if (rc == RC_OK)
		rc = db_exec(to, pragmas, "make", err);
	for (size_t i = 0; i < sizeof parts / sizeof parts[0] && rc == RC_OK; i++)
		rc = copy_rows(from, to, run_id, parts[i].table, parts[i].rows, err);
	return rc == RC_OK ? db_exec(to, "COMMIT", "make", err) : rc;
}

enum rc extract_make(struct logbook *lb, int64_t run_id, uint8_t **ret, size_t *ret_n, struct err *err)
{
	struct logbook *to = NULL;
	struct run_info info;
	sqlite3_int64 size = 0;
	enum rc rc = logbook_run_info(lb, run_id, &info, err);

	if (rc == RC_OK)
		rc = new_memory("the extract", &to, err);
	if (rc == RC_OK)
		rc = fill(lb, to, run_id, err);
	uint8_t *bytes = rc == RC_OK ? sqlite3_serialize(to->db, "main", &size, 0) : NULL;
	logbook_close(to);
	if (rc != RC_OK)
		return rc;
	if (!bytes)
		return err_set(err, RC_NOMEM, 0, "out of memory for run %lld", (long long)run_id);
	memset(bytes + HEADER_VERSION_AT, 0, HEADER_VERSION_SIZE);
	*ret = bytes;
	*ret_n = (size_t)size;
	return RC_OK;
}

void extract_free(uint8_t *bytes)
{
	sqlite3_free(bytes);
}

enum rc extract_open(const char *name, const uint8_t *bytes, size_t n, struct logbook **ret, struct err *err)
{
	struct logbook *lb;
	struct err why = { 0 };
	enum rc rc = new_memory(name, &lb, err);

	if (rc != RC_OK)
		return rc;
	/* Read-only: SQLite writes nothing into the bytes. */
	if (n < 512 || sqlite3_deserialize(lb->db, "main", (unsigned char *)(uintptr_t)bytes, (sqlite3_int64)n,
					   (sqlite3_int64)n, SQLITE_DESERIALIZE_READONLY) != SQLITE_OK)
		rc = err_set(&why, RC_ARG, 0, "it is no SQLite file");
	if (rc == RC_OK)
		/* Pages are read where they lie, not copied first. */
		rc = db_exec(lb, "PRAGMA cell_size_check = ON; PRAGMA mmap_size = 2147483647", "open", &why);
	if (rc == RC_OK)
		rc = schema_check(lb, LOGBOOK_EXTRACT, &why);
	if (rc == RC_OK)
		rc = schema_compare(lb, &why);
	if (rc == RC_OK) {
		*ret = lb;
		return RC_OK;
	}
	logbook_close(lb);
	return err_set(err, RC_ARG, 0, "%s holds no run that this program can read: %s", name, why.what);
}
