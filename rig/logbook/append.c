/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/logbook_private.h"

#include <string.h>

#define ROWS_A_TRANSACTION 1000

static enum rc refuse_reader(struct logbook *lb, struct err *err)
{
	return err_set(err, RC_DB, 0, "%s: opened for reading only", lb->path);
}

static enum rc start(struct logbook *lb, struct err *err)
{
	if (!lb->writable)
		return refuse_reader(lb, err);
	return db_exec(lb, "BEGIN IMMEDIATE", "write to", err);
}

static void undo(struct logbook *lb)
{
	for (size_t i = 0; i < STATEMENT_COUNT; i++)
		if (lb->kept[i])
			sqlite3_reset(lb->kept[i]);
	/* SQLite may have rolled back by itself (a full disk); then this says so and does no harm. */
	sqlite3_exec(lb->db, "ROLLBACK", NULL, NULL, NULL);
	lb->now = lb->committed;
	lb->grouped = false;
}

static enum rc finish(struct logbook *lb, struct err *err)
{
	enum rc rc = db_exec(lb, "COMMIT", "write to", err);

	if (rc == RC_OK)
		lb->committed = lb->now;
	else
		undo(lb);
	return rc;
}

enum rc logbook_begin(struct logbook *lb, struct err *err)
{
	if (lb->grouped)
		return err_set(err, RC_ARG, 0, "%s: a group of appends is open already", lb->path);
	enum rc rc = start(lb, err);
	lb->grouped = rc == RC_OK;
	return rc;
}

enum rc logbook_commit(struct logbook *lb, struct err *err)
{
	if (!lb->grouped)
		return err_set(err, RC_ARG, 0, "%s: no group of appends is open", lb->path);
	lb->grouped = false;
	return finish(lb, err);
}

void logbook_undo(struct logbook *lb)
{
	if (lb->grouped)
		undo(lb);
}

/* Inside the caller's group or, when there is none, a transaction of its own. */
static enum rc open_own(struct logbook *lb, bool *own, struct err *err)
{
	*own = !lb->grouped;
	return *own ? start(lb, err) : RC_OK;
}

static enum rc close_own(struct logbook *lb, bool own, enum rc rc, struct err *err)
{
	if (rc != RC_OK) {
		undo(lb);
		return rc;
	}
	return own ? finish(lb, err) : RC_OK;
}

static enum rc is_ended(struct logbook *lb, int64_t run_id, bool *ret, struct err *err)
{
	sqlite3_stmt *st;
	enum rc rc = db_prepare(lb, "SELECT 1 FROM run_end WHERE run_id = ?", &st, err);

	if (rc != RC_OK)
		return rc;
	sqlite3_bind_int64(st, 1, run_id);
	int step = sqlite3_step(st);
	*ret = step == SQLITE_ROW;
	if (step != SQLITE_ROW && step != SQLITE_DONE)
		rc = db_fail(lb, err, "read");
	sqlite3_finalize(st);
	return rc;
}

/* Turn to a run: the one being written nearly always; else its chains are walked again from its rows. */
static enum rc turn_to(struct logbook *lb, int64_t run_id, struct err *err)
{
	bool ended = false;

	if (run_id == lb->now.run_id && run_id != 0)
		return RC_OK;
	enum rc rc = is_ended(lb, run_id, &ended, err);
	if (rc == RC_OK && ended)
		return err_set(err, RC_ARG, 0, "%s: run %lld has ended: nothing is added to it", lb->path,
			       (long long)run_id);
	return rc == RC_OK ? run_state_load(lb, run_id, &lb->now, err) : rc;
}

static enum rc kept_statement(struct logbook *lb, enum statement which, const char *sql, struct err *err)
{
	return lb->kept[which] ? RC_OK : db_prepare(lb, sql, &lb->kept[which], err);
}

static enum rc step_kept(struct logbook *lb, enum statement which, struct err *err)
{
	int step = sqlite3_step(lb->kept[which]);
	enum rc rc = step == SQLITE_DONE ? RC_OK : db_fail(lb, err, "write to");

	sqlite3_reset(lb->kept[which]);
	return rc;
}

/* Run heads and ends. */

enum rc logbook_run_begin(struct logbook *lb, struct run_head *head, struct err *err)
{
	const struct field fields[] = {
		field_text(head->kind),         field_text(BRIDLE_VERSION),     field_int(head->mono_ns),
		field_int(head->wall_ns),       field_int(head->on_bench),      field_text(head->actuator_name),
		field_text(head->plan_name),    field_id(head->calibration_id), field_id(head->map_id),
		field_id(head->resumes_run_id), field_text(head->rig_text),     field_text(head->actuator_text),
		field_text(head->plan_text),
	};
	int64_t id = 0;
	bool own;
	enum rc rc = open_own(lb, &own, err);

	if (rc != RC_OK)
		return rc;
	rc = fields_insert(lb, "run",
			   "kind, program, mono_ns, wall_ns, on_bench, actuator, plan, calibration_id, "
			   "map_id, resumes_run_id, rig_text, actuator_text, plan_text",
			   fields, sizeof fields / sizeof fields[0], &id, err);
	if (rc == RC_OK)
		lb->now = (struct run_state){ .run_id = id, .last_mono_ns = INT64_MIN };
	rc = close_own(lb, own, rc, err);
	if (rc == RC_OK)
		head->id = id;
	return rc;
}

static enum rc insert_end(struct logbook *lb, int64_t mono_ns, const char *outcome, const char *cause,
			  const char *message, struct err *err)
{
	const struct run_state *s = &lb->now;
	const struct field fields[] = {
		field_int(s->run_id),
		field_int(mono_ns),
		field_text(outcome),
		field_text(cause ? cause : ""),
		field_text(message ? message : ""),
		field_int(s->samples),
		field_int(s->points),
		field_int(s->events),
		field_blob(s->sample.digest, CHAIN_SIZE),
		field_blob(s->point.digest, CHAIN_SIZE),
		field_blob(s->event.digest, CHAIN_SIZE),
	};
	int64_t id;

	return fields_insert(lb, "run_end",
			     "run_id, mono_ns, outcome, cause, message, samples, points, events, "
			     "sample_digest, point_digest, event_digest",
			     fields, sizeof fields / sizeof fields[0], &id, err);
}

enum rc logbook_run_end(struct logbook *lb, int64_t run_id, int64_t mono_ns, const char *outcome, const char *cause,
			const char *message, struct err *err)
{
	bool own;
	enum rc rc = open_own(lb, &own, err);

	if (rc != RC_OK)
		return rc;
	rc = turn_to(lb, run_id, err);
	if (rc == RC_OK)
		rc = insert_end(lb, mono_ns, outcome, cause, message, err);
	if (rc == RC_OK)
		lb->now = (struct run_state){ 0 };
	return close_own(lb, own, rc, err);
}

/* Samples. */

static void bind_sample(sqlite3_stmt *st, const struct sample *s)
{
	int c = 2;

	sqlite3_bind_int64(st, c++, s->mono_ns);
	sqlite3_bind_int64(st, c++, (int64_t)s->node_us);
	sqlite3_bind_int64(st, c++, s->sample_no);
	sqlite3_bind_int(st, c++, s->cell_count);
	sqlite3_bind_int64(st, c++, s->cell_conversions);
	sqlite3_bind_int64(st, c++, s->pulses);
	bind_real(st, c++, s->edge_time_s);
	bind_real(st, c++, s->torque_Nm);
	bind_real(st, c++, s->speed_rpm);
	bind_real(st, c++, s->brake_set_A);
	bind_real(st, c++, s->brake_A);
	bind_real(st, c++, s->voltage_V);
	bind_real(st, c++, s->current_A);
	bind_real(st, c++, s->ripple_W);
	sqlite3_bind_int(st, c++, s->drive_mode);
	bind_real(st, c++, s->drive_set);
	sqlite3_bind_int(st, c++, s->drive_flags);
	bind_real(st, c++, s->drive_rotor_rpm);
	bind_real(st, c++, s->drive_A);
	for (int i = 0; i < TEMP_COUNT; i++)
		bind_real(st, c++, s->temp_degC[i]);
	sqlite3_bind_int(st, c++, s->lines);
	sqlite3_bind_int(st, c++, s->phase);
	sqlite3_bind_int(st, c++, s->step);
	sqlite3_bind_int64(st, c++, s->late_ns);
	sqlite3_bind_int64(st, c++, s->repeats);
}

static enum rc insert_sample(struct logbook *lb, const struct sample *sample, struct err *err)
{
	struct run_state *s = &lb->now;
	sqlite3_stmt *st = lb->kept[INSERT_SAMPLE];

	if (sample->mono_ns < s->last_mono_ns)
		return err_set(err, RC_ARG, 0, "%s: a sample of run %lld is older than the one before it", lb->path,
			       (long long)s->run_id);
	if (s->samples >= SAMPLE_NO_MAX)
		return err_set(err, RC_RANGE, 0, "%s: run %lld holds all the samples that a run can", lb->path,
			       (long long)s->run_id);
	sample_digest(&s->sample, sample, lb->has, &s->sample);
	s->samples++;
	s->last_mono_ns = sample->mono_ns;
	sqlite3_bind_int64(st, 1, sample_key(s->run_id, s->samples));
	bind_sample(st, sample);
	sqlite3_bind_int64(st, SAMPLE_COLUMN_COUNT + 2, chain_short(&s->sample));
	return step_kept(lb, INSERT_SAMPLE, err);
}

static enum rc insert_samples(struct logbook *lb, int64_t run_id, const struct sample *samples, size_t n,
			      struct err *err)
{
	/* ?15 is ripple_W, ?25 the cell's temperature, ?30 repeats: bound and not used where there is no column. */
#define INSERT_WITH(ripple, cell, repeats) \
	"INSERT INTO sample (key, " SAMPLE_COLUMNS_WITH(ripple, cell, repeats) ", digest) "
#define VALUES_TO_29(ripple, cell) \
	"VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, " ripple \
	"?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23, ?24, " cell "?26, ?27, ?28, ?29, "
	static const char new[] =
		INSERT_WITH("ripple_W, ", "temp_cell_degC, ", ", repeats") VALUES_TO_29("?15, ", "?25, ") "?30, ?31)";
	static const char of_3[] = INSERT_WITH("ripple_W, ", "", ", repeats") VALUES_TO_29("?15, ", "") "?30, ?31)";
	static const char of_2[] = INSERT_WITH("ripple_W, ", "", "") VALUES_TO_29("?15, ", "") "?31)";
	static const char of_1[] = INSERT_WITH("", "", "") VALUES_TO_29("", "") "?31)";
	const char *sql = lb->has & SAMPLE_HAS_CELL_TEMP ? new
			  : lb->has &SAMPLE_HAS_REPEATS  ? of_3
			  : lb->has &SAMPLE_HAS_RIPPLE   ? of_2
							 : of_1;
	enum rc rc = turn_to(lb, run_id, err);

	if (rc == RC_OK)
		rc = kept_statement(lb, INSERT_SAMPLE, sql, err);
	for (size_t i = 0; i < n && rc == RC_OK; i++)
		rc = insert_sample(lb, &samples[i], err);
	return rc;
}

enum rc logbook_samples(struct logbook *lb, int64_t run_id, const struct sample *samples, size_t n, struct err *err)
{
	enum rc rc = RC_OK;

	while (n > 0 && rc == RC_OK) {
		size_t part = n < ROWS_A_TRANSACTION ? n : ROWS_A_TRANSACTION;
		bool own;
		rc = open_own(lb, &own, err);
		if (rc != RC_OK)
			return rc;
		rc = close_own(lb, own, insert_samples(lb, run_id, samples, part, err), err);
		samples += part;
		n -= part;
	}
	return rc;
}

/* Points, events, records. */

static enum rc insert_point(struct logbook *lb, int64_t run_id, const struct seq_point *p, struct err *err)
{
	static const char sql[] = "INSERT INTO point (run_id, no, " POINT_COLUMNS ", digest) "
				  "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)";
	struct run_state *s = &lb->now;
	enum rc rc = turn_to(lb, run_id, err);

	if (rc == RC_OK)
		rc = kept_statement(lb, INSERT_POINT, sql, err);
	if (rc != RC_OK)
		return rc;
	sqlite3_stmt *st = lb->kept[INSERT_POINT];
	point_digest(&s->point, p, &s->point);
	sqlite3_bind_int64(st, 1, run_id);
	sqlite3_bind_int64(st, 2, ++s->points);
	sqlite3_bind_int(st, 3, p->step);
	sqlite3_bind_int(st, 4, p->direction);
	sqlite3_bind_int64(st, 5, p->flags);
	bind_real(st, 6, p->setpoint_Nm);
	bind_real(st, 7, p->setpoint_A);
	bind_real(st, 8, p->setpoint_rpm);
	sqlite3_bind_int64(st, 9, p->begin.ns);
	sqlite3_bind_int64(st, 10, p->end.ns);
	bind_real(st, 11, p->settle_s);
	bind_real(st, 12, p->mean_torque_Nm);
	bind_real(st, 13, p->mean_speed_rpm);
	sqlite3_bind_int64(st, 14, chain_short(&s->point));
	return step_kept(lb, INSERT_POINT, err);
}

enum rc logbook_point(struct logbook *lb, int64_t run_id, const struct seq_point *point, struct err *err)
{
	bool own;
	enum rc rc = open_own(lb, &own, err);

	return rc == RC_OK ? close_own(lb, own, insert_point(lb, run_id, point, err), err) : rc;
}

static enum rc insert_event(struct logbook *lb, int64_t run_id, int64_t mono_ns, const char *kind, const char *text,
			    struct err *err)
{
	static const char sql[] =
		"INSERT INTO event (run_id, no, mono_ns, kind, text, digest) VALUES (?, ?, ?, ?, ?, ?)";
	struct run_state *s = &lb->now;
	enum rc rc = turn_to(lb, run_id, err);

	if (rc == RC_OK)
		rc = kept_statement(lb, INSERT_EVENT, sql, err);
	if (rc != RC_OK)
		return rc;
	sqlite3_stmt *st = lb->kept[INSERT_EVENT];
	event_digest(&s->event, mono_ns, kind, text, &s->event);
	sqlite3_bind_int64(st, 1, run_id);
	sqlite3_bind_int64(st, 2, ++s->events);
	sqlite3_bind_int64(st, 3, mono_ns);
	bind_text(st, 4, kind);
	bind_text(st, 5, text);
	sqlite3_bind_int64(st, 6, chain_short(&s->event));
	rc = step_kept(lb, INSERT_EVENT, err);
	sqlite3_clear_bindings(st); /* they were borrowed */
	return rc;
}

enum rc logbook_event(struct logbook *lb, int64_t run_id, int64_t mono_ns, const char *kind, const char *text,
		      struct err *err)
{
	bool own;
	enum rc rc = open_own(lb, &own, err);

	if (rc != RC_OK)
		return rc;
	return close_own(lb, own, insert_event(lb, run_id, mono_ns, kind, text ? text : "", err), err);
}

enum rc logbook_record(struct logbook *lb, int64_t run_id, int64_t wall_ns, const char *kind, const char *json,
		       int64_t *ret_id, struct err *err)
{
	const struct field fields[] = {
		field_id(run_id), field_int(wall_ns), field_text(BRIDLE_VERSION), field_text(kind), field_text(json),
	};
	int64_t id = 0;
	bool own;

	if (!json)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory for a %s record", lb->path, kind);
	enum rc rc = open_own(lb, &own, err);
	if (rc != RC_OK)
		return rc;
	rc = fields_insert(lb, "record", "run_id, wall_ns, program, kind, json", fields,
			   sizeof fields / sizeof fields[0], &id, err);
	rc = close_own(lb, own, rc, err);
	if (rc == RC_OK && ret_id)
		*ret_id = id;
	return rc;
}
