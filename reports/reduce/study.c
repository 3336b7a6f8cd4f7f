/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/study.h"

#include "calib/number/number_json.h"
#include "reports/reduce/compare_private.h"

#include <math.h>
#include <string.h>

#define MOVED 0.25 /* of the step beside it */

const char *study_mark(enum precision_mark mark)
{
	return mark == PRECISION_OUTLIER ? "outlier" : mark == PRECISION_STRAGGLER ? "straggler" : "";
}

/* A point that both hold: one of them continues the other, or both the same run. */
static bool share_points(const struct curve *a, const struct curve *b)
{
	for (size_t i = 0; i < a->n; i++)
		for (size_t k = 0; k < b->n; k++)
			if (a->points[i].run_id == b->points[k].run_id)
				return true;
	return false;
}

static enum rc check_once(const struct study *s, size_t i, struct err *err)
{
	const struct report *r = s->run[i].report;

	for (size_t k = 0; k < i; k++)
		if (share_points(s->run[k].report->curve, r->curve))
			return err_set(err, RC_ARG, 0,
				       "runs %lld and %lld hold the same points, since a resumed sweep has those of "
				       "the run that it continues: give one of them, as a study counts each once",
				       (long long)s->run[k].report->run.id, (long long)r->run.id);
	return RC_OK;
}

static enum rc check_rig(const struct report *first, const struct report *r, struct err *err)
{
	if (r->run.on_bench != first->run.on_bench)
		return err_set(err, RC_ARG, 0,
			       "run %lld is of a virtual bench, run %lld of a real rig: a study takes runs of one rig",
			       (long long)(r->run.on_bench ? r : first)->run.id,
			       (long long)(r->run.on_bench ? first : r)->run.id);
	if (strcmp(r->rig.name, first->rig.name) != 0)
		return err_set(err, RC_ARG, 0,
			       "run %lld is of rig \"%s\", run %lld of rig \"%s\": a study takes runs of one rig",
			       (long long)r->run.id, r->rig.name, (long long)first->run.id, first->rig.name);
	return RC_OK;
}

static enum rc check_alike(const struct study *s, struct err *err)
{
	const struct report *first = s->run[0].report;

	for (size_t i = 0; i < s->n_runs; i++) {
		const struct report *r = s->run[i].report;
		enum rc rc = check_rig(first, r, err);
		rc = rc == RC_OK ? check_once(s, i, err) : rc;
		if (rc != RC_OK)
			return rc;
		if (strcmp(r->actuator.name, first->actuator.name) != 0 ||
		    strcmp(r->actuator.serial, first->actuator.serial) != 0)
			return err_set(
				err, RC_ARG, 0,
				"run %lld is of actuator \"%s\" %s, run %lld of \"%s\" %s: a study takes one unit",
				(long long)r->run.id, r->actuator.name, r->actuator.serial, (long long)first->run.id,
				first->actuator.name, first->actuator.serial);
		if (r->plan.drive != first->plan.drive || r->curve->at_flange != first->curve->at_flange)
			return err_set(
				err, RC_ARG, 0,
				"runs %lld and %lld drive the actuator in different modes or state torque at different "
				"places: a study repeats one plan",
				(long long)first->run.id, (long long)r->run.id);
	}
	return RC_OK;
}

/* --- levels --- */
struct branches {
	size_t n;
	struct branch of[STUDY_RUNS];
};

static double torque_at(const struct branch *b, size_t i)
{
	return b->point[i]->torque_Nm.value;
}

/* The torque of a point of the first run, moved inside what all measured; NaN when that is too far. */
static double common_torque(const struct branches *all, size_t i)
{
	const struct branch *first = &all->of[0];
	double at = torque_at(first, i), low = -INFINITY, high = INFINITY;
	double step = i > 0 ? at - torque_at(first, i - 1) : torque_at(first, 1) - at;

	for (size_t k = 0; k < all->n; k++) {
		low = fmax(low, torque_at(&all->of[k], 0));
		high = fmin(high, torque_at(&all->of[k], all->of[k].n - 1));
	}
	double moved = fmin(fmax(at, low), high);

	return low <= high && fabs(moved - at) <= MOVED * step ? moved : NAN;
}

static enum rc cross(const struct study *s, struct study_level *l, struct err *err)
{
	size_t who[STUDY_RUNS], mounting[STUDY_RUNS];

	for (size_t k = 0; k < s->n_runs; k++) {
		who[k] = s->run[k].who;
		mounting[k] = s->run[k].mounting;
	}
	return crossed_of(l->y, who, mounting, s->n_runs, s->confidence, &l->crossed, err);
}

static enum rc add_level(struct study *s, const struct branches *all, const struct study_level *like, struct err *err)
{
	size_t group[STUDY_RUNS];

	if (s->n_levels == STUDY_LEVELS) {
		s->cut = true;
		return RC_OK;
	}
	struct study_level *l = &s->level[s->n_levels];
	*l = *like;
	for (size_t k = 0; k < s->n_runs; k++) {
		l->y[k] = branch_at(&all->of[k], l->torque_Nm).value;
		group[k] = s->run[k].group;
		if (!isfinite(l->y[k]))
			return RC_OK;
	}
	enum rc rc = precision_of(l->y, group, s->n_runs, s->confidence, &l->precision, err);
	if (rc == RC_OK && s->n_operators > 0)
		rc = cross(s, l, err);
	s->n_levels += rc == RC_OK;
	return rc;
}

static enum rc add_branch(struct study *s, int direction, double rpm, enum compare_quantity quantity, struct err *err)
{
	struct branches all = { .n = s->n_runs };
	enum rc rc = RC_OK;

	for (size_t k = 0; k < s->n_runs; k++) {
		branch_of(s->run[k].report->curve, direction, rpm, quantity, &all.of[k]);
		if (all.of[k].n < 2)
			return RC_OK;
	}
	for (size_t i = 0; i < all.of[0].n && rc == RC_OK; i++) {
		struct study_level l = { .quantity = quantity,
					 .direction = direction,
					 .commanded_rpm = rpm,
					 .torque_Nm = common_torque(&all, i) };
		if (isfinite(l.torque_Nm))
			rc = add_level(s, &all, &l, err);
	}
	return rc;
}

/* A way and a speed of the first run that no earlier point has. */
static bool is_new(const struct curve *c, size_t i)
{
	for (size_t k = 0; k < i; k++)
		if (c->points[k].direction == c->points[i].direction && points_same_speed(&c->points[k], &c->points[i]))
			return false;
	return c->points[i].direction != 0;
}

static size_t runs_of_pair(const struct study *s, size_t who, size_t mounting)
{
	size_t n = 0;

	for (size_t i = 0; i < s->n_runs; i++)
		n += s->run[i].who == who && s->run[i].mounting == mounting;
	return n;
}

/* By pair: as many runs of each operator in each mounting. */
static enum rc check_crossed(const struct study *s, struct err *err)
{
	size_t first = runs_of_pair(s, 0, 0);

	if (s->n_operators == 0)
		return RC_OK;
	if (s->n_operators < 2 || s->n_mountings < 2)
		return err_set(err, RC_ARG, 0,
			       "a study by pair needs two operators and two mountings at least; found %zu and %zu",
			       s->n_operators, s->n_mountings);
	if (s->n_operators > CROSSED_LEVELS || s->n_mountings > CROSSED_LEVELS)
		return err_set(err, RC_ARG, 0, "a study by pair takes at most %d operators and as many mountings",
			       CROSSED_LEVELS);
	for (size_t i = 0; i < s->n_operators; i++)
		for (size_t k = 0; k < s->n_mountings; k++) {
			size_t n = runs_of_pair(s, i, k);
			if (n < 2 || n != first)
				return err_set(err, RC_ARG, 0,
					       "operator %s ran mounting %s %zu time%s, operator %s mounting %s %zu "
					       "time%s: a study by pair needs as many runs of each pair, two at least",
					       s->operator_name[i], s->mounting_name[k], n, n == 1 ? "" : "s",
					       s->operator_name[0], s->mounting_name[0], first, first == 1 ? "" : "s");
		}
	return RC_OK;
}

enum rc study_of(struct study *s, struct err *err)
{
	const struct curve *c = s->run[0].report->curve;
	enum rc rc = check_alike(s, err);

	rc = rc == RC_OK ? check_crossed(s, err) : rc;
	s->n_levels = 0;
	for (size_t i = 0; i < c->n && rc == RC_OK; i++)
		for (int q = 0; q < COMPARE_QUANTITIES && rc == RC_OK && is_new(c, i); q++)
			rc = add_branch(s, c->points[i].direction, c->points[i].setpoint_rpm, (enum compare_quantity)q,
					err);
	if (rc == RC_OK && s->n_levels == 0)
		return err_set(
			err, RC_ARG, 0,
			"the runs have no torque in common at one commanded speed and way; a study repeats one plan");
	return rc;
}
