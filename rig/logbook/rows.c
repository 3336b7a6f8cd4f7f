/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/logbook_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void sample_digest(const struct chain *before, const struct sample *s, unsigned has, struct chain *after)
{
	struct chain_row h;

	chain_row_begin(&h, before, "sample");
	chain_int(&h, s->mono_ns);
	chain_int(&h, (int64_t)s->node_us);
	chain_int(&h, s->sample_no);
	chain_int(&h, s->cell_count);
	chain_int(&h, s->cell_conversions);
	chain_int(&h, s->pulses);
	chain_real(&h, s->edge_time_s);
	chain_real(&h, s->torque_Nm);
	chain_real(&h, s->speed_rpm);
	chain_real(&h, s->brake_set_A);
	chain_real(&h, s->brake_A);
	chain_real(&h, s->voltage_V);
	chain_real(&h, s->current_A);
	if (has & SAMPLE_HAS_RIPPLE)
		chain_real(&h, s->ripple_W);
	chain_int(&h, s->drive_mode);
	chain_real(&h, s->drive_set);
	chain_int(&h, s->drive_flags);
	chain_real(&h, s->drive_rotor_rpm);
	chain_real(&h, s->drive_A);
	for (int i = 0; i < TEMP_CELL; i++)
		chain_real(&h, s->temp_degC[i]);
	if (has & SAMPLE_HAS_CELL_TEMP)
		chain_real(&h, s->temp_degC[TEMP_CELL]);
	chain_int(&h, s->lines);
	chain_int(&h, s->phase);
	chain_int(&h, s->step);
	chain_int(&h, s->late_ns);
	if (has & SAMPLE_HAS_REPEATS)
		chain_int(&h, s->repeats);
	chain_row_end(&h, after);
}

/* NULL is NaN; SQLite gives it as 0, and only there its type is asked for. */
static double real_of(sqlite3_value *value)
{
	double x = sqlite3_value_double(value);

	return fpclassify(x) == FP_ZERO && sqlite3_value_type(value) == SQLITE_NULL ? NAN : x;
}

static void sample_from_values(sqlite3_value **v, struct sample *ret)
{
	ret->mono_ns = sqlite3_value_int64(*v++);
	ret->node_us = (uint64_t)sqlite3_value_int64(*v++);
	ret->sample_no = (uint32_t)sqlite3_value_int64(*v++);
	ret->cell_count = sqlite3_value_int(*v++);
	ret->cell_conversions = (uint32_t)sqlite3_value_int64(*v++);
	ret->pulses = sqlite3_value_int64(*v++);
	ret->edge_time_s = real_of(*v++);
	ret->torque_Nm = real_of(*v++);
	ret->speed_rpm = real_of(*v++);
	ret->brake_set_A = real_of(*v++);
	ret->brake_A = real_of(*v++);
	ret->voltage_V = real_of(*v++);
	ret->current_A = real_of(*v++);
	ret->ripple_W = real_of(*v++);
	ret->drive_mode = (uint16_t)sqlite3_value_int(*v++);
	ret->drive_set = real_of(*v++);
	ret->drive_flags = (uint16_t)sqlite3_value_int(*v++);
	ret->drive_rotor_rpm = real_of(*v++);
	ret->drive_A = real_of(*v++);
	for (int i = 0; i < TEMP_COUNT; i++)
		ret->temp_degC[i] = real_of(*v++);
	ret->lines = (uint16_t)sqlite3_value_int(*v++);
	ret->phase = (uint16_t)sqlite3_value_int(*v++);
	ret->step = sqlite3_value_int(*v++);
	ret->late_ns = sqlite3_value_int64(*v++);
	ret->repeats = (uint32_t)sqlite3_value_int64(*v++);
}

static void take_sample(sqlite3_context *context, int n, sqlite3_value **values)
{
	struct logbook *lb = sqlite3_user_data(context);

	(void)n;
	sample_from_values(values, lb->sample_to);
}

int sample_reader(struct logbook *lb)
{
	return sqlite3_create_function_v2(lb->db, "take_sample", SAMPLE_COLUMN_COUNT, SQLITE_UTF8 | SQLITE_DIRECTONLY,
					  lb, take_sample, NULL, NULL, NULL);
}

int sample_step(struct logbook *lb, sqlite3_stmt *st, struct sample *ret)
{
	lb->sample_to = ret;
	return sqlite3_step(st);
}

void point_digest(const struct chain *before, const struct seq_point *p, struct chain *after)
{
	struct chain_row h;

	chain_row_begin(&h, before, "point");
	chain_int(&h, p->step);
	chain_int(&h, p->direction);
	chain_int(&h, p->flags);
	chain_real(&h, p->setpoint_Nm);
	chain_real(&h, p->setpoint_A);
	chain_real(&h, p->setpoint_rpm);
	chain_int(&h, p->begin.ns);
	chain_int(&h, p->end.ns);
	chain_real(&h, p->settle_s);
	chain_real(&h, p->mean_torque_Nm);
	chain_real(&h, p->mean_speed_rpm);
	chain_row_end(&h, after);
}

void point_from_row(sqlite3_stmt *st, int c, struct seq_point *ret)
{
	ret->step = sqlite3_column_int(st, c++);
	ret->direction = sqlite3_column_int(st, c++);
	ret->flags = (unsigned)sqlite3_column_int64(st, c++);
	ret->setpoint_Nm = column_real(st, c++);
	ret->setpoint_A = column_real(st, c++);
	ret->setpoint_rpm = column_real(st, c++);
	ret->begin.ns = sqlite3_column_int64(st, c++);
	ret->end.ns = sqlite3_column_int64(st, c++);
	ret->settle_s = column_real(st, c++);
	ret->mean_torque_Nm = column_real(st, c++);
	ret->mean_speed_rpm = column_real(st, c++);
}

void event_digest(const struct chain *before, int64_t mono_ns, const char *kind, const char *text, struct chain *after)
{
	struct chain_row h;

	chain_row_begin(&h, before, "event");
	chain_int(&h, mono_ns);
	chain_text(&h, kind);
	chain_text(&h, text);
	chain_row_end(&h, after);
}

struct field field_int(int64_t value)
{
	return (struct field){ .kind = FIELD_INT, .i = value };
}

struct field field_id(int64_t id)
{
	return (struct field){ .kind = id ? FIELD_INT : FIELD_NULL, .i = id };
}

struct field field_text(const char *text)
{
	return (struct field){ .kind = text ? FIELD_TEXT : FIELD_NULL, .p = text };
}

struct field field_blob(const void *p, size_t n)
{
	return (struct field){ .kind = FIELD_BLOB, .p = p, .n = n };
}

struct field field_of_column(sqlite3_stmt *st, int column)
{
	switch (sqlite3_column_type(st, column)) {
	case SQLITE_INTEGER: return field_int(sqlite3_column_int64(st, column));
	case SQLITE_TEXT: return field_text((const char *)sqlite3_column_text(st, column));
	case SQLITE_BLOB: return field_blob(sqlite3_column_blob(st, column), (size_t)sqlite3_column_bytes(st, column));
	default: return (struct field){ .kind = FIELD_NULL };
	}
}

void fields_digest(const struct chain *before, const char *table, const struct field *fields, size_t n,
		   struct chain *after)
{
	struct chain_row h;

	chain_row_begin(&h, before, table);
	for (size_t i = 0; i < n; i++) {
		const struct field *f = &fields[i];
		chain_int(&h, (int64_t)f->kind);
		switch (f->kind) {
		case FIELD_NULL: break;
		case FIELD_INT: chain_int(&h, f->i); break;
		case FIELD_TEXT: chain_text(&h, f->p); break;
		case FIELD_BLOB:
			chain_int(&h, (int64_t)f->n);
			chain_bytes(&h, f->p, f->n);
			break;
		}
	}
	chain_row_end(&h, after);
}

static void bind_field(sqlite3_stmt *st, int column, const struct field *f)
{
	switch (f->kind) {
	case FIELD_NULL: sqlite3_bind_null(st, column); break;
	case FIELD_INT: sqlite3_bind_int64(st, column, f->i); break;
	case FIELD_TEXT: sqlite3_bind_text(st, column, f->p, -1, SQLITE_STATIC); break;
	case FIELD_BLOB: sqlite3_bind_blob(st, column, f->p, (int)f->n, SQLITE_STATIC); break;
	}
}

static enum rc last_row(struct logbook *lb, const char *table, int64_t *ret_id, struct chain *ret, struct err *err)
{
	char sql[120];
	sqlite3_stmt *st;

	snprintf(sql, sizeof sql, "SELECT id, digest FROM %s ORDER BY id DESC LIMIT 1", table);
	enum rc rc = db_prepare(lb, sql, &st, err);
	if (rc != RC_OK)
		return rc;
	*ret_id = 0;
	*ret = (struct chain){ 0 };
	int step = sqlite3_step(st);
	if (step == SQLITE_ROW) {
		*ret_id = sqlite3_column_int64(st, 0);
		if (sqlite3_column_bytes(st, 1) == CHAIN_SIZE)
			memcpy(ret->digest, sqlite3_column_blob(st, 1), CHAIN_SIZE);
	} else if (step != SQLITE_DONE) {
		rc = db_fail(lb, err, "read");
	}
	sqlite3_finalize(st);
	return rc;
}

#define FIELDS_MAX 16

enum rc fields_insert(struct logbook *lb, const char *table, const char *columns, const struct field *fields, size_t n,
		      int64_t *ret_id, struct err *err)
{
	struct field all[FIELDS_MAX + 2];
	struct chain chain;
	char sql[600];
	sqlite3_stmt *st;
	enum rc rc = last_row(lb, table, ret_id, &chain, err);

	if (rc != RC_OK)
		return rc;
	++*ret_id;
	all[0] = field_int(*ret_id);
	memcpy(all + 1, fields, n * sizeof *fields);
	fields_digest(&chain, table, all, n + 1, &chain);
	all[n + 1] = field_blob(chain.digest, CHAIN_SIZE);

	int used = snprintf(sql, sizeof sql, "INSERT INTO %s (id, %s, digest) VALUES (?", table, columns);
	for (size_t i = 0; i < n + 1; i++)
		used += snprintf(sql + used, sizeof sql - (size_t)used, ", ?");
	snprintf(sql + used, sizeof sql - (size_t)used, ")");
	rc = db_prepare(lb, sql, &st, err);
	if (rc != RC_OK)
		return rc;
	for (size_t i = 0; i < n + 2; i++)
		bind_field(st, (int)i + 1, &all[i]);
	if (sqlite3_step(st) != SQLITE_DONE)
		rc = db_fail(lb, err, "write to");
	sqlite3_finalize(st);
	return rc;
}
