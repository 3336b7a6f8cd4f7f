/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/log_print.h"

#include "calib/number/units.h"
#include "terminal/cli.h"
#include "channel/cause.h"
#include "channel/event.h"
#include "channel/utf8.h"
#include "run/session.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* UTC: the logbook knows no place. */
static const char *when(int64_t wall_ns, char buf[24])
{
	time_t t = (time_t)(wall_ns / 1000000000);
	struct tm tm;

	if (wall_ns == 0 || !gmtime_r(&t, &tm) || strftime(buf, 24, "%Y-%m-%d %H:%M:%SZ", &tm) == 0)
		strcpy(buf, "-");
	return buf;
}

static const char *outcome_of(const struct run_info *run)
{
	return run->ended ? run->outcome : "not ended";
}

static const char *or_dash(const char *text)
{
	return text && *text ? text : "-";
}

static enum rc printed(int status, struct err *err)
{
	return status == 0 ? RC_OK : err_set(err, RC_IO, 0, "cannot write to standard output");
}

/* Runs in JSON. */

static json_t *id_json(int64_t id)
{
	return id ? json_integer(id) : json_null();
}

static json_t *word_json(const char *text)
{
	return text && *text ? cli_text(text) : json_null();
}

static json_t *run_json(const struct run_info *run)
{
	char buf[24];
	json_t *o = json_object();

	json_object_set_new(o, "run", json_integer(run->id));
	json_object_set_new(o, "kind", cli_text(run->kind));
	json_object_set_new(o, "begun_utc", cli_text(when(run->wall_ns, buf)));
	json_object_set_new(o, "duration_s", cli_real(s_from_ns(run->end_mono_ns - run->mono_ns)));
	json_object_set_new(o, "on_bench", json_boolean(run->on_bench));
	json_object_set_new(o, "program", cli_text(run->program));
	json_object_set_new(o, "actuator", word_json(run->actuator));
	json_object_set_new(o, "plan", word_json(run->plan));
	json_object_set_new(o, "ended", json_boolean(run->ended));
	json_object_set_new(o, "outcome", word_json(run->outcome));
	json_object_set_new(o, "cause", word_json(run->cause));
	json_object_set_new(o, "message", word_json(run->message));
	json_object_set_new(o, "samples", json_integer(run->samples));
	json_object_set_new(o, "n_points", json_integer(run->points));
	json_object_set_new(o, "calibration", id_json(run->calibration_id));
	json_object_set_new(o, "map", id_json(run->map_id));
	json_object_set_new(o, "resumes", id_json(run->resumes_run_id));
	return o;
}

/* list */

static void print_run_line(const struct run_info *run)
{
	char buf[24];

	printf("%5lld  %-6.6s %-20s  %-15.15s  %-9.9s %6lld %9lld\n", (long long)run->id, run->kind,
	       when(run->wall_ns, buf), or_dash(run->plan), outcome_of(run), (long long)run->points,
	       (long long)run->samples);
}

struct record_list {
	bool json, headed;
	json_t *array;
};

static json_t *parsed(const char *json)
{
	json_t *o = json_loads(json, JSON_DECODE_ANY, NULL);

	return o ? o : cli_text(json);
}

/* The text of a note, and why a calibration is not usable. */
static void print_said(const struct record_info *record)
{
	bool unusable = strcmp(record->kind, SESSION_UNUSABLE) == 0, note = strcmp(record->kind, "note") == 0;
	json_t *o = note || unusable ? json_loads(record->json, 0, NULL) : NULL;
	const char *text = json_string_value(json_object_get(o, unusable ? "not_usable" : "text"));
	char shown[206];

	utf8_clean(text ? text : "", shown, sizeof shown);
	if (unusable)
		printf("  NOT USABLE: %s\n", shown);
	else
		printf(text ? "  %.60s\n" : "%.0s\n", shown);
	json_decref(o);
}

static bool take_record(void *ctx, const struct record_info *record)
{
	struct record_list *list = ctx;
	char buf[24];

	if (list->json) {
		json_t *o = json_object();
		json_object_set_new(o, "record", json_integer(record->id));
		json_object_set_new(o, "kind", cli_text(record->kind));
		json_object_set_new(o, "written_utc", cli_text(when(record->wall_ns, buf)));
		json_object_set_new(o, "run", id_json(record->run_id));
		json_object_set_new(o, "contents", parsed(record->json));
		json_array_append_new(list->array, o);
		return true;
	}
	if (!list->headed)
		puts("\nrecord  kind          written               of run");
	list->headed = true;
	bool unusable = strcmp(record->kind, SESSION_UNUSABLE) == 0;
	char kind[30];
	utf8_clean(unusable ? "calibration" : record->kind, kind, sizeof kind);
	printf("%6lld  %-12.12s  %-20s ", (long long)record->id, kind, when(record->wall_ns, buf));
	if (record->run_id)
		printf(" %6lld", (long long)record->run_id);
	else
		printf(" %6s", "-");
	print_said(record);
	return true;
}

static enum rc each_run(struct logbook *lb, enum rc (*fn)(void *ctx, const struct run_info *run, struct err *err),
			void *ctx, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0;
	enum rc rc = logbook_runs(lb, NULL, &ids, &n, err);

	for (size_t i = n; i-- > 0 && rc == RC_OK;) {
		struct run_info run;
		rc = logbook_run_info(lb, ids[i], &run, err);
		if (rc == RC_OK)
			rc = fn(ctx, &run, err);
	}
	free(ids);
	return rc;
}

static enum rc list_run(void *ctx, const struct run_info *run, struct err *err)
{
	json_t *array = ctx;

	(void)err;
	if (array)
		json_array_append_new(array, run_json(run));
	else
		print_run_line(run);
	return RC_OK;
}

enum rc log_list(struct logbook *lb, bool json, struct err *err)
{
	json_t *runs = json ? json_array() : NULL;
	struct record_list list = { .json = json, .array = json ? json_array() : NULL };

	if (!json)
		printf("%5s  %-6s %-20s  %-15s  %-9s %6s %9s\n", "run", "kind", "begun", "plan", "outcome", "points",
		       "samples");
	enum rc rc = each_run(lb, list_run, runs, err);
	if (rc == RC_OK)
		rc = logbook_each_record(lb, NULL, RECORD_ANY, take_record, &list, err);
	if (json && rc == RC_OK)
		return printed(cli_print_json(json_pack("{s:o, s:o}", "runs", runs, "records", list.array)), err);
	json_decref(runs);
	json_decref(list.array);
	return rc;
}

/* show */

static json_t *point_json(const struct seq_point *p, int64_t run_of, const struct run_info *run)
{
	json_t *o = json_object();

	json_object_set_new(o, "run", json_integer(run_of));
	json_object_set_new(o, "step", p->step >= 0 ? json_integer(p->step + 1) : json_null());
	json_object_set_new(o, "direction", json_integer(p->direction));
	json_object_set_new(o, "settled", json_boolean(!(p->flags & POINT_NOT_SETTLED)));
	json_object_set_new(o, "forced", json_boolean((p->flags & POINT_FORCED) != 0));
	json_object_set_new(o, "repeat", json_boolean((p->flags & POINT_REPEAT) != 0));
	json_object_set_new(o, "tare", json_boolean((p->flags & POINT_TARE) != 0));
	json_object_set_new(o, "setpoint_Nm", cli_real(p->setpoint_Nm));
	json_object_set_new(o, "setpoint_A", cli_real(p->setpoint_A));
	json_object_set_new(o, "setpoint_rpm", cli_real(p->setpoint_rpm));
	/* A run that this one resumed has a clock of its own. */
	json_object_set_new(o, "begin_s", cli_real(run_of == run->id ? s_from_ns(p->begin.ns - run->mono_ns) : NAN));
	json_object_set_new(o, "window_s", cli_real(s_from_ns(p->end.ns - p->begin.ns)));
	json_object_set_new(o, "settle_s", cli_real(p->settle_s));
	json_object_set_new(o, "indicated_torque_Nm", cli_real(p->mean_torque_Nm));
	json_object_set_new(o, "indicated_speed_rpm", cli_real(p->mean_speed_rpm));
	return o;
}

static void print_or_dash(double value, int width, int digits)
{
	if (isfinite(value))
		printf(" %*.*f", width, digits, value);
	else
		printf(" %*s", width, "-");
}

static const char *way_word(const struct seq_point *p)
{
	if (p->flags & POINT_TARE)
		return "-";
	if (p->flags & POINT_REPEAT)
		return "again";
	return p->direction > 0 ? "rising" : p->direction < 0 ? "falling" : "-";
}

static void print_point(const struct seq_point *p, int64_t run_of)
{
	printf("%4lld ", (long long)run_of);
	if (p->step >= 0)
		printf("%4d", p->step + 1);
	else
		printf("%4s", "-");
	printf(" %-7s", way_word(p));
	print_or_dash(p->setpoint_Nm, 7, 3);
	print_or_dash(p->setpoint_A, 7, 4);
	print_or_dash(p->setpoint_rpm, 7, 2);
	print_or_dash(p->mean_torque_Nm, 7, 3);
	print_or_dash(p->mean_speed_rpm, 7, 2);
	printf("%s%s%s\n",
	       p->flags & POINT_CUT           ? " cut short"
	       : p->flags & POINT_NOT_SETTLED ? " not settled"
					      : "",
	       p->flags & POINT_FORCED ? " forced" : "", p->flags & POINT_TARE ? " zero" : "");
}

/* An event keeps all digits of a number, a person reads eight. */
static void with_short_numbers(char *buf, size_t size, const char *text)
{
	size_t used = 0;

	buf[0] = '\0';
	while (*text && used < size) {
		size_t n = strcspn(text, " ");
		char *end;
		double value = strtod(text, &end);
		bool number = end == text + n && n > 9 && memchr(text, '.', n);
		used += (size_t)(number ? snprintf(buf + used, size - used, "%.8g", value)
					: snprintf(buf + used, size - used, "%.*s", (int)n, text));
		text += n;
		for (; *text == ' ' && used + 1 < size; text++) {
			buf[used++] = ' ';
			buf[used] = '\0';
		}
	}
}

struct event_list {
	json_t *array;
	const struct run_info *run;
	bool headed;
};

static bool take_event(void *ctx, int64_t mono_ns, const char *kind, const char *text)
{
	struct event_list *list = ctx;
	double at_s = s_from_ns(mono_ns - list->run->mono_ns);

	if (list->array) {
		json_t *o = json_object();
		json_object_set_new(o, "time_s", cli_real(at_s));
		json_object_set_new(o, "kind", cli_text(kind));
		json_object_set_new(o, "text", cli_text(text));
		json_array_append_new(list->array, o);
		return true;
	}
	if (!list->headed)
		puts("\n  time, s  event");
	list->headed = true;
	char first[48], word[30], clean[800], shown[800];
	utf8_clean(kind, word, sizeof word);
	utf8_clean(text, clean, sizeof clean);
	snprintf(first, sizeof first, "%9.2f  %-9s ", at_s, word);
	with_short_numbers(shown, sizeof shown, clean);
	cli_wrapped(stdout, cli_width(), first, "                     ", shown);
	return true;
}

static void print_head(const struct run_info *run, const char *digest)
{
	char buf[24];

	printf("run %lld: %s, begun %s, %.1f s%s\n", (long long)run->id, run->kind, when(run->wall_ns, buf),
	       s_from_ns(run->end_mono_ns - run->mono_ns), run->on_bench ? ", on a virtual bench" : "");
	bool caused = *run->cause && strcmp(run->cause, cause_word(CAUSE_NONE)) != 0;
	printf("  outcome   %s%s%s\n", outcome_of(run), caused ? ", " : "", caused ? run->cause : "");
	if (*run->message)
		cli_wrapped(stdout, cli_width(), "  message   ", "            ", run->message);
	printf("  actuator  %s   plan %s\n", or_dash(run->actuator), or_dash(run->plan));
	printf("  rests on  calibration %lld, map %lld (records; 0 = none)\n", (long long)run->calibration_id,
	       (long long)run->map_id);
	if (run->resumes_run_id)
		printf("  resumes   run %lld\n", (long long)run->resumes_run_id);
	printf("  samples   %lld, points %lld, written by bridle %s\n", (long long)run->samples, (long long)run->points,
	       run->program);
	/* whole where it fits, else in two rows */
	size_t half = strlen(digest) / 2, room = cli_width() < 12 + (int)strlen(digest) ? half : 2 * half;
	printf("  digest    %.*s\n", (int)room, digest);
	if (room == half)
		printf("            %s\n", digest + half);
}

struct shown {
	char digest[LOGBOOK_DIGEST_TEXT];
	char *rig, *actuator, *plan;
	struct seq_point *points;
	int64_t *run_of;
	size_t n;
};

static enum rc gather(struct logbook *lb, int64_t run_id, struct shown *s, struct err *err)
{
	enum rc rc = logbook_run_digest(lb, run_id, s->digest, err);

	if (rc == RC_OK)
		rc = logbook_points(lb, run_id, &s->points, &s->run_of, &s->n, err);
	return rc == RC_OK ? logbook_run_texts(lb, run_id, &s->rig, &s->actuator, &s->plan, err) : rc;
}

static enum rc show_json(struct logbook *lb, const struct run_info *run, const struct shown *s, struct err *err)
{
	json_t *doc = run_json(run), *points = json_array();
	struct event_list list = { .array = json_array(), .run = run };

	json_object_set_new(doc, "digest", cli_text(s->digest));
	for (size_t i = 0; i < s->n; i++)
		json_array_append_new(points, point_json(&s->points[i], s->run_of[i], run));
	json_object_set_new(doc, "points", points);
	json_object_set_new(doc, "rig_text", cli_text(s->rig));
	json_object_set_new(doc, "actuator_text", cli_text(s->actuator));
	json_object_set_new(doc, "plan_text", cli_text(s->plan));
	json_object_set_new(doc, "events", list.array);
	enum rc rc = logbook_each_event(lb, run->id, take_event, &list, err);
	if (rc == RC_OK)
		return printed(cli_print_json(doc), err);
	json_decref(doc);
	return rc;
}

static enum rc show_text(struct logbook *lb, const struct run_info *run, const struct shown *s, struct err *err)
{
	struct event_list list = { .run = run };

	print_head(run, s->digest);
	if (s->n > 0)
		puts("\n                  commanded:              indicated:\n"
		     " run step way         N\u00b7m       A     rpm     N\u00b7m     rpm");
	for (size_t i = 0; i < s->n; i++)
		print_point(&s->points[i], s->run_of[i]);
	return logbook_each_event(lb, run->id, take_event, &list, err);
}

enum rc log_show(struct logbook *lb, const struct run_info *run, bool json, struct err *err)
{
	struct shown s = { .digest = "" };
	enum rc rc = gather(lb, run->id, &s, err);

	if (rc == RC_OK)
		rc = json ? show_json(lb, run, &s, err) : show_text(lb, run, &s, err);
	free(s.rig);
	free(s.actuator);
	free(s.plan);
	free(s.points);
	free(s.run_of);
	return rc;
}

/* verify */

struct verified {
	struct logbook *lb;
	json_t *array;
	long long runs, not_ended, samples;
};

static enum rc count_run(void *ctx, const struct run_info *run, struct err *err)
{
	struct verified *v = ctx;
	char digest[LOGBOOK_DIGEST_TEXT];

	v->runs++;
	v->not_ended += !run->ended;
	v->samples += run->samples;
	if (!v->array)
		return RC_OK;
	enum rc rc = logbook_run_digest(v->lb, run->id, digest, err);
	if (rc == RC_OK)
		json_array_append_new(v->array, json_pack("{s:I, s:b, s:s}", "run", (json_int_t)run->id, "ended",
							  run->ended, "digest", digest));
	return rc;
}

enum rc log_verified(struct logbook *lb, bool json, struct err *err)
{
	struct verified v = { .lb = lb, .array = json ? json_array() : NULL };
	enum rc rc = each_run(lb, count_run, &v, err);

	if (rc != RC_OK) {
		json_decref(v.array);
		return rc;
	}
	if (json)
		return printed(cli_print_json(json_pack("{s:b, s:I, s:o}", "whole", 1, "samples", (json_int_t)v.samples,
							"runs", v.array)),
			       err);
	printf("The logbook is whole: %lld runs, %lld samples; every row fits its digest.\n", v.runs, v.samples);
	if (v.not_ended)
		printf("%lld of the runs not ended (the program was killed, its disk was full, or it still writes); "
		       "their rows are whole.\n",
		       v.not_ended);
	return RC_OK;
}

/* export */

struct csv {
	FILE *to;
	int64_t begin_ns;
};

static void put_real(FILE *to, double value)
{
	if (isnan(value))
		fputc(',', to);
	else
		fprintf(to, ",%.17g", value);
}

static bool put_sample(void *ctx, const struct sample *s)
{
	struct csv *csv = ctx;
	FILE *to = csv->to;
	const double first[] = { s->edge_time_s, s->torque_Nm, s->speed_rpm, s->brake_set_A,
				 s->brake_A,     s->voltage_V, s->current_A };
	const double second[] = { s->drive_rotor_rpm, s->drive_A,      s->temp_degC[0],
				  s->temp_degC[1],    s->temp_degC[2], s->temp_degC[3] };

	fprintf(to, "%.9f,%llu,%lu,%ld,%lu,%lld", s_from_ns(s->mono_ns - csv->begin_ns), (unsigned long long)s->node_us,
		(unsigned long)s->sample_no, (long)s->cell_count, (unsigned long)s->cell_conversions,
		(long long)s->pulses);
	for (size_t i = 0; i < sizeof first / sizeof first[0]; i++)
		put_real(to, first[i]);
	fprintf(to, ",%u", s->drive_mode);
	put_real(to, s->drive_set);
	fprintf(to, ",%u", s->drive_flags);
	for (size_t i = 0; i < sizeof second / sizeof second[0]; i++)
		put_real(to, second[i]);
	fprintf(to, ",%u,%u,", s->lines, s->phase);
	if (s->step >= 0) /* counted from 1, as everywhere that is read */
		fprintf(to, "%ld", (long)s->step + 1);
	fprintf(to, ",%.9f,%lu", s_from_ns(s->late_ns), (unsigned long)s->repeats);
	put_real(to, s->temp_degC[TEMP_CELL]);
	fputc('\n', to);
	return !ferror(to);
}

enum rc log_export_csv(struct logbook *lb, const struct run_info *run, FILE *to, struct err *err)
{
	struct csv csv = { .to = to, .begin_ns = run->mono_ns };

	fputs("time (s),node time (us),sample,cell count,conversions,pulses,edge time (s),torque (N m),speed (rpm),"
	      "brake set (A),brake (A),voltage (V),current (A),drive mode,drive set,drive flags,rotor speed (rpm),"
	      "drive current (A),brake temperature (degC),case temperature (degC),winding temperature (degC),"
	      "ambient temperature (degC),lines,phase,step,late (s),repeats,cell temperature (degC)\n",
	      to);
	return logbook_each_sample(lb, run->id, INT64_MIN, INT64_MAX, put_sample, &csv, err);
}
