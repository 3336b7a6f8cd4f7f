/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/logbook_private.h"

#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#define REFUSE(table) \
	"CREATE TRIGGER " table "_no_update BEFORE UPDATE ON " table " BEGIN " \
	"SELECT RAISE(ABORT, 'the logbook is append-only: a row of " table " cannot be changed'); END;" \
	"CREATE TRIGGER " table "_no_delete BEFORE DELETE ON " table " BEGIN " \
	"SELECT RAISE(ABORT, 'the logbook is append-only: a row of " table " cannot be deleted'); END;"

/* "INSERT OR REPLACE" deletes without asking the delete trigger. Samples are spared the look-up: their digests tell. */
#define REFUSE_REPLACE(table, same) \
	"CREATE TRIGGER " table "_no_replace BEFORE INSERT ON " table " WHEN EXISTS (SELECT 1 FROM " table \
	" WHERE " same ") BEGIN " \
	"SELECT RAISE(ABORT, 'the logbook is append-only: a row of " table " cannot be replaced'); END;"

static const char sample_sql[] =
	"CREATE TABLE sample (key INTEGER PRIMARY KEY, mono_ns INTEGER NOT NULL, node_us INTEGER NOT NULL, "
	"sample_no INTEGER NOT NULL, cell_count INTEGER NOT NULL, cell_conversions INTEGER NOT NULL, "
	"pulses INTEGER NOT NULL, edge_time_s REAL, torque_Nm REAL, speed_rpm REAL, brake_set_A REAL, brake_A REAL, "
	"voltage_V REAL, current_A REAL, %sdrive_mode INTEGER NOT NULL, drive_set REAL, drive_flags INTEGER NOT NULL, "
	"drive_rotor_rpm REAL, drive_A REAL, temp_brake_degC REAL, temp_case_degC REAL, temp_winding_degC REAL, "
	"temp_ambient_degC REAL, %slines INTEGER NOT NULL, phase INTEGER NOT NULL, step INTEGER NOT NULL, "
	"late_ns INTEGER NOT NULL, %sdigest INTEGER NOT NULL) STRICT;"
	"CREATE VIEW samples AS SELECT key >> 32 AS run_id, key & 4294967295 AS no, %s FROM sample;";

static const char *const schema_sql[] = {
	"CREATE TABLE record (id INTEGER PRIMARY KEY, run_id INTEGER REFERENCES run (id), wall_ns INTEGER NOT NULL, "
	"program TEXT NOT NULL, kind TEXT NOT NULL, json TEXT NOT NULL, digest BLOB NOT NULL) STRICT;",

	"CREATE TABLE run (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, program TEXT NOT NULL, mono_ns INTEGER NOT "
	"NULL, "
	"wall_ns INTEGER NOT NULL, on_bench INTEGER NOT NULL, actuator TEXT, plan TEXT, "
	"calibration_id INTEGER REFERENCES record (id), map_id INTEGER REFERENCES record (id), "
	"resumes_run_id INTEGER REFERENCES run (id), rig_text TEXT, actuator_text TEXT, plan_text TEXT, "
	"digest BLOB NOT NULL) STRICT;",

	"CREATE TABLE run_end (id INTEGER PRIMARY KEY, run_id INTEGER NOT NULL UNIQUE REFERENCES run (id), "
	"mono_ns INTEGER NOT NULL, outcome TEXT NOT NULL, cause TEXT NOT NULL, message TEXT NOT NULL, "
	"samples INTEGER NOT NULL, points INTEGER NOT NULL, events INTEGER NOT NULL, sample_digest BLOB NOT NULL, "
	"point_digest BLOB NOT NULL, event_digest BLOB NOT NULL, digest BLOB NOT NULL) STRICT;",

	"CREATE TABLE point (run_id INTEGER NOT NULL REFERENCES run (id), no INTEGER NOT NULL, step INTEGER NOT NULL, "
	"direction INTEGER NOT NULL, flags INTEGER NOT NULL, setpoint_Nm REAL, setpoint_A REAL, setpoint_rpm REAL, "
	"begin_ns INTEGER NOT NULL, end_ns INTEGER NOT NULL, settle_s REAL, mean_torque_Nm REAL, mean_speed_rpm REAL, "
	"digest INTEGER NOT NULL, PRIMARY KEY (run_id, no)) STRICT, WITHOUT ROWID;",

	"CREATE TABLE event (run_id INTEGER NOT NULL REFERENCES run (id), no INTEGER NOT NULL, mono_ns INTEGER NOT "
	"NULL, "
	"kind TEXT NOT NULL, text TEXT NOT NULL, digest INTEGER NOT NULL, PRIMARY KEY (run_id, no)) "
	"STRICT, WITHOUT ROWID;",

	REFUSE("record"),
	REFUSE("run"),
	REFUSE("run_end"),
	REFUSE("point"),
	REFUSE("event"),
	REFUSE("sample"),
	REFUSE_REPLACE("record", "id = NEW.id"),
	REFUSE_REPLACE("run", "id = NEW.id"),
	REFUSE_REPLACE("run_end", "id = NEW.id OR run_id = NEW.run_id"),
	REFUSE_REPLACE("point", "run_id = NEW.run_id AND no = NEW.no"),
	REFUSE_REPLACE("event", "run_id = NEW.run_id AND no = NEW.no"),
};

static int make_samples(sqlite3 *db, unsigned has)
{
	char sql[sizeof sample_sql + sizeof SAMPLE_COLUMNS + 100];

	/* What is made afresh reads as what it has: no column of a later schema. */
	const char *columns = has & SAMPLE_HAS_CELL_TEMP ? SAMPLE_COLUMNS
			      : has & SAMPLE_HAS_REPEATS ? SAMPLE_COLUMNS_WITH("ripple_W, ", "", ", repeats")
			      : has & SAMPLE_HAS_RIPPLE  ? SAMPLE_COLUMNS_WITH("ripple_W, ", "", "")
							 : SAMPLE_COLUMNS_WITH("", "", "");
	snprintf(sql, sizeof sql, sample_sql, has & SAMPLE_HAS_RIPPLE ? "ripple_W REAL, " : "",
		 has & SAMPLE_HAS_CELL_TEMP ? "temp_cell_degC REAL, " : "",
		 has & SAMPLE_HAS_REPEATS ? "repeats INTEGER NOT NULL, " : "", columns);
	return sqlite3_exec(db, sql, NULL, NULL, NULL);
}

static int make_schema(sqlite3 *db, unsigned has)
{
	int code = make_samples(db, has);

	for (size_t i = 0; i < sizeof schema_sql / sizeof schema_sql[0] && code == SQLITE_OK; i++)
		code = sqlite3_exec(db, schema_sql[i], NULL, NULL, NULL);
	return code;
}

int schema_make(struct logbook *lb, unsigned has)
{
	return make_schema(lb->db, has);
}

static enum rc pragma_int(struct logbook *lb, const char *pragma, int64_t *ret, struct err *err)
{
	sqlite3_stmt *st;
	enum rc rc = db_prepare(lb, pragma, &st, err);

	if (rc != RC_OK)
		return rc;
	if (sqlite3_step(st) == SQLITE_ROW)
		*ret = sqlite3_column_int64(st, 0);
	else
		rc = db_fail(lb, err, "open");
	sqlite3_finalize(st);
	return rc;
}

static enum rc is_empty(struct logbook *lb, int64_t *ret_objects, struct err *err)
{
	return pragma_int(lb, "SELECT count(*) FROM sqlite_schema", ret_objects, err);
}

/* Under the write lock: two programs may make the file at the same moment. */
enum rc schema_create(struct logbook *lb, struct err *err)
{
	int64_t objects;
	enum rc rc = db_exec(lb, "BEGIN IMMEDIATE", "make", err);

	if (rc != RC_OK)
		return rc;
	rc = is_empty(lb, &objects, err);
	if (rc == RC_OK && objects == 0) {
		rc = make_schema(lb->db, SAMPLE_HAS_RIPPLE | SAMPLE_HAS_REPEATS | SAMPLE_HAS_CELL_TEMP) == SQLITE_OK
			     ? RC_OK
			     : db_fail(lb, err, "make");
		if (rc == RC_OK)
			rc = db_exec(lb, "PRAGMA user_version = 4; PRAGMA application_id = 0x62726431", "make", err);
	}
	if (rc == RC_OK)
		return db_exec(lb, "COMMIT", "make", err);
	sqlite3_exec(lb->db, "ROLLBACK", NULL, NULL, NULL);
	return rc;
}

/* By the columns and not by the version: the ripple came before its number. */
static enum rc find_columns(struct logbook *lb, struct err *err)
{
	static const struct {
		const char *name;
		unsigned has;
	} columns[] = {
		{ "ripple_W", SAMPLE_HAS_RIPPLE },
		{ "repeats", SAMPLE_HAS_REPEATS },
		{ "temp_cell_degC", SAMPLE_HAS_CELL_TEMP },
	};
	enum rc rc = RC_OK;

	lb->has = 0;
	for (size_t i = 0; i < sizeof columns / sizeof columns[0] && rc == RC_OK; i++) {
		int64_t found = 0;
		char sql[120];
		snprintf(sql, sizeof sql, "SELECT count(*) FROM pragma_table_info('sample') WHERE name = '%s'",
			 columns[i].name);
		rc = pragma_int(lb, sql, &found, err);
		lb->has |= found ? columns[i].has : 0;
	}
	return rc;
}

/* The schema as SQLite would keep it, made afresh in memory. */
static enum rc fresh_schema(struct logbook *lb, sqlite3 **ret, struct err *err)
{
	if (sqlite3_open(":memory:", ret) == SQLITE_OK && make_schema(*ret, lb->has) == SQLITE_OK)
		return RC_OK;
	sqlite3_close(*ret);
	*ret = NULL;
	return err_set(err, RC_NOMEM, 0, "%s: out of memory for checking the schema", lb->path);
}

/* Is the object in the row one that this program makes, word for word? */
static bool is_own(sqlite3_stmt *made, sqlite3_stmt *found)
{
	sqlite3_bind_value(made, 1, sqlite3_column_value(found, 0));
	sqlite3_bind_value(made, 2, sqlite3_column_value(found, 1));
	sqlite3_bind_value(made, 3, sqlite3_column_value(found, 2));
	bool own = sqlite3_step(made) == SQLITE_ROW;
	sqlite3_reset(made);
	return own;
}

/* What is missing is for schema_compare to find: it runs nothing. What SQLite makes for itself has no text, or is a
 * table of its statistics. */
static enum rc refuse_strange(struct logbook *lb, struct err *err)
{
	static const char objects[] = "SELECT type, name, sql FROM sqlite_schema "
				      "WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite\\_stat_' ESCAPE '\\'";
	sqlite3_stmt *found = NULL, *made = NULL;
	sqlite3 *fresh;
	int step = SQLITE_DONE;
	enum rc rc = fresh_schema(lb, &fresh, err);

	if (rc != RC_OK)
		return rc;
	rc = db_prepare(lb, objects, &found, err);
	if (rc == RC_OK &&
	    sqlite3_prepare_v2(fresh, "SELECT 1 FROM sqlite_schema WHERE type = ? AND name = ? AND sql = ?", -1, &made,
			       NULL) != SQLITE_OK)
		rc = err_set(err, RC_NOMEM, 0, "%s: out of memory for checking the schema", lb->path);
	while (rc == RC_OK && (step = sqlite3_step(found)) == SQLITE_ROW)
		if (!is_own(made, found))
			rc = err_set(err, RC_DB, 0,
				     "%s: its schema has a %.10s \"%.60s\" that this program did not make, so nothing "
				     "is read; "
				     "ask for the file as it was written",
				     lb->path, (const char *)sqlite3_column_text(found, 0),
				     (const char *)sqlite3_column_text(found, 1));
	if (rc == RC_OK && step != SQLITE_DONE)
		rc = db_fail(lb, err, "read the schema of");
	sqlite3_finalize(made);
	sqlite3_finalize(found);
	sqlite3_close(fresh);
	return rc;
}

enum rc schema_check(struct logbook *lb, int64_t application, struct err *err)
{
	int64_t version = 0, found = 0;
	enum rc rc = pragma_int(lb, "PRAGMA user_version", &version, err);

	if (rc == RC_OK)
		rc = pragma_int(lb, "PRAGMA application_id", &found, err);
	if (rc != RC_OK)
		return rc;
	if (found != application)
		return err_set(err, RC_DB, 0,
			       "%s: an SQLite file, but not a logbook of this program; "
			       "move it away or give another bench folder",
			       lb->path);
	if (version > LOGBOOK_SCHEMA)
		return err_set(err, RC_DB, 0,
			       "%s: schema version %lld, this program (bridle " BRIDLE_VERSION
			       ") reads versions up to %d; use the newer program that wrote it",
			       lb->path, (long long)version, LOGBOOK_SCHEMA);
	if (version < 1)
		return err_set(err, RC_DB, 0, "%s: schema version %lld, expected %d", lb->path, (long long)version,
			       LOGBOOK_SCHEMA);
	rc = find_columns(lb, err);
	return rc == RC_OK ? refuse_strange(lb, err) : rc;
}

static enum rc compare_one(struct logbook *lb, sqlite3_stmt *find, sqlite3_stmt *want, struct err *err)
{
	const char *name = (const char *)sqlite3_column_text(want, 0);
	const char *sql = (const char *)sqlite3_column_text(want, 1);
	enum rc rc = RC_OK;

	sqlite3_bind_text(find, 1, name, -1, SQLITE_TRANSIENT);
	int step = sqlite3_step(find);
	const char *found = step == SQLITE_ROW ? (const char *)sqlite3_column_text(find, 0) : NULL;
	if (step != SQLITE_ROW && step != SQLITE_DONE)
		rc = db_fail(lb, err, "read the schema of");
	else if (!found || !sql || strcmp(found, sql) != 0)
		rc = err_set(err, RC_SAYS_NO, 0, "%s: %s is %s; somebody altered the schema, so its rows prove nothing",
			     lb->path, name, found ? "not as it was made" : "missing");
	sqlite3_reset(find);
	return rc;
}

enum rc schema_compare(struct logbook *lb, struct err *err)
{
	static const char list[] = "SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name";
	sqlite3 *fresh;
	sqlite3_stmt *want = NULL, *find = NULL;
	enum rc rc = fresh_schema(lb, &fresh, err);

	if (rc != RC_OK)
		return rc;
	rc = db_prepare(lb, "SELECT sql FROM sqlite_schema WHERE name = ?", &find, err);
	if (rc == RC_OK && sqlite3_prepare_v2(fresh, list, -1, &want, NULL) != SQLITE_OK)
		rc = err_set(err, RC_NOMEM, 0, "%s: out of memory for checking the schema", lb->path);
	while (rc == RC_OK && sqlite3_step(want) == SQLITE_ROW)
		rc = compare_one(lb, find, want, err);
	sqlite3_finalize(want);
	sqlite3_finalize(find);
	sqlite3_close(fresh);
	return rc;
}
