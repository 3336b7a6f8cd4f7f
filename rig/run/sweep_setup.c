/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/sweep_setup.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source: gentle enough that no set-point is overrun, quick enough that a step takes seconds. */
#define FULL_TORQUE_S 6.0 /* from nothing to the brake's rating */
#define FULL_CURRENT_S 1.0
#define FULL_SPEED_S 3.0
#define FULL_DRIVE_S 2.0
#define ZERO_SPEED_FRAC 0.3 /* of the plan's speed, for the zero */
#define REACH_FRAC 0.02
#define REACH_RATED_FRAC 0.006
#define FINE_FRAC 0.125 /* of the widest step: so near the limit is known */

struct sweep_search_config sweep_search_of(const struct session *s, const struct forecast *f)
{
	const struct plan_profile *p = &s->plan;
	bool torque = p->load == LOAD_TORQUE;
	double most = torque ? s->rig.brake_rated_Nm : s->rig.brake_max_A, step = forecast_search_step(p);
	struct sweep_search_config c = { .n = f->n_search, .step = step, .first_step = (int)p->n, .down = p->down };

	c.fine = fmax(FINE_FRAC * step, fmax(REACH_RATED_FRAC * most, torque ? REACH_FRAC * p->step[p->n - 1] : 0));
	c.supply_A = s->rig.supply_limit_A;
	for (int i = 0; i < TEMP_COUNT; i++)
		c.hot_degC[i] = INFINITY;
	c.hot_degC[TEMP_CASE] = s->actuator.case_hot_degC;
	c.hot_degC[TEMP_WINDING] = s->actuator.winding_hot_degC;
	if (s->rig.brake_hot_degC > 0)
		c.hot_degC[TEMP_BRAKE] = s->rig.brake_hot_degC;
	for (size_t k = 0; k < c.n; k++) {
		c.at[k].rpm = f->search[k].set_rpm;
		c.at[k].ceiling = f->search[k].ceiling;
		c.at[k].ceiling_why = f->search[k].why;
	}
	return c;
}

struct dwell_until sweep_until_of(const struct plan_profile *p, const struct rig_profile *rig)
{
	return (struct dwell_until){ .frac = p->until_frac,
				     .floor_Nm = plan_target_floor_Nm(p, rig),
				     .pilot_s = p->dwell_s,
				     .longest_s = p->longest_s };
}

struct sweep_config sweep_config_of(const struct session *s, unsigned flags)
{
	const struct plan_profile *p = &s->plan;
	const struct rig_profile *rig = &s->rig;
	double planned = plan_top_rpm(p), speed = planned > 0 ? planned : s->actuator.speed_mode_rpm;

	if (p->drive == PLAN_HAND)
		speed = forecast_hand_rpm(rig);

	return (struct sweep_config){
		.until = sweep_until_of(p, rig),
		.load = p->load, .drive = p->drive, .top_rpm = speed, .drive_A = p->drive_A,
		.dwell_s = p->dwell_s, .window_s = p->window_s, .timeout_s = p->timeout_s, .cool_s = p->cool_s,
		.torque_slope_Nm_per_s = p->torque_slope_Nm_per_s, .speed_slope_rpm_per_s = p->speed_slope_rpm_per_s,
		.temp_slope_K_per_s = p->temp_slope_K_per_min / 60,
		.min_slip_rpm = rig->min_slip_rpm,
		.speed_slew_rpm_per_s = speed / FULL_SPEED_S,
		.drive_slew_A_per_s = fabs(p->drive_A) / FULL_DRIVE_S,
		.reach_frac = REACH_FRAC, .reach_Nm = REACH_RATED_FRAC * rig->brake_rated_Nm,
		.flags = flags,
		.control = {
			.map = s->map_id ? &s->map : NULL, .max_A = rig->brake_max_A, .rated_Nm = rig->brake_rated_Nm,
			.lag_s = NAN,
			.ramp_Nm_per_s = rig->brake_rated_Nm / FULL_TORQUE_S,
			.slew_A_per_s = rig->brake_max_A / FULL_CURRENT_S,
		},
	};
}

double sweep_zero_rpm(const struct sweep_config *config)
{
	return config->drive == PLAN_HAND ? config->top_rpm : ZERO_SPEED_FRAC * config->top_rpm;
}

double sweep_heaviest_Nm(const struct session *s, const size_t *allowed)
{
	const struct plan_profile *p = &s->plan;
	double most = 0;

	for (size_t k = 0; k < p->n_speeds; k++)
		for (size_t i = 0; i < allowed[k] && i < p->n; i++)
			most = fmax(most, p->step[i]);
	if (p->load == LOAD_CURRENT)
		most *= s->rig.brake_rated_Nm / s->rig.brake_max_A;
	return most > 0 ? most : NAN;
}

static bool same(const char *a, const char *b)
{
	return strcmp(a ? a : "", b ? b : "") == 0;
}

enum rc sweep_same_files(struct session *s, int64_t run_id, const char *what, struct err *err)
{
	char *rig = NULL, *actuator = NULL, *plan = NULL;
	enum rc rc = logbook_run_texts(s->logbook, run_id, &rig, &actuator, &plan, err);

	if (rc == RC_OK && (!same(plan, s->plan_text) || !same(actuator, s->actuator_text) || !same(rig, s->rig_text)))
		rc = err_set(err, RC_ARG, 0,
			     "--resume: rig, actuator or plan file changed since run %lld; start a new %s instead",
			     (long long)run_id, what);
	free(rig);
	free(actuator);
	free(plan);
	return rc;
}

/* The newest sweep of this plan, whether it ended or the program was killed. */
static enum rc newest_sweep(struct session *s, struct run_info *ret, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0;
	enum rc rc = logbook_runs(s->logbook, "sweep", &ids, &n, err);
	bool found = false;

	for (size_t i = 0; i < n && rc == RC_OK && !found; i++) {
		rc = logbook_run_info(s->logbook, ids[i], ret, err);
		found = rc == RC_OK && strcmp(ret->plan, s->plan_name) == 0;
	}
	free(ids);
	if (rc == RC_OK && !found)
		rc = err_set(err, RC_ARG, 0, "--resume: there is no sweep of plan %s to take up", s->plan_name);
	return rc;
}

enum rc sweep_resume(struct session *s, struct sweep_item *items, size_t n, int64_t *ret_run_id, size_t *ret_done,
		     struct err *err)
{
	struct run_info info = { 0 };
	struct seq_point *points = NULL;
	int64_t *run_of = NULL;
	size_t n_points = 0;
	enum rc rc = newest_sweep(s, &info, err);

	if (rc == RC_OK && info.ended && strcmp(info.outcome, "done") == 0)
		rc = err_set(err, RC_ARG, 0, "--resume: the last sweep of plan %s (run %lld) is finished", s->plan_name,
			     (long long)info.id);
	if (rc == RC_OK && info.calibration_id != s->calibration_id)
		rc = err_set(err, RC_ARG, 0,
			     "--resume: the cell was calibrated again since run %lld; start a new sweep instead",
			     (long long)info.id);
	if (rc == RC_OK && info.map_id != s->map_id)
		rc = err_set(err, RC_ARG, 0,
			     "--resume: the brake was mapped again since run %lld; start a new sweep instead",
			     (long long)info.id);
	if (rc == RC_OK)
		rc = sweep_same_files(s, info.id, "sweep", err);
	if (rc == RC_OK)
		rc = logbook_points(s->logbook, info.id, &points, &run_of, &n_points, err);
	*ret_done = 0;
	for (size_t i = 0; rc == RC_OK && i < n_points; i++)
		*ret_done += sweep_cross_off(items, n, points[i].step, points[i].direction, points[i].setpoint_rpm,
					     points[i].flags);
	free(points);
	free(run_of);
	*ret_run_id = info.id;
	return rc;
}
