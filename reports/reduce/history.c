/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/history.h"

#include "channel/event.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct {
	const char *word, *title, *unit;
} quantities[HISTORY_QUANTITIES] = {
	[HISTORY_ZERO] = { "zero", "Zero of the torque cell, N·m", "N·m" },
	[HISTORY_CHECK] = { "check_weight", "Check weight, counts per N·m", "count/(N·m)" },
	[HISTORY_SENSITIVITY] = { "sensitivity", "Calibrations, counts per N·m", "count/(N·m)" },
	[HISTORY_BRAKE] = { "brake_slope", "Slope of the brake, N·m/A", "N·m/A" },
	[HISTORY_NO_LOAD] = { "no_load_current", "Current without load, A (indicated)", "A" },
};

const char *history_word(enum history_quantity quantity)
{
	return quantities[quantity].word;
}

const char *history_title(enum history_quantity quantity)
{
	return quantities[quantity].title;
}

const char *history_unit(enum history_quantity quantity)
{
	return quantities[quantity].unit;
}

void history_free(struct history *h)
{
	if (h == NULL)
		return;
	for (int q = 0; q < HISTORY_QUANTITIES; q++) {
		for (size_t i = 0; i < h->series[q].n; i++)
			free(h->series[q].value[i].weights);
		free(h->series[q].value);
	}
	free(h->change);
	free(h);
}

/* --- collecting --- */
struct collecting {
	struct history *h;
	struct logbook *lb;
	bool failed; /* out of memory */
	char *rig_text, *actuator_text, program[32];
	const char *file;  /* whose keys are told; NULL: of no file */
	int cell_sign;     /* by the newest rig.ini so far */
	char mounting[80]; /* the newest that a run told; "" none yet */
	int64_t run_id, wall_ns;
};

static void add(struct collecting *c, enum history_quantity quantity, struct history_value value)
{
	struct history_series *s = &c->h->series[quantity];

	if (!isfinite(value.value)) {
		free(value.weights);
		return;
	}
	if (s->n == s->room) {
		size_t room = s->room ? 2 * s->room : 32;
		struct history_value *more = realloc(s->value, room * sizeof *more);
		if (!more) {
			free(value.weights);
			c->failed = true;
			return;
		}
		s->value = more;
		s->room = room;
	}
	s->value[s->n++] = value;
}

static void changed(void *ctx, const char *what)
{
	struct collecting *c = ctx;
	struct history *h = c->h;

	if (h->n_changes == h->room) {
		size_t room = h->room ? 2 * h->room : 32;
		struct history_change *more = realloc(h->change, room * sizeof *more);
		if (!more) {
			c->failed = true;
			return;
		}
		h->change = more;
		h->room = room;
	}
	/* In the order of time, and what came at one time as it came. */
	size_t at = h->n_changes++;
	for (; at > 0 && h->change[at - 1].wall_ns > c->wall_ns; at--)
		h->change[at] = h->change[at - 1];
	h->change[at] = (struct history_change){ .wall_ns = c->wall_ns, .run_id = c->run_id };
	snprintf(h->change[at].what, sizeof h->change[at].what, "%s%s%s", c->file ? c->file : "", c->file ? " " : "",
		 what);
}

static double real_of(const json_t *o, const char *key)
{
	const json_t *value = json_object_get(o, key);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

static void take_calibration(struct collecting *c, const struct record_info *record, const json_t *doc)
{
	const json_t *coefficients = json_object_get(doc, "coefficients"),
		     *variance = json_array_get(json_array_get(json_object_get(doc, "covariance"), 1), 1);
	struct history_value v = { .wall_ns = record->wall_ns,
				   .run_id = record->run_id,
				   .value = json_is_number(json_array_get(coefficients, 1))
						    ? json_number_value(json_array_get(coefficients, 1))
						    : NAN,
				   .u = json_is_number(variance) ? sqrt(json_number_value(variance)) : NAN,
				   .speed_rpm = NAN,
				   .in_base = true };
	char what[80];

	add(c, HISTORY_SENSITIVITY, v);
	c->file = NULL;
	c->wall_ns = record->wall_ns + 1; /* its own value is none of those that come after it */
	c->run_id = record->run_id;
	snprintf(what, sizeof what, "calibration, record %lld", (long long)record->id);
	changed(c, what);
}

static void take_check(struct collecting *c, const struct record_info *record, const json_t *doc)
{
	const char *weights = json_string_value(json_object_get(doc, "weights"));
	struct history_value v = { .wall_ns = record->wall_ns,
				   .run_id = record->run_id,
				   .value = real_of(doc, "sensitivity_count_per_Nm"),
				   .u = NAN,
				   .speed_rpm = NAN,
				   .in_base = json_is_true(json_object_get(doc, "ok")),
				   .weights = strdup(weights ? weights : "") };

	c->failed = c->failed || !v.weights;
	add(c, HISTORY_CHECK, v);
}

/* A record of no run is of the rig as it stands. */
static bool is_other_kind(const struct collecting *c, const struct record_info *record)
{
	struct run_info run;

	return record->run_id && logbook_run_info(c->lb, record->run_id, &run, NULL) == RC_OK &&
	       run.on_bench != c->h->on_bench;
}

static bool take_record(void *ctx, const struct record_info *record)
{
	struct collecting *c = ctx;

	if (is_other_kind(c, record))
		return true;
	json_t *doc = json_loads(record->json, 0, NULL);
	if (strcmp(record->kind, "calibration") == 0)
		take_calibration(c, record, doc);
	else if (strcmp(record->kind, "check") == 0)
		take_check(c, record, doc);
	else if (strcmp(record->kind, "map") == 0)
		add(c, HISTORY_BRAKE,
		    (struct history_value){ .wall_ns = record->wall_ns,
					    .run_id = record->run_id,
					    .value = real_of(doc, "slope_Nm_per_A"),
					    .u = real_of(doc, "u_slope_Nm_per_A"),
					    .speed_rpm = NAN,
					    .in_base = true });
	json_decref(doc);
	return !c->failed;
}

/* --- windows of a sweep --- */
struct window_mean {
	double count, current_A;
	size_t n;
};

static bool sum_up(void *ctx, const struct sample *sample)
{
	struct window_mean *m = ctx;

	m->n++;
	m->count += (sample->cell_count - m->count) / (double)m->n;
	m->current_A += (sample->current_A - m->current_A) / (double)m->n;
	return true;
}

static enum rc mean_over(struct logbook *lb, int64_t run_id, const struct seq_point *p, struct window_mean *ret,
			 struct err *err)
{
	*ret = (struct window_mean){ 0 };
	return logbook_each_sample(lb, run_id, p->begin.ns, p->end.ns, sum_up, ret, err);
}

/* The tare points that the run begins with: at rest, or both ways with one weight each. */
static enum rc first_zero(struct logbook *lb, int64_t run_id, const struct seq_point *p, size_t n, double *ret_count,
			  struct err *err)
{
	double sum[2] = { 0, 0 };
	size_t count[2] = { 0, 0 };
	enum rc rc = RC_OK;

	for (size_t i = 0; i < n && (p[i].flags & POINT_TARE) && rc == RC_OK; i++) {
		struct window_mean m;
		rc = mean_over(lb, run_id, &p[i], &m, err);
		if (rc == RC_OK && m.n > 0) {
			sum[p[i].direction < 0] += m.count;
			count[p[i].direction < 0]++;
		}
	}
	*ret_count = NAN;
	if (count[0] && count[1])
		*ret_count = 0.5 * (sum[0] / (double)count[0] + sum[1] / (double)count[1]);
	else if (count[0])
		*ret_count = sum[0] / (double)count[0];
	return rc;
}

static enum rc slope_of(struct logbook *lb, int64_t record_id, double *ret, struct err *err)
{
	char *kind = NULL, *json = NULL;
	int64_t wall_ns;
	enum rc rc = logbook_record_by_id(lb, record_id, &kind, &wall_ns, &json, err);
	json_t *doc = rc == RC_OK ? json_loads(json, 0, NULL) : NULL;

	*ret = 1 / json_number_value(json_array_get(json_object_get(doc, "coefficients"), 1));
	json_decref(doc);
	free(kind);
	free(json);
	return rc;
}

static bool is_no_load(const struct seq_point *p)
{
	return !(p->flags & (POINT_TARE | POINT_REPEAT | POINT_CUT)) && p->direction >= 0 &&
	       (fabs(p->setpoint_Nm) <= 0 || fabs(p->setpoint_A) <= 0);
}

static enum rc take_points(struct collecting *c, const struct run_info *run, struct err *err)
{
	struct seq_point *p = NULL;
	int64_t *run_of = NULL;
	size_t n = 0, first = 0;
	double count = NAN, slope = NAN;
	struct history_value v = {
		.wall_ns = run->wall_ns, .run_id = run->id, .u = NAN, .speed_rpm = NAN, .in_base = true
	};
	enum rc rc = logbook_points(c->lb, run->id, &p, &run_of, &n, err);

	while (rc == RC_OK && first < n && run_of[first] != run->id)
		first++;
	if (rc == RC_OK && run->calibration_id)
		rc = slope_of(c->lb, run->calibration_id, &slope, err);
	if (rc == RC_OK)
		rc = first_zero(c->lb, run->id, p + first, n - first, &count, err);
	v.value = c->cell_sign * count * slope;
	if (rc == RC_OK)
		add(c, HISTORY_ZERO, v);
	for (size_t i = first; i < n && rc == RC_OK && strcmp(run->actuator, c->h->actuator) == 0; i++) {
		struct window_mean m;
		if (!is_no_load(&p[i]))
			continue;
		rc = mean_over(c->lb, run->id, &p[i], &m, err);
		v.value = rc == RC_OK && m.n > 0 ? m.current_A : NAN;
		v.speed_rpm = p[i].setpoint_rpm;
		add(c, HISTORY_NO_LOAD, v);
	}
	free(p);
	free(run_of);
	return rc;
}

/* --- what was changed --- */
static void keep(char **to, char *text)
{
	free(*to);
	*to = text;
}

static void take_rig(struct collecting *c, char *text)
{
	char value[INI_VALUE];

	c->file = "rig.ini";
	if (c->rig_text)
		ini_changes(c->rig_text, text, changed, c);
	ini_value(text, "rig", "name", c->h->rig);
	c->cell_sign = ini_value(text, "cell", "sign", value) && value[0] == '-' ? -1 : 1;
	keep(&c->rig_text, text);
}

/* Another name of the mounting than the last run's that told one. */
static bool take_mounting(void *ctx, int64_t mono_ns, const char *kind, const char *text)
{
	struct collecting *c = ctx;
	char what[200];

	(void)mono_ns;
	if (strcmp(kind, EVENT_MOUNTING) != 0)
		return true;
	snprintf(what, sizeof what, "mounting %.70s, was %.70s", text, c->mounting);
	if (c->mounting[0] && strncmp(c->mounting, text, sizeof c->mounting - 1) != 0)
		changed(c, what);
	snprintf(c->mounting, sizeof c->mounting, "%s", text);
	return true;
}

static enum rc take_texts(struct collecting *c, const struct run_info *run, struct err *err)
{
	char *rig = NULL, *actuator = NULL, *plan = NULL, what[100];
	enum rc rc = logbook_run_texts(c->lb, run->id, &rig, &actuator, &plan, err);

	free(plan);
	if (rc != RC_OK)
		return rc;
	c->wall_ns = run->wall_ns;
	c->run_id = run->id;
	c->file = NULL;
	if (c->program[0] && strcmp(c->program, run->program) != 0) {
		snprintf(what, sizeof what, "program %.30s, was %.30s", run->program, c->program);
		changed(c, what);
	}
	snprintf(c->program, sizeof c->program, "%s", run->program);
	rc = logbook_each_event(c->lb, run->id, take_mounting, c, err);
	if (rig && (!c->rig_text || strcmp(rig, c->rig_text) != 0))
		take_rig(c, rig);
	else
		free(rig);
	bool own = actuator && strcmp(run->actuator, c->h->actuator) == 0;
	c->file = c->h->file;
	if (own && c->actuator_text)
		ini_changes(c->actuator_text, actuator, changed, c);
	if (own)
		keep(&c->actuator_text, actuator);
	else
		free(actuator);
	return rc;
}

static enum rc take_run(struct collecting *c, int64_t run_id, struct err *err)
{
	struct run_info run;
	enum rc rc = logbook_run_info(c->lb, run_id, &run, err);

	if (rc == RC_OK && run.on_bench != c->h->on_bench) {
		c->h->n_left_out++;
		return RC_OK;
	}
	if (rc == RC_OK)
		rc = take_texts(c, &run, err);
	if (rc == RC_OK && strcmp(run.kind, "sweep") == 0)
		rc = take_points(c, &run, err);
	return rc == RC_OK && c->failed ? err_set(err, RC_NOMEM, 0, "out of memory") : rc;
}

/* --- the whole --- */
/* Those like the newest: one weight, one speed. */
static void keep_alike(struct history *h)
{
	struct history_series *s = &h->series[HISTORY_CHECK];
	size_t kept = 0;

	for (size_t i = 0; i < s->n; i++)
		if (strcmp(s->value[i].weights, s->value[s->n - 1].weights) == 0)
			s->value[kept++] = s->value[i];
		else
			free(s->value[i].weights);
	s->n = kept;
	s = &h->series[HISTORY_NO_LOAD];
	double rpm = s->n ? s->value[s->n - 1].speed_rpm : NAN;
	kept = 0;
	for (size_t i = 0; i < s->n; i++)
		if (isnan(rpm) ? isnan(s->value[i].speed_rpm) : fabs(s->value[i].speed_rpm - rpm) <= 0.01 * fabs(rpm))
			s->value[kept++] = s->value[i];
	s->n = kept;
}

static enum rc chart(struct history_series *s, struct err *err)
{
	double *x = calloc(s->n ? s->n : 1, sizeof *x);
	bool *base = calloc(s->n ? s->n : 1, sizeof *base), any = false;
	enum rc rc = RC_OK;

	if (!x || !base)
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	for (size_t i = 0; rc == RC_OK && i < s->n; i++) {
		x[i] = s->value[i].value;
		base[i] = s->value[i].in_base;
		any = any || base[i];
	}
	if (rc == RC_OK && s->n > 0)
		rc = control_chart(x, any ? base : NULL, s->n, &s->chart, err);
	s->charted = rc == RC_OK && s->n > 1 && s->chart.sigma > 0;
	free(x);
	free(base);
	return rc;
}

/* The name of the actuator's file, as the plan of a sweep has it; "" when it has none. */
static enum rc file_of(struct logbook *lb, int64_t run_id, char ret[INI_VALUE], struct err *err)
{
	char *rig = NULL, *actuator = NULL, *plan = NULL;
	enum rc rc = logbook_run_texts(lb, run_id, &rig, &actuator, &plan, err);

	if (rc == RC_OK)
		ini_value(plan ? plan : "", "plan", "actuator", ret);
	free(rig);
	free(actuator);
	free(plan);
	return rc;
}

/* Real or virtual, as the newest run of all, where there is no sweep. */
static enum rc kind_of_newest(struct logbook *lb, struct history *h, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0;
	struct run_info run = { .on_bench = false };
	enum rc rc = logbook_runs(lb, NULL, &ids, &n, err);

	if (rc == RC_OK && n > 0)
		rc = logbook_run_info(lb, ids[0], &run, err);
	free(ids);
	h->on_bench = run.on_bench;
	return rc;
}

static enum rc name_actuator(struct logbook *lb, const char *actuator, struct history *h, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0;
	struct run_info run;
	char file[INI_VALUE] = "";
	enum rc rc = logbook_runs(lb, "sweep", &ids, &n, err);
	bool found = false;

	for (size_t i = 0; i < n && rc == RC_OK && !found; i++) {
		rc = logbook_run_info(lb, ids[i], &run, err);
		rc = rc == RC_OK ? file_of(lb, ids[i], file, err) : rc;
		found = rc == RC_OK &&
			(!actuator || strcmp(run.actuator, actuator) == 0 || strcmp(file, actuator) == 0);
	}
	free(ids);
	if (found) {
		snprintf(h->actuator, sizeof h->actuator, "%s", run.actuator);
		snprintf(h->file, sizeof h->file, "actuators/%.60s.ini", file[0] ? file : run.actuator);
		h->on_bench = run.on_bench;
	} else if (rc == RC_OK) {
		rc = kind_of_newest(lb, h, err);
	}
	if (rc == RC_OK && actuator && !found)
		return err_set(err, RC_ARG, 0,
			       "the logbook holds no sweep of an actuator \"%.60s\"; bridle log list has them",
			       actuator);
	return rc;
}

static enum rc take_all(struct collecting *c, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0, values = 0;
	enum rc rc = logbook_each_record(c->lb, NULL, RECORD_ANY, take_record, c, err);

	if (rc == RC_OK)
		rc = logbook_runs(c->lb, NULL, &ids, &n, err);
	for (size_t i = n; i > 0 && rc == RC_OK; i--) /* newest first there */
		rc = take_run(c, ids[i - 1], err);
	free(ids);
	if (rc == RC_OK && c->failed)
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	if (rc != RC_OK)
		return rc;
	keep_alike(c->h);
	for (int q = 0; q < HISTORY_QUANTITIES && rc == RC_OK; q++) {
		rc = chart(&c->h->series[q], err);
		values += c->h->series[q].n;
	}
	if (rc == RC_OK && values == 0)
		return err_set(err, RC_ARG, 0,
			       "the logbook holds no calibration, check, map or sweep yet: there is no history");
	return rc;
}

enum rc history_of(struct logbook *lb, const char *actuator, struct history **ret, struct err *err)
{
	struct collecting c = { .h = calloc(1, sizeof *c.h), .lb = lb, .cell_sign = 1 };

	if (c.h == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = name_actuator(lb, actuator, c.h, err);
	if (rc == RC_OK)
		rc = take_all(&c, err);
	free(c.rig_text);
	free(c.actuator_text);
	if (rc == RC_OK)
		*ret = c.h;
	else
		history_free(c.h);
	return rc;
}

size_t history_changes(const struct history *h, const struct history_series *s, size_t no, size_t *ret_first)
{
	size_t n = 0;

	for (size_t i = 0; no > 0 && i < h->n_changes; i++)
		if (h->change[i].wall_ns > s->value[no - 1].wall_ns && h->change[i].wall_ns <= s->value[no].wall_ns &&
		    n++ == 0)
			*ret_first = i;
	return n;
}
