/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/reduce.h"
#include "reports/reduce/run_profiles.h"
#include "reports/reduce/study.h"
#include "reports/reduce/zeros.h"

#include "calib/number/units.h"
#include "channel/cause.h"
#include "logbook/record.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LEFT_OUT_ROOM 160
#define SUPPLY_OFF 0.015 /* of the voltage in rig.ini; common practice, no source */
#define RATIO_NEAR 0.02  /* of the gear ratio: telemetry is taken for rotor-side */

static struct window_means window_means_of(const struct window *w, const struct seq_point *point, int64_t run_id,
					   double pulses_per_rev)
{
	double n = (double)w->n_rows, length_s = s_from_ns(point->end.ns - point->begin.ns);
	struct window_means r = {
		.point = *point,
		.run_id = run_id,
		.count = mean_with_step(series_mean(&w->count)),
		.turn_count = NAN,
		.low_count = NAN,
		.blocks = window_blocks(w, pulses_per_rev),
		.volt = series_mean(&w->volt),
		.amp = series_mean(&w->amp),
		.power = series_mean(&w->power),
		.product = w->n_untold == 0,
		.amp2 = w->sum_amp2 / (double)w->amp.readings,
		.brake_A = w->sum_brake_A / n,
		.before = w->before,
		.inside = w->inside,
	};

	window_drive(w, &r.rotor_rpm, &r.drive_A);
	r.speed_rpm = window_speed(w, pulses_per_rev, length_s, &r.disc);
	for (int i = 0; i < TEMP_COUNT; i++)
		r.temp_degC[i] = window_temp(w, (enum temp_place)i);
	return r;
}

/* --- one pass over the samples of one run: windows in order of time --- */
struct walk {
	struct window window;
	const struct seq_point *points; /* those of this run, in order of begin */
	struct window_means *readings;
	size_t n, at;
	int64_t run_id;
	double pulses_per_rev, cell_sign;
	struct carried {
		bool since_zero;
		double most, least_since, last;
		uint32_t conversions;
	} carried;
	struct run_watch *watch;
};

/* Of the load points that come next: there is a zero before each change of it. */
static int way_of(const struct walk *k)
{
	size_t at = k->at;

	while (at < k->n && (k->points[at].flags & POINT_TARE))
		at++;
	return at < k->n && k->points[at].setpoint_rpm < 0 ? -1 : 1;
}

/* The memory of the cell is that of what it carried. Two conversions have to say so: one alone may be a stray. */
static void carry(struct walk *k, const struct sample *s)
{
	struct carried *c = &k->carried;
	double count = k->cell_sign * way_of(k) * (double)s->cell_count;

	if (s->cell_conversions == c->conversions)
		return;
	double high = fmin(count, c->last), low = fmax(count, c->last);
	c->conversions = s->cell_conversions;
	c->last = count;
	if (!(high <= c->most))
		*c = (struct carried){ c->since_zero, high, low, count, c->conversions };
	c->least_since = fmin(c->least_since, low);
}

static void finish_window(struct walk *k)
{
	struct window_means *r = &k->readings[k->at];

	*r = window_means_of(&k->window, &k->points[k->at], k->run_id, k->pulses_per_rev);
	if (k->points[k->at].flags & POINT_TARE) {
		k->carried = (struct carried){
			.since_zero = true, .most = NAN, .last = NAN, .conversions = k->carried.conversions
		};
	} else if (k->carried.since_zero) {
		r->turn_count = k->carried.most;
		r->low_count = k->carried.least_since;
	}
	k->at++;
	window_reset(&k->window);
}

static void walk_sample(void *ctx, const struct sample *s)
{
	struct walk *k = ctx;

	if (k->watch)
		k->watch->sample(k->watch->ctx, k->run_id, s);
	while (k->at < k->n && s->mono_ns >= k->points[k->at].end.ns)
		finish_window(k);
	carry(k, s);
	if (k->at < k->n && s->mono_ns >= k->points[k->at].begin.ns)
		window_inside(&k->window, s);
	else
		window_before(&k->window, s);
}

static bool walk_on(void *ctx, const struct sample *s)
{
	struct walk *k = ctx;

	walk_sample(k, s);
	return !k->window.out_of_memory;
}

static enum rc walk_samples(struct logbook *lb, struct walk *k, bool own, struct err *err)
{
	if (!own || !k->watch)
		return logbook_each_sample(lb, k->run_id, INT64_MIN, INT64_MAX, walk_on, k, err);
	k->watch->walked = true;
	return logbook_samples_and_digest(lb, k->run_id, walk_sample, k, k->watch->digest, &k->watch->misfit, err);
}

/* own: it is the run that was asked for, not one that it continues. */
static enum rc walk_run(struct logbook *lb, struct walk *k, bool own, struct limit_facts *ret_tail, struct err *err)
{
	enum rc rc = walk_samples(lb, k, own, err);

	if (rc == RC_OK && k->window.out_of_memory)
		rc = err_set(err, RC_NOMEM, 0, "out of memory while reading run %lld", (long long)k->run_id);
	while (rc == RC_OK && k->at < k->n)
		finish_window(k);
	*ret_tail = k->window.before;
	window_free(&k->window);
	return rc;
}

/* --- what the logbook keeps about the run --- */
struct kept {
	struct run_info info;
	struct seq_point *points;
	int64_t *run_of;
	size_t n;
	struct window_means *readings;
	struct zero *zeros;
	struct limit_facts tail;
	struct moment {
		int64_t run_id, ns;
		struct limit_facts facts;
	} left_at, stop_at, eased_at; /* ns 0: there was none */
	size_t n_found;
	struct found {
		char sentence[LEFT_OUT_ROOM];
		struct moment eased_at; /* before it, the last time */
	} found[PROFILE_SPEEDS];
	int64_t events_of; /* the run whose events are read */
	char left_out[LEFT_OUT_ROOM], forced[LEFT_OUT_ROOM];
};

static void kept_free(struct kept *k)
{
	free(k->points);
	free(k->run_of);
	free(k->readings);
	free(k->zeros);
}

static double number_or_nan(const json_t *value)
{
	return json_is_number(value) ? json_number_value(value) : NAN;
}

static enum rc read_calibration(struct logbook *lb, const struct run_info *info, struct reduction *r, struct err *err)
{
	char *kind = NULL, *json = NULL;
	int64_t wall_ns;

	if (info->calibration_id == 0)
		return err_set(err, RC_ARG, 0,
			       "run %lld rests on no calibration of the torque cell: bridle hang makes one",
			       (long long)info->id);
	enum rc rc = logbook_record_by_id(lb, info->calibration_id, &kind, &wall_ns, &json, err);
	if (rc == RC_OK && strcmp(kind, "calibration") != 0)
		rc = err_set(err, RC_DB, 0, "record %lld is a %s, the run expects a calibration",
			     (long long)info->calibration_id, kind);
	if (rc == RC_OK)
		rc = record_to_cellcal(json, &r->cal, err);
	r->cal_degC = r->cal_cell_degC = NAN;
	if (rc == RC_OK) {
		json_t *doc = json_loads(json, 0, NULL);
		r->cal_degC = number_or_nan(json_object_get(doc, "ambient_degC"));
		r->cal_cell_degC = number_or_nan(json_object_get(doc, "cell_degC"));
		json_decref(doc);
	}
	free(kind);
	free(json);
	return rc;
}

static struct window_rig limits_of(const struct reduction *r)
{
	return (struct window_rig){
		.supply_V = r->rig.supply_V,
		.supply_limit_A = r->rig.supply_limit_A,
		.cable_ohm = r->rig.plane == PLANE_ACTUATOR ? r->rig.cable_ohm.value : 0,
		.cell_saturation_count = r->rig.cell_saturation_count,
		.host_edges = profile_has_host_edges(&r->rig),
	};
}

/* The disc of the pick-up is the same in every window. */
static enum rc one_disc(struct kept *k, struct err *err)
{
	const struct disc **seen = calloc(k->n ? k->n : 1, sizeof *seen);

	if (!seen)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu points", k->n);
	for (size_t i = 0; i < k->n; i++)
		seen[i] = &k->readings[i].disc;
	struct disc disc = disc_of(seen, k->n);
	free(seen);
	for (size_t i = 0; i < k->n; i++)
		speed_take_disc(&k->readings[i].speed_rpm, &k->readings[i].disc, &disc);
	return RC_OK;
}

static enum rc read_readings(struct logbook *lb, const struct reduction *r, struct kept *k, struct run_watch *watch,
			     struct err *err)
{
	const struct window_rig limits = limits_of(r);
	enum rc rc = RC_OK;

	for (size_t from = 0, to; from < k->n && rc == RC_OK; from = to) {
		for (to = from; to < k->n && k->run_of[to] == k->run_of[from]; to++)
			;
		struct walk walk = {
			.points = k->points + from,
			.readings = k->readings + from,
			.n = to - from,
			.run_id = k->run_of[from],
			.pulses_per_rev = r->rig.pulses_per_rev,
			.cell_sign = r->rig.cell_sign,
			.carried = { .most = NAN, .last = NAN },
			.watch = watch,
		};
		window_open(&walk.window, &limits);
		rc = walk_run(lb, &walk, walk.run_id == k->info.id, &k->tail, err);
	}
	return rc == RC_OK ? one_disc(k, err) : rc;
}

/* The search for the limit ended at a speed: the newest counts. */
static void keep_found(struct kept *k, const char *kind, const char *text)
{
	struct limit_found found, other;
	size_t i = 0;

	if (strcmp(kind, "note") != 0 || !limit_found_read(text, &found))
		return;
	while (i < k->n_found && limit_found_read(k->found[i].sentence, &other) && fabs(other.rpm - found.rpm) > 1e-6)
		i++;
	if (i >= PROFILE_SPEEDS || (i < k->n_found && !(found.held > 0)))
		return; /* the second: it tells of no load, as a sweep that was resumed does; what stands counts */
	snprintf(k->found[i].sentence, sizeof k->found[i].sentence, "%s", text);
	k->found[i].eased_at = k->eased_at;
	k->n_found = i < k->n_found ? k->n_found : i + 1;
}

/* The sequence tells at once that it eases the brake, and at the run's end the same words as what was left out. */
static bool keep_words(void *ctx, int64_t mono_ns, const char *kind, const char *text)
{
	struct kept *k = ctx;

	if (strcmp(kind, "note") == 0 && strstr(text, "brake eased")) {
		k->eased_at = (struct moment){ .run_id = k->events_of, .ns = mono_ns };
		if (k->left_at.ns == 0)
			k->left_at = k->eased_at;
	}
	keep_found(k, kind, text);
	if (strcmp(kind, "left_out") == 0)
		snprintf(k->left_out, sizeof k->left_out, "%s", text);
	if (strcmp(kind, "forced") == 0)
		snprintf(k->forced, sizeof k->forced, "%s", text);
	if (strcmp(kind, "stop") == 0 && k->events_of == k->info.id)
		k->stop_at = (struct moment){ .run_id = k->events_of, .ns = mono_ns };
	return true;
}

#define MOMENT_BEFORE_s 0.6
#define MOMENT_AFTER_s 0.05

static bool moment_sample(void *ctx, const struct sample *s)
{
	window_before(ctx, s);
	return true;
}

/* The samples around a moment; the supply's voltage at light load comes from the whole run. */
static enum rc read_moment(struct logbook *lb, const struct window_rig *limits, const struct kept *k, struct moment *m,
			   struct err *err)
{
	struct window w;

	if (m->ns == 0)
		return RC_OK;
	window_open(&w, limits);
	for (size_t i = 0; i < k->n; i++)
		if (k->run_of[i] == m->run_id && isfinite(k->readings[i].inside.open_V))
			window_know_open_voltage(&w, k->readings[i].inside.open_V);
	enum rc rc = logbook_each_sample(lb, m->run_id, m->ns - ns_from_s(MOMENT_BEFORE_s),
					 m->ns + ns_from_s(MOMENT_AFTER_s), moment_sample, &w, err);
	m->facts = w.before;
	window_free(&w);
	return rc;
}

/* Of the run and of those that it resumes, the oldest first. */
static enum rc read_events(struct logbook *lb, struct kept *k, struct err *err)
{
	enum rc rc = RC_OK;

	for (size_t i = 0; i < k->n && rc == RC_OK; i++) {
		if (k->run_of[i] == k->events_of || k->run_of[i] == k->info.id)
			continue;
		k->events_of = k->run_of[i];
		rc = logbook_each_event(lb, k->events_of, keep_words, k, err);
	}
	k->events_of = k->info.id;
	return rc == RC_OK ? logbook_each_event(lb, k->info.id, keep_words, k, err) : rc;
}

static enum rc load(struct logbook *lb, int64_t run_id, bool map, struct reduction *r, struct kept *k,
		    struct run_watch *watch, struct err *err)
{
	enum rc rc = logbook_run_info(lb, run_id, &k->info, err);

	if (rc == RC_OK && strcmp(k->info.kind, map ? "map" : "sweep") != 0)
		rc = err_set(err, RC_ARG, 0, "run %lld is a %s: only a %s gives %s (bridle log lists the runs)",
			     (long long)run_id, k->info.kind, map ? "map" : "sweep",
			     map ? "what a forecast takes from a map" : "a curve");
	if (rc == RC_OK)
		rc = run_profiles(lb, run_id, &r->rig, &r->actuator, map ? NULL : &r->plan, err);
	if (rc == RC_OK)
		rc = read_calibration(lb, &k->info, r, err);
	if (rc == RC_OK)
		rc = logbook_points(lb, run_id, &k->points, &k->run_of, &k->n, err);
	if (rc != RC_OK)
		return rc;
	rc = read_events(lb, k, err);
	if (rc != RC_OK)
		return rc;
	k->readings = calloc(k->n ? k->n : 1, sizeof *k->readings);
	k->zeros = calloc(k->n ? k->n : 1, sizeof *k->zeros);
	if (k->readings == NULL || k->zeros == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu points", k->n);
	rc = read_readings(lb, r, k, watch, err);
	const struct window_rig limits = limits_of(r);
	if (rc == RC_OK)
		rc = read_moment(lb, &limits, k, &k->left_at, err);
	for (size_t i = 0; rc == RC_OK && i < k->n_found; i++)
		rc = read_moment(lb, &limits, k, &k->found[i].eased_at, err);
	return rc == RC_OK ? read_moment(lb, &limits, k, &k->stop_at, err) : rc;
}

/* --- remarks of the whole curve --- */
static void remark_telemetry(const struct reduction *r, struct curve *c)
{
	double sum = 0, ratio = r->actuator.gear_ratio;
	size_t n = 0;

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		if (p->settled && isfinite(p->rotor_rpm) && fabs(p->speed_rpm.value) > 10 * unc_u(p->speed_rpm) &&
		    fabs(p->speed_rpm.value) > 1) {
			sum += p->rotor_rpm / p->speed_rpm.value;
			n++;
		}
	}
	if (n == 0)
		return;
	double found = fabs(sum / (double)n);
	if (fabs(found / ratio - 1) < RATIO_NEAR)
		curve_remark(c,
			     "The drive reports %.4g times the measured speed. That is the gear ratio: it reports the "
			     "rotor's speed. "
			     "Only the figures marked as the drive's use it.",
			     found);
	else
		curve_remark(
			c,
			"The drive reports %.4g times the measured speed, but the gear ratio is %.4g. Check the ratio, "
			"the pulses per revolution, and whether the drive reports its rotor or the output.",
			found, ratio);
}

static void remark_temperature(const struct reduction *r, struct curve *c)
{
	bool ambient = c->n > 0 && isfinite(c->points[0].ambient_degC);

	if (r->rig.gain_drift_per_K.u > 0 && !(ambient && isfinite(r->cal_degC)))
		curve_remark(c, "The temperature of the calibration or of the run is not known. The uncertainties do "
				"not hold the change of the "
				"cell's gain with temperature.");
	if (r->rig.plane == PLANE_SUPPLY && r->rig.cable_ohm.value > 0)
		curve_remark(c,
			     "The meter is at the supply. Voltage and power are corrected to the actuator's terminals "
			     "with the cable's %.3g Ω.",
			     r->rig.cable_ohm.value);
}

static enum rc make_points(struct reduction *r, const struct kept *k, struct curve *c, struct err *err)
{
	reduction_add_zeros(r, k->readings, k->n, k->zeros);
	for (size_t i = 0; i < k->n; i++) {
		if (k->readings[i].point.flags & POINT_TARE)
			continue;
		enum rc rc = reduce_point(r, &k->readings[i], &c->points[c->n], err);
		if (rc != RC_OK)
			return rc;
		c->n++;
	}
	if (c->n == 0)
		return err_set(err, RC_ARG, 0, "run %lld holds no finished point%s%s", (long long)c->run_id,
			       !k->info.message[0] ? ""
			       : k->info.ended     ? "; how it ended: "
						   : "; ",
			       k->info.message);
	return RC_OK;
}

static void remark_supply(const struct reduction *r, const struct kept *k, struct curve *c)
{
	for (size_t i = 0; i < k->n; i++) {
		double open_V = k->readings[i].inside.open_V, off = open_V / r->rig.supply_V - 1;
		if (!(fabs(off) > SUPPLY_OFF))
			continue;
		curve_remark(c,
			     "The supply gave %.4g V at light load where rig.ini says %.4g V: %+.2g %%. Check its "
			     "dial, or the voltage in "
			     "rig.ini.",
			     open_V, r->rig.supply_V, 100 * off);
		return;
	}
}

/* The study that rig.ini names. Without its record the points stand as they are, and the curve says so first. */
static enum rc add_study(struct logbook *lb, const struct reduction *r, bool on_bench, struct curve *c, struct err *err)
{
	struct err why = { 0 };
	int64_t record_id = r->rig.study_record;
	struct study_source *study = record_id > 0 ? malloc(sizeof *study) : NULL;
	int added = 0;

	if (record_id <= 0)
		return RC_OK;
	if (study == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for the study");
	enum rc rc = study_read(lb, &r->rig, &r->actuator, on_bench, study, &why);
	if (rc == RC_OK) {
		struct study_sources sources = study_register(study, c->ctx);
		for (size_t i = 0; i < c->n; i++)
			added += study_apply(&sources, c->ctx, &c->points[i]);
		curve_remark(
			c, "By the study of record %lld (%zu %ss, actuator %s) what they differ by is part of %s.",
			(long long)record_id, study->groups, study->by, study->actuator,
			added ? "the speed, input power and efficiency of the points that it covers"
			      : "no point: the study covers none of these speeds, or is within what they have already");
	} else {
		curve_remark_first(c, "rig.ini names study %lld, but %s: no point has the reproducibility of a study.",
				   (long long)record_id, why.what);
	}
	free(study);
	return RC_OK;
}

static enum rc build(struct reduction *r, const struct kept *k, struct curve *c, struct err *err)
{
	const struct limit_rig rig = limit_rig_of(&r->rig, &r->actuator, &r->plan);

	c->ctx = r->ctx = unc_ctx_new();
	c->points = calloc(k->n ? k->n : 1, sizeof *c->points);
	if (c->ctx == NULL || c->points == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu points", k->n);
	c->coverage = 0.95;
	c->at_flange = r->rig.outside_drag_Nm.has_u || r->rig.mounting == MOUNT_SHAFT;
	c->run_id = k->info.id;
	c->calibration_id = k->info.calibration_id;
	c->map_id = k->info.map_id;
	reduction_register(r);
	enum rc rc = make_points(r, k, c, err);
	if (rc != RC_OK)
		return rc;
	if (k->forced[0] != '\0')
		curve_remark(
			c, "This run was forced past a refusal, or made without the check before it. Reason given: %s.",
			k->forced);
	limit_of_end(&rig, k->info.cause, k->stop_at.ns ? &k->stop_at.facts : &k->tail, c);
	if (k->left_out[0] != '\0')
		limit_of_left_out(&rig, k->left_out, k->left_at.ns ? &k->left_at.facts : NULL, c);
	for (size_t i = 0; i < k->n_found; i++)
		limit_of_place(&rig, k->found[i].sentence, k->found[i].eased_at.ns ? &k->found[i].eased_at.facts : NULL,
			       c);
	remark_supply(r, k, c);
	remark_telemetry(r, c);
	zeros_remark(r, c);
	remark_temperature(r, c);
	if (unc_failed(c->ctx))
		return err_set(err, RC_NOMEM, 0, "out of memory while reducing run %lld", (long long)c->run_id);
	return RC_OK;
}

/* What ended the runs that this one continues: their points stand in the same table. */
static enum rc remark_earlier(struct logbook *lb, const struct kept *k, struct curve *c, struct err *err)
{
	int64_t told = k->info.id;

	for (size_t i = 0; i < k->n; i++) {
		struct run_info info;
		if (k->run_of[i] == told || k->run_of[i] == k->info.id)
			continue;
		told = k->run_of[i];
		enum rc rc = logbook_run_info(lb, told, &info, err);
		if (rc != RC_OK)
			return rc;
		const char *ended = cause_row(cause_of_word(info.cause))->ended;
		if (info.ended)
			curve_remark(c, "Run %lld, which this run continues, ended early: %s.", (long long)told,
				     ended ? ended : info.cause);
		else
			curve_remark(c, "Run %lld, which this run continues, has no end: the program was killed.",
				     (long long)told);
	}
	return RC_OK;
}

static enum rc curve_of(struct logbook *lb, int64_t run_id, bool map, struct run_watch *watch, struct curve **ret,
			struct err *err)
{
	struct reduction *r = calloc(1, sizeof *r);
	struct curve *c = calloc(1, sizeof *c);
	struct kept k = { 0 };
	enum rc rc = RC_OK;

	if (r == NULL || c == NULL)
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	if (rc == RC_OK)
		rc = load(lb, run_id, map, r, &k, watch, err);
	if (rc == RC_OK)
		rc = build(r, &k, c, err);
	if (rc == RC_OK && !map)
		rc = add_study(lb, r, k.info.on_bench, c, err);
	if (rc == RC_OK)
		rc = remark_earlier(lb, &k, c, err);
	kept_free(&k);
	free(r);
	if (rc != RC_OK) {
		curve_free(c);
		return rc;
	}
	*ret = c;
	return RC_OK;
}

enum rc curve_from_run_watched(struct logbook *lb, int64_t run_id, struct run_watch *watch, struct curve **ret,
			       struct err *err)
{
	return curve_of(lb, run_id, false, watch, ret, err);
}

enum rc curve_from_map(struct logbook *lb, int64_t run_id, struct curve **ret, struct err *err)
{
	return curve_of(lb, run_id, true, NULL, ret, err);
}

enum rc curve_from_run(struct logbook *lb, int64_t run_id, struct curve **ret, struct err *err)
{
	return curve_of(lb, run_id, false, NULL, ret, err);
}
