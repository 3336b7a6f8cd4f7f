/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The logbook: one SQLite file in the bench folder, append-only, schema version
 * in PRAGMA user_version. Records are never changed or deleted (triggers refuse it); newer ones supersede.
 *
 * Two doors: the writer, owned by one thread at a time, and the reader. Samples go through logbook_ring
 * (ring.h), which the tick thread fills without waiting and a thread of its own empties. */
#ifndef BRIDLE_LOGBOOK_LOGBOOK_H
#define BRIDLE_LOGBOOK_LOGBOOK_H

#include "calib/number/err.h"
#include "channel/channel.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct logbook;

/* Open for writing, making the file when absent; WAL, synchronous=FULL. Open for reading never writes.
 * RC_DB with the file's name in the sentence. A newer schema is refused, and so is a file with a table, view, trigger
 * or index that this program did not make: a view may run without end. Nothing is written through a link. A row has at
 * most 64 MiB. */
enum rc logbook_open(const char *path, struct logbook **ret, struct err *err) MUST_CHECK;
enum rc logbook_open_read(const char *path, struct logbook **ret, struct err *err) MUST_CHECK;
void logbook_close(struct logbook *lb); /* NULL is fine */

/* A run: anything that took samples or gave an answer (kind "hang", "map", "ready", "sweep", "probe"). The profile
 * texts are kept as they were. on_bench marks a virtual bench. mono_ns/wall_ns: both clocks at the start. */
struct run_head {
	int64_t id; /* given by logbook_run_begin */
	const char *kind, *rig_text, *actuator_text, *plan_text, *actuator_name, *plan_name; /* NULL allowed */
	int64_t mono_ns, wall_ns;
	bool on_bench;
	int64_t calibration_id, map_id; /* records it rests on; 0 = none */
	int64_t resumes_run_id;         /* 0 = none */
};
enum rc logbook_run_begin(struct logbook *lb, struct run_head *head, struct err *err) MUST_CHECK;
/* outcome: "done", "stopped", "failed", "refused"; cause: word or ""; message for people. */
enum rc logbook_run_end(struct logbook *lb, int64_t run_id, int64_t mono_ns, const char *outcome, const char *cause,
			const char *message, struct err *err) MUST_CHECK;

/* One tick's sample: raw and calibrated, plain data. */
struct sample {
	int64_t mono_ns;
	uint64_t node_us;
	uint32_t sample_no;
	int32_t cell_count;
	uint32_t cell_conversions;
	int64_t pulses;
	double edge_time_s;
	double torque_Nm, speed_rpm; /* indicated, with the calibration of the run */
	double brake_set_A, brake_A;
	double voltage_V, current_A;
	double ripple_W;  /* mean of v i less the product of both means; NaN: the node does not tell */
	double drive_set; /* rpm, A, N.m or degrees of the output, by drive_mode */
	double drive_rotor_rpm, drive_A;
	double temp_degC[TEMP_COUNT];
	uint16_t drive_mode, drive_flags;
	uint32_t repeats; /* bit enum channel_id: this row only repeats that channel's value; 0 of all in files before
			     schema 3 */
	uint16_t lines;   /* bit 0 estop ok, 1 guard ok, 2 contactor closed */
	uint16_t phase;   /* guard phase */
	int32_t step;     /* plan step, -1 outside */
	int64_t late_ns;
};
/* Time never goes back inside a run: RC_ARG otherwise. Nothing is added to a run that has ended: RC_ARG. */
enum rc logbook_samples(struct logbook *lb, int64_t run_id, const struct sample *samples, size_t n,
			struct err *err) MUST_CHECK;

/* Small append-only rows. */
struct seq_point;
enum rc logbook_point(struct logbook *lb, int64_t run_id, const struct seq_point *point, struct err *err) MUST_CHECK;
enum rc logbook_event(struct logbook *lb, int64_t run_id, int64_t mono_ns, const char *kind, const char *text,
		      struct err *err) MUST_CHECK;

/* Records that others rest on: kind "calibration", "map", "ready", "check", "note" (and "unusable_calibration", on
 * which nothing rests); json is the whole record. */
enum rc logbook_record(struct logbook *lb, int64_t run_id, int64_t wall_ns, const char *kind, const char *json,
		       int64_t *ret_id, struct err *err) MUST_CHECK;

/* Group many appends: everything between is durable at the commit. An append that fails ends its group and undoes the
 * whole of it; logbook_undo does so on purpose (no group: nothing happens). */
enum rc logbook_begin(struct logbook *lb, struct err *err) MUST_CHECK;
enum rc logbook_commit(struct logbook *lb, struct err *err) MUST_CHECK;
void logbook_undo(struct logbook *lb);

/* What was measured on a virtual bench is nothing to a real rig in the same folder, nor the reverse. A record of no run
 * (readings that were typed in) is of both. */
enum record_place { RECORD_ANY, RECORD_REAL, RECORD_BENCH };

/* Reading. Strings given to the caller are malloc'ed. Id 0, json NULL when there is none. */
enum rc logbook_latest_record(struct logbook *lb, const char *kind, enum record_place place, int64_t *ret_id,
			      int64_t *ret_wall_ns, char **ret_json, struct err *err) MUST_CHECK;
enum rc logbook_record_by_id(struct logbook *lb, int64_t id, char **ret_kind, int64_t *ret_wall_ns, char **ret_json,
			     struct err *err) MUST_CHECK;

struct record_info {                 /* strings borrowed until fn returns */
	int64_t id, run_id, wall_ns; /* run_id 0 = of no run */
	const char *kind, *program, *json;
};
/* Every record of a kind (NULL = any) and place, oldest first; stops when fn returns false. */
enum rc logbook_each_record(struct logbook *lb, const char *kind, enum record_place place,
			    bool (*fn)(void *ctx, const struct record_info *record), void *ctx,
			    struct err *err) MUST_CHECK;

struct run_info {
	int64_t id, mono_ns, wall_ns, end_mono_ns;
	char kind[16], actuator[64], plan[64], outcome[16], cause[32], program[32];
	char message[800];
	bool on_bench, ended; /* not ended: killed, or still running; end_mono_ns is then its last sample's */
	int64_t calibration_id, map_id, resumes_run_id;
	int64_t samples, points;
};
enum rc logbook_run_info(struct logbook *lb, int64_t run_id, struct run_info *ret, struct err *err) MUST_CHECK;
/* Ids newest first; kind NULL = any. *ret malloc'ed, *ret_n entries. */
enum rc logbook_runs(struct logbook *lb, const char *kind, int64_t **ret, size_t *ret_n, struct err *err) MUST_CHECK;
enum rc logbook_run_texts(struct logbook *lb, int64_t run_id, char **ret_rig, char **ret_actuator, char **ret_plan,
			  struct err *err) MUST_CHECK;
/* Points of a run in order; those of the runs that it resumes come first. *ret malloc'ed. */
enum rc logbook_points(struct logbook *lb, int64_t run_id, struct seq_point **ret, int64_t **ret_run_of, size_t *ret_n,
		       struct err *err) MUST_CHECK;
/* Every sample of a run with begin <= mono_ns < end in order of time; stops when fn returns false. Constant memory. */
enum rc logbook_each_sample(struct logbook *lb, int64_t run_id, int64_t begin_ns, int64_t end_ns,
			    bool (*fn)(void *ctx, const struct sample *sample), void *ctx, struct err *err) MUST_CHECK;
enum rc logbook_each_event(struct logbook *lb, int64_t run_id,
			   bool (*fn)(void *ctx, int64_t mono_ns, const char *kind, const char *text), void *ctx,
			   struct err *err) MUST_CHECK;
/* The newest event of a kind, of any run, whose text begins with one of two words; text is cut to size. *ret_run 0 when
 * there is none. */
enum rc logbook_last_event(struct logbook *lb, const char *kind, const char *one, const char *other, int64_t *ret_run,
			   char *text, size_t size, struct err *err) MUST_CHECK;
/* The same of a kind in the newest run that has such an event and no end. */
enum rc logbook_last_unended(struct logbook *lb, const char *kind, int64_t *ret_run, char *text, size_t size,
			     struct err *err) MUST_CHECK;
/* integrity_check, foreign keys, schema, and that nothing was altered (a running digest over the rows).
 * RC_SAYS_NO when it is not whole; the sentence says what. */
enum rc logbook_verify(struct logbook *lb, struct err *err) MUST_CHECK;
/* What a run measured in one figure: SHA-256 over the digests of its samples, points and events, in hexadecimal. No
 * time of day is in it: two runs of one virtual bench with the same seed have the same. RC_SAYS_NO when a row does not
 * fit. */
#define LOGBOOK_DIGEST_TEXT 65
enum rc logbook_run_digest(struct logbook *lb, int64_t run_id, char ret[LOGBOOK_DIGEST_TEXT],
			   struct err *err) MUST_CHECK;
/* The same and, on the way, every sample of the run in order of time: one pass in place of two. A row that does not fit
 * keeps no sample back: ret is then "" and *ret_why says which (rc RC_SAYS_NO; RC_OK when all fit). */
enum rc logbook_samples_and_digest(struct logbook *lb, int64_t run_id,
				   void (*fn)(void *ctx, const struct sample *sample), void *ctx,
				   char ret[LOGBOOK_DIGEST_TEXT], struct err *ret_why, struct err *err) MUST_CHECK;

#endif
