/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/report.h"
#include "reports/reduce/reduce.h"
#include "reports/reduce/run_profiles.h"
#include "reports/reduce/text.h"

#include "channel/event.h"
#include "logbook/claimed.h"
#include "logbook/record.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void report_free(struct report *report)
{
	if (report == NULL)
		return;
	curve_free(report->curve);
	procedure_clear(&report->procedure);
	free(report);
}

struct watcher {
	struct report *report;
	int64_t run_id;
};

/* The trace shows the run itself; the runs that it resumes have other clocks. */
static void watch_sample(void *ctx, int64_t run_id, const struct sample *sample)
{
	struct watcher *w = ctx;

	if (run_id == w->run_id)
		trace_add(&w->report->trace, sample);
}

/* Residuals as the calibration's record keeps them, turned into torque. */
static void take_band(struct cal_band *band, const json_t *steps)
{
	const json_t *step;
	size_t i;

	json_array_foreach(steps, i, step)
	{
		double torque_Nm = json_number_value(json_object_get(step, "torque_Nm")),
		       U_frac = json_number_value(json_object_get(step, "U_frac"));
		if (band->n == REPORT_CAL_LOADS || !(torque_Nm > 0) || !(U_frac > 0))
			continue;
		band->torque_Nm[band->n] = torque_Nm;
		band->U_Nm[band->n++] = U_frac * torque_Nm;
	}
}

void report_take_cal_points(struct report *r, const json_t *doc)
{
	const json_t *points = json_object_get(doc, "points"), *p;
	size_t i;

	json_array_foreach(points, i, p)
	{
		const json_t *torque = json_object_get(p, "torque_Nm"), *residual = json_object_get(p, "residual");
		const char *direction = json_string_value(json_object_get(p, "direction"));
		if (r->n_cal_points == REPORT_CAL_POINTS || !json_is_number(torque) || !json_is_number(residual))
			continue;
		double at_Nm = json_number_value(torque);
		r->cal_points[r->n_cal_points++] = (struct cal_point){
			.torque_Nm = at_Nm,
			.residual_Nm = json_number_value(residual) * cellcal_slope_Nm(&r->cal, at_Nm),
			.down = direction && strcmp(direction, "falling") == 0,
			.outlier = json_is_true(json_object_get(p, "outlier")),
			.series = (int)json_integer_value(json_object_get(p, "series")),
		};
	}
	take_band(&r->cal_band, json_object_get(json_object_get(doc, "evaluation"), "steps"));
}

static enum rc take_calibration(struct logbook *lb, struct report *r, struct err *err)
{
	char *kind = NULL, *json = NULL;
	enum rc rc = logbook_record_by_id(lb, r->run.calibration_id, &kind, &r->cal_wall_ns, &json, err);

	if (rc == RC_OK)
		rc = record_to_cellcal(json, &r->cal, err);
	if (rc == RC_OK) {
		json_t *doc = json_loads(json, 0, NULL);
		report_take_cal_points(r, doc);
		json_decref(doc);
	}
	free(kind);
	free(json);
	return rc;
}

static enum rc take_map(struct logbook *lb, struct report *r, struct err *err)
{
	char *kind = NULL, *json = NULL;
	enum rc rc;

	if (r->run.map_id == 0)
		return RC_OK;
	rc = logbook_record_by_id(lb, r->run.map_id, &kind, &r->map_wall_ns, &json, err);
	if (rc == RC_OK)
		rc = record_to_brakemap(json, &r->map, err);
	r->has_map = rc == RC_OK;
	free(kind);
	free(json);
	return rc;
}

static void describe(struct report *r)
{
	char when[40], resumed[60] = "";

	text_time(when, sizeof when, r->run.wall_ns);
	if (r->run.resumes_run_id)
		snprintf(resumed, sizeof resumed, " (continues run %lld)", (long long)r->run.resumes_run_id);
	snprintf(r->subject, sizeof r->subject, "%s", r->actuator.name[0] ? r->actuator.name : r->run.actuator);
	snprintf(r->source, sizeof r->source, "run %lld%s on %s%s, %s %s, %s", (long long)r->run.id, resumed,
		 r->rig.name, r->run.on_bench ? " (a virtual bench, not a real rig)" : "", r->curve ? "plan" : "bridle",
		 r->curve ? r->run.plan : r->run.kind, when);
}

/* What the newest bridle ready before the run found for the same plan, in one sentence. Without it the page says
 * nothing. */
static bool take_ready(void *ctx, const struct record_info *record)
{
	struct report *r = ctx;
	json_t *doc = json_loads(record->json, 0, NULL);
	const json_t *mass = json_object_get(doc, "check_mass");
	const char *plan = json_string_value(json_object_get(doc, "plan"));
	double expected = json_number_value(json_object_get(mass, "expected_Nm")),
	       off = json_number_value(json_object_get(mass, "off_Nm"));
	char when[40];

	if (plan && strcmp(plan, r->run.plan) == 0 && record->wall_ns <= r->run.wall_ns) {
		text_time(when, sizeof when, record->wall_ns);
		int n = snprintf(r->ready, sizeof r->ready, "checklist and stop rehearsal of %s (record %lld)", when,
				 (long long)record->id);
		if (expected > 0)
			snprintf(r->ready + n, sizeof r->ready - (size_t)n,
				 "; check weight of %.4g N·m off by %+.2f %% (indicated, %.2g %% allowed)", expected,
				 100 * off / expected,
				 100 * json_number_value(json_object_get(mass, "allowed_Nm")) / expected);
	}
	json_decref(doc);
	return true;
}

void report_judge(struct report *r, const struct actuator_profile *claims)
{
	r->claims_V = claims->claims_V > 0 ? claims->claims_V : r->rig.supply_V;
	const struct claims_setting setting = { .drive = r->plan.drive,
						.volt = r->claims_V,
						.confidence = r->confidence };

	r->n_claims = claims_check(r->curve, claims, &setting, r->claims);
}

/* A run whose rows were altered is published all the same, and says so first. */
static void keep_digest(struct report *r, const char *digest, const struct err *misfit)
{
	snprintf(r->digest, sizeof r->digest, "%s", misfit->rc == RC_OK ? digest : "");
	if (misfit->rc != RC_OK && r->curve)
		curve_remark_first(r->curve, "The rows of this run do not fit their digest: %s", misfit->what);
	snprintf(r->report_id, sizeof r->report_id, "run %lld%s%.12s", (long long)r->run.id, r->digest[0] ? ", " : "",
		 r->digest);
}

static enum rc take_digest(struct logbook *lb, struct report *r, struct err *err)
{
	char digest[LOGBOOK_DIGEST_TEXT];
	struct err why = { 0 };
	enum rc rc = logbook_run_digest(lb, r->run.id, digest, &why);

	if (rc != RC_OK && rc != RC_SAYS_NO) {
		if (err)
			*err = why;
		return rc;
	}
	keep_digest(r, digest, &why);
	return RC_OK;
}

static bool take_who(void *ctx, int64_t mono_ns, const char *kind, const char *text)
{
	struct report *r = ctx;

	(void)mono_ns;
	if (strcmp(kind, EVENT_MOUNTING) == 0)
		snprintf(r->mounting, sizeof r->mounting, "%s", text);
	if (strcmp(kind, EVENT_OPERATOR) == 0)
		snprintf(r->rig.operator_name, sizeof r->rig.operator_name, "%s", text);
	return true;
}

/* What was told of the run and of those that it continues, the oldest first; the newest word counts, and rig.ini's
 * operator is newer than an earlier run's. */
static enum rc take_all_who(struct logbook *lb, struct report *r, struct err *err)
{
	enum rc rc = RC_OK;
	int64_t told = r->run.id;
	char own[PROFILE_WORD];

	snprintf(own, sizeof own, "%s", r->rig.operator_name);

	for (size_t i = 0; i < r->curve->n && rc == RC_OK; i++) {
		if (r->curve->points[i].run_id == told || r->curve->points[i].run_id == r->run.id)
			continue;
		told = r->curve->points[i].run_id;
		rc = logbook_each_event(lb, told, take_who, r, err);
	}
	if (own[0])
		snprintf(r->rig.operator_name, sizeof r->rig.operator_name, "%s", own);
	return rc == RC_OK ? logbook_each_event(lb, r->run.id, take_who, r, err) : rc;
}

static enum rc gather(struct logbook *lb, struct report *r, const struct run_watch *watch, struct err *err)
{
	enum rc rc = logbook_run_info(lb, r->curve->run_id, &r->run, err);

	if (rc == RC_OK)
		rc = run_profiles(lb, r->curve->run_id, &r->rig, &r->actuator, &r->plan, err);
	if (rc == RC_OK)
		rc = take_all_who(lb, r, err);
	if (rc == RC_OK)
		rc = take_calibration(lb, r, err);
	if (rc == RC_OK)
		rc = take_map(lb, r, err);
	if (rc == RC_OK)
		rc = claimed_find(lb, r->run.id, &r->claimed, err);
	if (rc == RC_OK)
		rc = logbook_each_record(lb, "ready", RECORD_ANY, take_ready, r, err);
	if (rc == RC_OK && !watch->walked)
		rc = take_digest(lb, r, err);
	if (rc != RC_OK)
		return rc;
	if (watch->walked)
		keep_digest(r, watch->digest, &watch->misfit);
	describe(r);
	r->confidence = r->plan.confidence > 0.5 && r->plan.confidence < 1 ? r->plan.confidence : 0.95;
	report_judge(r, &r->actuator);
	/* A drive that regulates speed or current by itself has no lines of its own to fit: its supply's current is not
	 * the motor's. */
	r->losses = losses_of(r->curve);
	losses_at_rotor(&r->losses, r->curve, r->actuator.gear_ratio);
	if (r->plan.drive == PLAN_HAND)
		r->fits = fits_dc_of(r->curve, false);
	if (unc_failed(r->curve->ctx))
		return err_set(err, RC_NOMEM, 0, "out of memory while judging run %lld", (long long)r->run.id);
	return RC_OK;
}

enum rc report_of_run(struct logbook *lb, int64_t run_id, struct report **ret, struct err *err)
{
	struct report *r = calloc(1, sizeof *r);
	struct watcher watcher = { r, run_id };
	struct run_watch watch = { .sample = watch_sample, .ctx = &watcher };

	if (r == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	r->budget_step = -1;
	trace_begin(&r->trace);
	enum rc rc = curve_from_run_watched(lb, run_id, &watch, &r->curve, err);
	if (rc == RC_OK)
		rc = gather(lb, r, &watch, err);
	if (rc != RC_OK) {
		report_free(r);
		return rc;
	}
	*ret = r;
	return RC_OK;
}

static enum rc gather_procedure(struct logbook *lb, struct report *r, int64_t run_id, struct err *err)
{
	enum rc rc = logbook_run_info(lb, run_id, &r->run, err);

	if (rc == RC_OK)
		rc = run_profiles(lb, run_id, &r->rig, &r->actuator, NULL, err);
	if (rc == RC_OK)
		rc = logbook_each_event(lb, run_id, take_who, r, err);
	if (rc == RC_OK)
		rc = take_calibration(lb, r, err);
	if (rc == RC_OK)
		rc = take_digest(lb, r, err);
	if (rc == RC_OK)
		describe(r);
	return rc;
}

enum rc report_of_procedure(struct logbook *lb, int64_t run_id, struct procedure *procedure, struct report **ret,
			    struct err *err)
{
	struct report *r = calloc(1, sizeof *r);

	if (r == NULL) {
		procedure_clear(procedure);
		return err_set(err, RC_NOMEM, 0, "out of memory");
	}
	r->procedure = *procedure;
	*procedure = (struct procedure){ 0 };
	r->budget_step = -1;
	r->confidence = PROCEDURE_COVERAGE;
	enum rc rc = gather_procedure(lb, r, run_id, err);
	if (rc == RC_OK)
		*ret = r;
	else
		report_free(r);
	return rc;
}
