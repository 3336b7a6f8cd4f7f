/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A logbook in a folder of its own, and rows that tell themselves apart, for the logbook's tests. */
#ifndef BRIDLE_TESTS_LOGBOOK_SCENE_H
#define BRIDLE_TESTS_LOGBOOK_SCENE_H

#include "logbook/logbook.h"
#include "channel/event.h"

#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct book {
	char dir[200], path[256];
	struct logbook *lb;
	struct err err;
};

/* *state of a cmocka test; the folder is removed with what is in it. */
static inline int book_set_up(void **state)
{
	struct book *b = calloc(1, sizeof *b);
	const char *tmp = getenv("TMPDIR");

	if (!b)
		return -1;
	snprintf(b->dir, sizeof b->dir, "%s/bridle-test-XXXXXX", tmp ? tmp : "/tmp");
	if (!mkdtemp(b->dir))
		return -1;
	snprintf(b->path, sizeof b->path, "%s/logbook", b->dir);
	*state = b;
	return 0;
}

static inline void book_remove(struct book *b)
{
	static const char *const ends[] = { "", "-wal", "-shm", "-journal" };
	char path[300];

	for (int i = 0; i < 4; i++) {
		snprintf(path, sizeof path, "%s%s", b->path, ends[i]);
		unlink(path);
	}
}

static inline int book_tear_down(void **state)
{
	struct book *b = *state;

	logbook_close(b->lb);
	book_remove(b);
	rmdir(b->dir);
	free(b);
	return 0;
}

/* Every field depends on i in its own way. */
static inline struct sample sample_number(int64_t i)
{
	double x = (double)i;
	struct sample s = {
		.mono_ns = 1000 + 10000000 * i,
		.node_us = 5 + (uint64_t)i * 10000,
		.sample_no = (uint32_t)i,
		.cell_count = (int32_t)(i * 7919 % 16777216) - 8388608,
		.cell_conversions = (uint32_t)i / 2,
		.pulses = -3 * i,
		.edge_time_s = x / 3,
		.torque_Nm = 10 + x / 7,
		.speed_rpm = 60 - x / 11,
		.brake_set_A = x * 1e-3,
		.brake_A = x * 1e-3 + 1e-5,
		.voltage_V = 24 - x / 13,
		.current_A = x / 17,
		.ripple_W = -x / 19,
		.drive_set = 60,
		.drive_rotor_rpm = 3000 + x,
		.drive_A = -x / 19,
		.temp_degC = { 20 + x / 23, NAN, -0.0, 1e-9 * x },
		.drive_mode = (uint16_t)(i % 3),
		.drive_flags = (uint16_t)(i % 64),
		.lines = (uint16_t)(i % 8),
		.phase = (uint16_t)(i % 3),
		.step = (int32_t)(i % 50) - 1,
		.late_ns = i % 1000,
	};

	return s;
}

static inline struct seq_point point_number(int i)
{
	return (struct seq_point){
		.step = i,
		.direction = i % 3 - 1,
		.flags = (unsigned)i % 16,
		.setpoint_Nm = i * 2.5,
		.setpoint_A = NAN,
		.setpoint_rpm = 60,
		.begin = { 1000000000LL * i },
		.end = { 1000000000LL * i + 500000000 },
		.settle_s = 1.0 / (i + 1),
		.mean_torque_Nm = i * 2.4999,
		.mean_speed_rpm = 60.0 - i,
	};
}

static inline bool same_real(double a, double b)
{
	return (isnan(a) && isnan(b)) || (a <= b && a >= b);
}

static inline bool same_sample(const struct sample *a, const struct sample *b)
{
	bool same = a->mono_ns == b->mono_ns && a->node_us == b->node_us && a->sample_no == b->sample_no &&
		    a->cell_count == b->cell_count && a->cell_conversions == b->cell_conversions &&
		    a->pulses == b->pulses && same_real(a->edge_time_s, b->edge_time_s) &&
		    same_real(a->torque_Nm, b->torque_Nm) && same_real(a->speed_rpm, b->speed_rpm) &&
		    same_real(a->brake_set_A, b->brake_set_A) && same_real(a->brake_A, b->brake_A) &&
		    same_real(a->voltage_V, b->voltage_V) && same_real(a->current_A, b->current_A) &&
		    same_real(a->ripple_W, b->ripple_W) && same_real(a->drive_set, b->drive_set) &&
		    same_real(a->drive_rotor_rpm, b->drive_rotor_rpm) && same_real(a->drive_A, b->drive_A) &&
		    a->drive_mode == b->drive_mode && a->drive_flags == b->drive_flags && a->lines == b->lines &&
		    a->phase == b->phase && a->step == b->step && a->late_ns == b->late_ns;

	for (int i = 0; i < 4; i++)
		same = same && same_real(a->temp_degC[i], b->temp_degC[i]);
	return same;
}

static inline bool same_point(const struct seq_point *a, const struct seq_point *b)
{
	return a->step == b->step && a->direction == b->direction && a->flags == b->flags &&
	       same_real(a->setpoint_Nm, b->setpoint_Nm) && same_real(a->setpoint_A, b->setpoint_A) &&
	       same_real(a->setpoint_rpm, b->setpoint_rpm) && a->begin.ns == b->begin.ns && a->end.ns == b->end.ns &&
	       same_real(a->settle_s, b->settle_s) && same_real(a->mean_torque_Nm, b->mean_torque_Nm) &&
	       same_real(a->mean_speed_rpm, b->mean_speed_rpm);
}

/* Past the program: what somebody with another SQLite tool can do. Gives SQLite's result code. */
static inline int book_sql(struct book *b, const char *sql)
{
	sqlite3 *db = NULL;
	int code = sqlite3_open(b->path, &db);

	if (code == SQLITE_OK)
		code = sqlite3_exec(db, sql, NULL, NULL, NULL);
	sqlite3_close(db);
	return code;
}

/* The first column of the first row; -1 when there is none. */
static inline int64_t book_number(struct book *b, const char *sql)
{
	sqlite3 *db = NULL;
	sqlite3_stmt *st = NULL;
	int64_t number = -1;

	if (sqlite3_open(b->path, &db) == SQLITE_OK && sqlite3_prepare_v2(db, sql, -1, &st, NULL) == SQLITE_OK &&
	    sqlite3_step(st) == SQLITE_ROW)
		number = sqlite3_column_int64(st, 0);
	sqlite3_finalize(st);
	sqlite3_close(db);
	return number;
}

#endif
