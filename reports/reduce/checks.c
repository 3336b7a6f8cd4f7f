/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/checks.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void checks_free(struct checks *c)
{
	if (c == NULL)
		return;
	free(c->check);
	free(c);
}

struct collecting {
	struct checks *c;
	struct logbook *lb;
	bool failed; /* out of memory */
};

static double real_of(const json_t *o, const char *key)
{
	const json_t *value = json_object_get(o, key);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

static bool was_on_bench(struct logbook *lb, int64_t run_id)
{
	struct run_info run;

	return run_id && logbook_run_info(lb, run_id, &run, NULL) == RC_OK && run.on_bench;
}

static bool add(struct checks *c, const struct check_result *one)
{
	if (c->n == c->room) {
		size_t room = c->room ? 2 * c->room : 32;
		struct check_result *more = realloc(c->check, room * sizeof *more);
		if (!more)
			return false;
		c->check = more;
		c->room = room;
	}
	c->check[c->n++] = *one;
	return true;
}

static bool take(void *ctx, const struct record_info *record)
{
	struct collecting *to = ctx;
	json_t *o = json_loads(record->json, 0, NULL);
	const char *weights = json_string_value(json_object_get(o, "weights"));
	struct check_result one = { .record_id = record->id,
				    .run_id = record->run_id,
				    .wall_ns = record->wall_ns,
				    .calibration_id = json_integer_value(json_object_get(o, "calibration_id")),
				    .sensitivity = real_of(o, "sensitivity_count_per_Nm"),
				    .expected_Nm = real_of(o, "expected_Nm"),
				    .off_Nm = real_of(o, "off_Nm"),
				    .U_Nm = real_of(o, "allowed_Nm"),
				    .e_n = real_of(o, "E_n"),
				    .ambient_degC = real_of(o, "ambient_degC"),
				    .ok = json_is_true(json_object_get(o, "ok")),
				    .zero_moved = json_is_false(json_object_get(o, "zero_came_back")),
				    .on_bench = was_on_bench(to->lb, record->run_id) };

	snprintf(one.weights, sizeof one.weights, "%s", weights ? weights : "");
	json_decref(o);
	if (isfinite(one.sensitivity))
		to->failed = !add(to->c, &one);
	return !to->failed;
}

/* Those like the newest, in their order. */
static void keep_alike(struct checks *c)
{
	const struct check_result newest = c->check[c->n - 1];
	size_t kept = 0;

	for (size_t i = 0; i < c->n; i++) {
		const struct check_result *one = &c->check[i];
		bool other_kind = one->on_bench != newest.on_bench,
		     other_weights = strcmp(one->weights, newest.weights) != 0;
		c->n_other_kind += other_kind;
		c->n_other_weights += !other_kind && other_weights;
		if (!other_kind && !other_weights)
			c->check[kept++] = *one;
	}
	c->n = kept;
}

static enum rc chart(struct checks *c, struct err *err)
{
	double *x = calloc(c->n, sizeof *x);
	bool *base = calloc(c->n, sizeof *base), any = false;

	for (size_t i = 0; x && base && i < c->n; i++) {
		x[i] = c->check[i].sensitivity;
		base[i] = c->check[i].ok;
		any = any || base[i];
	}
	c->all_refused = !any;
	enum rc rc = x && base ? control_chart(x, any ? base : NULL, c->n, &c->chart, err)
			       : err_set(err, RC_NOMEM, 0, "out of memory");
	free(x);
	free(base);
	return rc;
}

static enum rc name_rig(struct logbook *lb, struct checks *c, struct err *err)
{
	char *rig = NULL, *actuator = NULL, *plan = NULL;
	int64_t run_id = c->check[c->n - 1].run_id;
	enum rc rc = run_id ? logbook_run_texts(lb, run_id, &rig, &actuator, &plan, err) : RC_OK;

	if (rc == RC_OK && rig) {
		ini_value(rig, "rig", "name", c->rig);
		ini_value(rig, "rig", "place", c->place);
		ini_value(rig, "rig", "operator", c->operator_name);
	}
	free(rig);
	free(actuator);
	free(plan);
	return rc;
}

enum rc checks_of(struct logbook *lb, struct checks **ret, struct err *err)
{
	struct collecting to = { .c = calloc(1, sizeof *to.c), .lb = lb };
	enum rc rc = to.c ? logbook_each_record(lb, "check", RECORD_ANY, take, &to, err) : RC_OK;

	if (rc == RC_OK && (!to.c || to.failed))
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	if (rc == RC_OK && to.c->n == 0)
		rc = err_set(err, RC_ARG, 0,
			     "the logbook holds no check of the calibration yet; bridle ready makes one when rig.ini "
			     "has [check] weight");
	if (rc == RC_OK) {
		keep_alike(to.c);
		rc = chart(to.c, err);
	}
	if (rc == RC_OK)
		rc = name_rig(lb, to.c, err);
	if (rc == RC_OK)
		*ret = to.c;
	else
		checks_free(to.c);
	return rc;
}

bool checks_charted(const struct checks *c)
{
	return c->chart.sigma > 0;
}

double checks_sigmas(const struct checks *c, size_t i)
{
	return checks_charted(c) ? (c->check[i].sensitivity - c->chart.centre) / c->chart.sigma : NAN;
}

void checks_verdict(const struct checks *c, char *buf, size_t size)
{
	const struct check_result *newest = &c->check[c->n - 1];
	int n = snprintf(buf, size, "The calibration %s: E_n is %+.2f at the newest check%s. ",
			 newest->ok ? "holds" : "does not hold", newest->e_n,
			 newest->zero_moved ? ", and the zero did not come back" : "");
	size_t used = n > 0 && (size_t)n < size ? (size_t)n : size;

	if (!checks_charted(c))
		snprintf(buf + used, size - used, "There are no limits yet: two checks that differ make them.");
	else if (c->chart.n_hits == 0)
		snprintf(buf + used, size - used, "No run rule is met.");
	else
		snprintf(buf + used, size - used, "%zu run rule%s met.", c->chart.n_hits,
			 c->chart.n_hits == 1 ? " is" : "s are");
}
