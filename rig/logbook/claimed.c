/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/claimed.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>

static json_t *reals(const double *value, size_t n)
{
	json_t *ret = json_array();

	for (size_t i = 0; i < n; i++)
		json_array_append_new(ret, json_real(value[i]));
	return ret;
}

enum rc claimed_add(struct logbook *lb, int64_t run_id, int64_t wall_ns, const struct claimed_curve *curve,
		    struct err *err)
{
	int64_t id;

	if (curve->n == 0)
		return RC_OK;
	json_t *doc = json_object();
	json_object_set_new(doc, "torque_Nm", reals(curve->torque_Nm, curve->n));
	json_object_set_new(doc, "speed_rpm", reals(curve->speed_rpm, curve->n));
	if (curve->has_efficiency)
		json_object_set_new(doc, "efficiency", reals(curve->efficiency, curve->n));
	if (curve->has_current)
		json_object_set_new(doc, "current_A", reals(curve->current_A, curve->n));
	char *json = json_dumps(doc, JSON_REAL_PRECISION(17) | JSON_COMPACT);
	enum rc rc = json ? logbook_record(lb, run_id, wall_ns, "claimed", json, &id, err)
			  : err_set(err, RC_NOMEM, 0, "out of memory for the data sheet's curve");

	free(json);
	json_decref(doc);
	return rc;
}

/* Of n numbers; false: it is none such. */
static bool take(const json_t *doc, const char *key, size_t n, double *ret)
{
	const json_t *list = json_object_get(doc, key);

	if (json_array_size(list) != n)
		return false;
	for (size_t i = 0; i < n; i++) {
		ret[i] = json_number_value(json_array_get(list, i));
		if (!json_is_number(json_array_get(list, i)) || !isfinite(ret[i]))
			return false;
	}
	return true;
}

struct search {
	int64_t run_id;
	struct claimed_curve *ret;
};

static bool look(void *ctx, const struct record_info *record)
{
	struct search *s = ctx;
	struct claimed_curve c = { 0 };

	if (record->run_id != s->run_id)
		return true;
	json_t *doc = json_loads(record->json, 0, NULL);
	size_t n = json_array_size(json_object_get(doc, "torque_Nm"));
	bool fits = n > 0 && n <= CLAIMED_POINTS;
	if (fits && take(doc, "torque_Nm", n, c.torque_Nm) && take(doc, "speed_rpm", n, c.speed_rpm)) {
		c.n = n;
		c.has_efficiency = take(doc, "efficiency", n, c.efficiency);
		c.has_current = take(doc, "current_A", n, c.current_A);
		*s->ret = c;
	}
	json_decref(doc);
	return true;
}

enum rc claimed_find(struct logbook *lb, int64_t run_id, struct claimed_curve *ret, struct err *err)
{
	struct search s = { run_id, ret };

	*ret = (struct claimed_curve){ 0 };
	return logbook_each_record(lb, "claimed", RECORD_ANY, look, &s, err);
}
