/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the files of this room share; nobody else includes it. */
#ifndef BRIDLE_LOGBOOK_LOGBOOK_PRIVATE_H
#define BRIDLE_LOGBOOK_LOGBOOK_PRIVATE_H

#include "logbook/chain.h"
#include "logbook/logbook.h"
#include "channel/event.h"

#include <sqlite3.h>

/* 2: sample.ripple_W. 3: sample.repeats. 4: sample.temp_cell_degC. A file keeps the schema that it was made with, also
 * when it is written to: what it has no column for reads as NULL or 0 and is not fed to the digests
 * (docs/logbook.md). */
#define LOGBOOK_SCHEMA 4
#define LOGBOOK_APPLICATION 0x62726431 /* "brd1": what file(1) may know it by */
#define LOGBOOK_EXTRACT 0x62726478     /* "brdx": one run by itself (extract.h) */

/* A sample's key holds its run and its number in the run, so that a run is one stretch of the table. */
#define SAMPLE_KEY_BITS 32
static inline int64_t sample_key(int64_t run_id, int64_t no)
{
	return (int64_t)(((uint64_t)run_id << SAMPLE_KEY_BITS) | (uint64_t)no);
}
#define SAMPLE_NO_MAX INT64_C(0xffffffff)

/* Where the chains of the run being written stand. */
struct run_state {
	int64_t run_id, samples, points, events, last_mono_ns;
	struct chain sample, point, event;
};

enum statement { INSERT_SAMPLE, INSERT_POINT, INSERT_EVENT, STATEMENT_COUNT };

struct logbook {
	sqlite3 *db;
	char *path;
	unsigned has;             /* SAMPLE_HAS_...: columns that its samples have */
	bool writable, grouped;   /* grouped: between logbook_begin and logbook_commit */
	struct sample *sample_to; /* of the step that goes on (sample_step) */
	sqlite3_stmt *kept[STATEMENT_COUNT];
	struct run_state now, committed; /* now goes back to committed when a transaction is undone */
};

enum rc schema_create(struct logbook *lb, struct err *err);
enum rc schema_check(struct logbook *lb, int64_t application, struct err *err); /* version and kind of file */
int schema_make(struct logbook *lb, unsigned has);                              /* into an empty file; SQLite's code */
enum rc schema_compare(struct logbook *lb, struct err *err); /* every table and trigger as created; RC_SAYS_NO */

/* RC_DB with what was tried, the file's name and SQLite's reason. */
enum rc db_fail(struct logbook *lb, struct err *err, const char *tried);
enum rc db_exec(struct logbook *lb, const char *sql, const char *tried, struct err *err) MUST_CHECK;
enum rc db_prepare(struct logbook *lb, const char *sql, sqlite3_stmt **ret, struct err *err) MUST_CHECK;
void bind_real(sqlite3_stmt *st, int column, double value);     /* NaN becomes NULL, -0 becomes 0 */
void bind_text(sqlite3_stmt *st, int column, const char *text); /* borrowed until the step; NULL is NULL */
double column_real(sqlite3_stmt *st, int column);               /* NULL is NaN */

/* The columns of a sample. */
#define SAMPLE_HAS_RIPPLE 1u    /* from schema 2 on */
#define SAMPLE_HAS_REPEATS 2u   /* from schema 3 on */
#define SAMPLE_HAS_CELL_TEMP 4u /* from schema 4 on */
#define SAMPLE_COLUMNS SAMPLE_COLUMNS_WITH("ripple_W, ", "temp_cell_degC, ", ", repeats")
/* To read a file of schema 3, 2, 1. */
#define SAMPLE_COLUMNS_3 SAMPLE_COLUMNS_WITH("ripple_W, ", "NULL, ", ", repeats")
#define SAMPLE_COLUMNS_2 SAMPLE_COLUMNS_WITH("ripple_W, ", "NULL, ", ", 0")
#define SAMPLE_COLUMNS_1 SAMPLE_COLUMNS_WITH("NULL, ", "NULL, ", ", 0")
#define SAMPLE_COLUMNS_OF(has) \
	(SAMPLE_HAS_CELL_TEMP & (has) ? SAMPLE_COLUMNS \
	 : SAMPLE_HAS_REPEATS & (has) ? SAMPLE_COLUMNS_3 \
	 : SAMPLE_HAS_RIPPLE & (has)  ? SAMPLE_COLUMNS_2 \
				      : SAMPLE_COLUMNS_1)
#define SAMPLE_COLUMNS_WITH(ripple, cell, repeats) \
	"mono_ns, node_us, sample_no, cell_count, cell_conversions, pulses, edge_time_s, torque_Nm, speed_rpm, " \
	"brake_set_A, brake_A, voltage_V, current_A, " ripple "drive_mode, drive_set, drive_flags, " \
	"drive_rotor_rpm, drive_A, temp_brake_degC, temp_case_degC, temp_winding_degC, temp_ambient_degC, " cell \
	"lines, phase, step, late_ns" repeats
#define SAMPLE_COLUMN_COUNT 29
/* Samples are read by a function of this program's in SQL, take_sample(SAMPLE_COLUMNS): it gets the values of a row at
 * once, which costs half of asking for them column by column. sample_reader gives the connection that function
 * (SQLite's code); a statement that selects it is stepped by sample_step, and *ret is filled where it says SQLITE_ROW.
 */
int sample_reader(struct logbook *lb);
int sample_step(struct logbook *lb, sqlite3_stmt *st, struct sample *ret);

#define POINT_COLUMNS \
	"step, direction, flags, setpoint_Nm, setpoint_A, setpoint_rpm, begin_ns, end_ns, settle_s, " \
	"mean_torque_Nm, mean_speed_rpm"
#define POINT_COLUMN_COUNT 11
void point_from_row(sqlite3_stmt *st, int first, struct seq_point *ret);

/* One row's step of a chain. */
void sample_digest(const struct chain *before, const struct sample *sample, unsigned has, struct chain *after);
void point_digest(const struct chain *before, const struct seq_point *point, struct chain *after);
void event_digest(const struct chain *before, int64_t mono_ns, const char *kind, const char *text, struct chain *after);

/* The small tables (run, run_end, record): one chain a table, the whole digest in each row. */
enum field_kind { FIELD_NULL, FIELD_INT, FIELD_TEXT, FIELD_BLOB };
struct field {
	enum field_kind kind;
	int64_t i;
	const void *p; /* text or blob, borrowed */
	size_t n;      /* of a blob */
};
struct field field_int(int64_t value);
struct field field_id(int64_t id);         /* 0 is NULL */
struct field field_text(const char *text); /* NULL is NULL */
struct field field_blob(const void *p, size_t n);
struct field field_of_column(sqlite3_stmt *st, int column);
void fields_digest(const struct chain *before, const char *table, const struct field *fields, size_t n,
		   struct chain *after);
/* Append to such a table inside a transaction; columns names the fields, the id is given here. */
enum rc fields_insert(struct logbook *lb, const char *table, const char *columns, const struct field *fields, size_t n,
		      int64_t *ret_id, struct err *err) MUST_CHECK;

/* Walk all rows of a run and give the state of its chains. When a row does not fit: RC_SAYS_NO. */
enum rc run_state_load(struct logbook *lb, int64_t run_id, struct run_state *ret, struct err *err) MUST_CHECK;

#endif
