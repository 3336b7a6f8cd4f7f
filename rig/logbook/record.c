/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/record.h"

#include <jansson.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define FORMAT 1

static const char *const model_words[] = { "auto", "origin", "line", "quadratic", "cubic" };
static const char *const dist_words[] = { "normal", "rect", "tri", "trapezoid", "t", "two" };
#define COUNT(a) (sizeof(a) / sizeof((a)[0]))

/* JSON has no infinities and no NaN: null is NaN, "inf" and "-inf" are the others. */
static json_t *real_json(double value)
{
	if (isnan(value))
		return json_null();
	if (isinf(value))
		return json_string(value > 0 ? "inf" : "-inf");
	return json_real(value);
}

static void put_real(json_t *o, const char *key, double value)
{
	json_object_set_new(o, key, real_json(value));
}

static json_t *reals_json(const double *values, size_t n)
{
	json_t *array = json_array();

	for (size_t i = 0; i < n; i++)
		json_array_append_new(array, real_json(values[i]));
	return array;
}

static void put_reals(json_t *o, const char *key, const double *values, size_t n)
{
	json_object_set_new(o, key, reals_json(values, n));
}

static char *dump(json_t *o)
{
	char *text = o ? json_dumps(o, JSON_REAL_PRECISION(17) | JSON_COMPACT) : NULL;

	json_decref(o);
	return text;
}

/* Reading: the first thing wrong is kept, the rest of the reading then does nothing. */
struct reader {
	const char *what; /* "calibration" or "brake map" */
	struct err *err;
	enum rc rc;
};

static void wrong(struct reader *r, const char *key, const char *expected)
{
	if (r->rc == RC_OK)
		r->rc = err_set(r->err, RC_DB, 0,
				"a %s record of the logbook is not whole: \"%s\" is missing or wrong, "
				"expected %s",
				r->what, key, expected);
}

static double real_of(struct reader *r, const json_t *j, const char *key)
{
	if (json_is_number(j))
		return json_number_value(j);
	if (json_is_null(j))
		return NAN;
	if (json_is_string(j) && strcmp(json_string_value(j), "inf") == 0)
		return INFINITY;
	if (json_is_string(j) && strcmp(json_string_value(j), "-inf") == 0)
		return -INFINITY;
	wrong(r, key, "a number");
	return NAN;
}

static double get_real(struct reader *r, const json_t *o, const char *key)
{
	return real_of(r, json_object_get(o, key), key);
}

static void reals_of(struct reader *r, const json_t *array, const char *key, double *ret, size_t n)
{
	if (!json_is_array(array) || json_array_size(array) != n) {
		wrong(r, key, "a list of as many numbers as its degree or size asks for");
		return;
	}
	for (size_t i = 0; i < n; i++)
		ret[i] = real_of(r, json_array_get(array, i), key);
}

static void get_reals(struct reader *r, const json_t *o, const char *key, double *ret, size_t n)
{
	reals_of(r, json_object_get(o, key), key, ret, n);
}

static size_t get_size(struct reader *r, const json_t *o, const char *key, size_t min, size_t max)
{
	const json_t *j = json_object_get(o, key);

	if (json_is_integer(j) && json_integer_value(j) >= (json_int_t)min && json_integer_value(j) <= (json_int_t)max)
		return (size_t)json_integer_value(j);
	wrong(r, key, "a whole number in its range");
	return min;
}

static void get_text(struct reader *r, const json_t *o, const char *key, char *ret, size_t size)
{
	const char *text = json_string_value(json_object_get(o, key));

	if (!text || strlen(text) >= size)
		wrong(r, key, "a text");
	else
		strcpy(ret, text);
}

static int get_word(struct reader *r, const json_t *o, const char *key, const char *const *words, size_t n)
{
	const char *text = json_string_value(json_object_get(o, key));

	for (size_t i = 0; text && i < n; i++)
		if (strcmp(text, words[i]) == 0)
			return (int)i;
	wrong(r, key, "one of its words");
	return 0;
}

static json_t *parse(struct reader *r, const char *json)
{
	json_error_t error;
	json_t *o = json_loads(json ? json : "", JSON_REJECT_DUPLICATES, &error);

	if (!json_is_object(o)) {
		r->rc = err_set(r->err, RC_DB, 0, "a %s record of the logbook is not whole: %s", r->what,
				o ? "it is not a JSON object" : error.text);
		json_decref(o);
		return NULL;
	}
	if (get_size(r, o, "format", 1, SIZE_MAX >> 1) > FORMAT && r->rc == RC_OK)
		r->rc = err_set(r->err, RC_DB, 0,
				"a %s record of the logbook has format %lld, this program reads up to "
				"%d; use the newer program that wrote it",
				r->what, (long long)json_integer_value(json_object_get(o, "format")), FORMAT);
	return o;
}

/* Calibration. The plain figures in one table, for both directions. */

static const struct {
	const char *key;
	size_t offset;
} cal_reals[] = {
	{ "residual_sd", offsetof(struct cellcal, residual_sd) },
	{ "dof", offsetof(struct cellcal, dof) },
	{ "lack_of_fit_F", offsetof(struct cellcal, lack_of_fit_F) },
	{ "lack_of_fit_p", offsetof(struct cellcal, lack_of_fit_p) },
	{ "lack_of_fit_dof1", offsetof(struct cellcal, lack_of_fit_dof1) },
	{ "lack_of_fit_dof2", offsetof(struct cellcal, lack_of_fit_dof2) },
	{ "repeatability_Nm", offsetof(struct cellcal, repeatability_Nm) },
	{ "reproducibility_Nm", offsetof(struct cellcal, reproducibility_Nm) },
	{ "reversibility_Nm", offsetof(struct cellcal, reversibility_Nm) },
	{ "zero_return_Nm", offsetof(struct cellcal, zero_return_Nm) },
	{ "resolution_Nm", offsetof(struct cellcal, resolution_Nm) },
	{ "max_Nm", offsetof(struct cellcal, max_Nm) },
	{ "min_Nm", offsetof(struct cellcal, min_Nm) },
	{ "class_value", offsetof(struct cellcal, class_value) },
};

static double *real_at(void *base, size_t offset)
{
	return (double *)(void *)((char *)base + offset);
}
static double real_in(const void *base, size_t offset)
{
	double value;

	memcpy(&value, (const char *)base + offset, sizeof value);
	return value;
}

static json_t *source_json(const struct cellcal *cal, size_t i)
{
	json_t *o = json_object();

	json_object_set_new(o, "name", json_string(cal->source[i].name));
	put_real(o, "dof", cal->source[i].dof);
	json_object_set_new(o, "dist", json_string(dist_words[cal->source[i].dist]));
	put_reals(o, "coefficient_shifts", cal->dcoef[i], (size_t)cal->degree + 1);
	return o;
}

static json_t *branches_json(const struct cellcal *cal)
{
	const struct cellcal_branches *b = &cal->branches;
	json_t *o = json_object(), *cov = json_array(), *shifts = json_array();

	if (!b->known)
		return json_decref(o), json_decref(cov), json_decref(shifts), json_null();
	json_object_set_new(o, "degree", json_integer(b->degree));
	put_real(o, "full_Nm", b->full_Nm);
	put_reals(o, "rise", b->rise, CELLCAL_COEFS);
	put_reals(o, "loop", b->loop, CELLCAL_LOOPS);
	put_real(o, "friction", b->friction);
	for (size_t i = 0; i < CELLCAL_PARAMS; i++)
		json_array_append_new(cov, reals_json(b->cov[i], CELLCAL_PARAMS));
	json_object_set_new(o, "covariance", cov);
	put_real(o, "repeat_sd", b->repeat_sd);
	put_real(o, "dof", b->dof);
	for (size_t s = 0; s < cal->n_sources; s++)
		json_array_append_new(shifts, reals_json(b->drise[s], CELLCAL_COEFS));
	json_object_set_new(o, "rise_shifts", shifts);
	return o;
}

char *record_from_cellcal(const struct cellcal *cal)
{
	size_t n = (size_t)cal->degree + 1;
	json_t *o = json_object(), *cov = json_array(), *sources = json_array();

	json_object_set_new(o, "format", json_integer(FORMAT));
	json_object_set_new(o, "model", json_string(model_words[cal->model]));
	json_object_set_new(o, "degree", json_integer(cal->degree));
	put_reals(o, "coefficients", cal->coef, n);
	for (size_t i = 0; i < n; i++)
		json_array_append_new(cov, reals_json(cal->cov[i], n));
	json_object_set_new(o, "covariance", cov);
	for (size_t i = 0; i < COUNT(cal_reals); i++)
		put_real(o, cal_reals[i].key, real_in(cal, cal_reals[i].offset));
	for (size_t i = 0; i < cal->n_sources; i++)
		json_array_append_new(sources, source_json(cal, i));
	json_object_set_new(o, "sources", sources);
	json_object_set_new(o, "branches", branches_json(cal));
	json_object_set_new(o, "class_note", json_string(cal->class_note));
	return dump(o);
}

static void read_sources(struct reader *r, const json_t *o, struct cellcal *cal)
{
	const json_t *sources = json_object_get(o, "sources"), *s;
	size_t i;

	if (!json_is_array(sources) || json_array_size(sources) > CELLCAL_SOURCES) {
		wrong(r, "sources", "a list of at most 32 sources");
		return;
	}
	cal->n_sources = json_array_size(sources);
	json_array_foreach(sources, i, s)
	{
		if (!json_is_object(s))
			wrong(r, "sources", "a list of sources");
		get_text(r, s, "name", cal->source[i].name, sizeof cal->source[i].name);
		cal->source[i].dof = get_real(r, s, "dof");
		cal->source[i].dist = (enum dist)get_word(r, s, "dist", dist_words, COUNT(dist_words));
		get_reals(r, s, "coefficient_shifts", cal->dcoef[i], (size_t)cal->degree + 1);
	}
}

static void read_covariance(struct reader *r, const json_t *o, struct cellcal *cal)
{
	const json_t *cov = json_object_get(o, "covariance");
	size_t n = (size_t)cal->degree + 1;

	if (!json_is_array(cov) || json_array_size(cov) != n) {
		wrong(r, "covariance", "a square table of the size of the coefficients");
		return;
	}
	for (size_t i = 0; i < n; i++)
		reals_of(r, json_array_get(cov, i), "covariance", cal->cov[i], n);
}

/* An older record has none, and a calibration whose branches are not known has null: the plain fit is used then. */
static void read_branches(struct reader *r, const json_t *o, struct cellcal *cal)
{
	const json_t *j = json_object_get(o, "branches"), *cov = json_object_get(j, "covariance"),
		     *shifts = json_object_get(j, "rise_shifts");
	struct cellcal_branches *b = &cal->branches;

	if (!j || json_is_null(j))
		return;
	if (!json_is_array(cov) || json_array_size(cov) != CELLCAL_PARAMS || !json_is_array(shifts) ||
	    json_array_size(shifts) != cal->n_sources) {
		wrong(r, "branches", "the branches with their covariance and a shift for each source");
		return;
	}
	b->known = true;
	b->degree = (int)get_size(r, j, "degree", 1, CELLCAL_COEFS - 1);
	b->full_Nm = get_real(r, j, "full_Nm");
	get_reals(r, j, "rise", b->rise, CELLCAL_COEFS);
	get_reals(r, j, "loop", b->loop, CELLCAL_LOOPS);
	b->friction = get_real(r, j, "friction");
	for (size_t i = 0; i < CELLCAL_PARAMS; i++)
		reals_of(r, json_array_get(cov, i), "covariance", b->cov[i], CELLCAL_PARAMS);
	b->repeat_sd = get_real(r, j, "repeat_sd");
	b->dof = get_real(r, j, "dof");
	for (size_t s = 0; s < cal->n_sources; s++)
		reals_of(r, json_array_get(shifts, s), "rise_shifts", b->drise[s], CELLCAL_COEFS);
	for (size_t i = 0; i < CELLCAL_COEFS; i++)
		if (!isfinite(b->rise[i]) || !isfinite(b->friction) || !(b->full_Nm > 0) ||
		    (i < CELLCAL_LOOPS && !isfinite(b->loop[i])))
			wrong(r, "branches", "finite numbers");
}

enum rc record_to_cellcal(const char *json, struct cellcal *ret, struct err *err)
{
	struct reader r = { .what = "calibration", .err = err };
	struct cellcal cal = { 0 };
	json_t *o = parse(&r, json);

	if (!o)
		return r.rc;
	cal.model = (enum cellcal_model)get_word(&r, o, "model", model_words, COUNT(model_words));
	if (cal.model == CELLCAL_AUTO)
		wrong(&r, "model", "the model that was fitted");
	cal.degree = (int)get_size(&r, o, "degree", 1, CELLCAL_COEFS - 1);
	get_reals(&r, o, "coefficients", cal.coef, (size_t)cal.degree + 1);
	read_covariance(&r, o, &cal);
	for (size_t i = 0; i < COUNT(cal_reals); i++)
		*real_at(&cal, cal_reals[i].offset) = get_real(&r, o, cal_reals[i].key);
	read_sources(&r, o, &cal);
	read_branches(&r, o, &cal);
	get_text(&r, o, "class_note", cal.class_note, sizeof cal.class_note);
	for (int i = 0; i <= cal.degree; i++)
		if (!isfinite(cal.coef[i]))
			wrong(&r, "coefficients", "finite numbers");
	json_decref(o);
	if (r.rc == RC_OK)
		*ret = cal;
	return r.rc;
}

/* Brake map. */

static const struct {
	const char *key;
	size_t offset;
} map_reals[] = {
	{ "drag_Nm", offsetof(struct brakemap, drag_Nm) },
	{ "u_drag_Nm", offsetof(struct brakemap, u_drag_Nm) },
	{ "remanence_Nm", offsetof(struct brakemap, remanence_Nm) },
	{ "u_remanence_Nm", offsetof(struct brakemap, u_remanence_Nm) },
	{ "slope_Nm_per_A", offsetof(struct brakemap, slope_Nm_per_A) },
	{ "u_slope_Nm_per_A", offsetof(struct brakemap, u_slope_Nm_per_A) },
	{ "linear_from_A", offsetof(struct brakemap, linear_from_A) },
	{ "linear_to_A", offsetof(struct brakemap, linear_to_A) },
	{ "slip_slope_Nm_per_rpm", offsetof(struct brakemap, slip_slope_Nm_per_rpm) },
	{ "u_slip_slope_Nm_per_rpm", offsetof(struct brakemap, u_slip_slope_Nm_per_rpm) },
	{ "lag_s", offsetof(struct brakemap, lag_s) },
	{ "u_lag_s", offsetof(struct brakemap, u_lag_s) },
	{ "min_slip_rpm", offsetof(struct brakemap, min_slip_rpm) },
	{ "max_slip_rpm", offsetof(struct brakemap, max_slip_rpm) },
	{ "max_A", offsetof(struct brakemap, max_A) },
	{ "max_Nm", offsetof(struct brakemap, max_Nm) },
};

static json_t *curve_json(const struct brakemap_curve *c)
{
	json_t *o = json_object();

	json_object_set_new(o, "n", json_integer((json_int_t)c->n));
	put_reals(o, "current_A", c->current_A, c->n);
	put_reals(o, "torque_Nm", c->torque_Nm, c->n);
	put_reals(o, "u_torque_Nm", c->u_torque_Nm, c->n);
	put_reals(o, "slope_Nm_per_A", c->slope_Nm_per_A, c->n);
	return o;
}

static void read_curve(struct reader *r, const json_t *o, const char *key, struct brakemap_curve *c)
{
	const json_t *j = json_object_get(o, key);

	if (!json_is_object(j)) {
		wrong(r, key, "a branch");
		return;
	}
	c->n = get_size(r, j, "n", 1, BRAKEMAP_KNOTS);
	get_reals(r, j, "current_A", c->current_A, c->n);
	get_reals(r, j, "torque_Nm", c->torque_Nm, c->n);
	get_reals(r, j, "u_torque_Nm", c->u_torque_Nm, c->n);
	get_reals(r, j, "slope_Nm_per_A", c->slope_Nm_per_A, c->n);
	for (size_t i = 0; i < c->n; i++)
		if (!isfinite(c->current_A[i]) || !isfinite(c->torque_Nm[i]) || !isfinite(c->slope_Nm_per_A[i]))
			wrong(r, key, "finite numbers");
}

char *record_from_brakemap(const struct brakemap *map)
{
	json_t *o = json_object();

	json_object_set_new(o, "format", json_integer(FORMAT));
	json_object_set_new(o, "rising", curve_json(&map->branch[BRAKEMAP_RISING]));
	json_object_set_new(o, "falling", curve_json(&map->branch[BRAKEMAP_FALLING]));
	for (size_t i = 0; i < COUNT(map_reals); i++)
		put_real(o, map_reals[i].key, real_in(map, map_reals[i].offset));
	return dump(o);
}

enum rc record_to_brakemap(const char *json, struct brakemap *ret, struct err *err)
{
	struct reader r = { .what = "brake map", .err = err };
	struct brakemap map = { 0 };
	json_t *o = parse(&r, json);

	if (!o)
		return r.rc;
	read_curve(&r, o, "rising", &map.branch[BRAKEMAP_RISING]);
	read_curve(&r, o, "falling", &map.branch[BRAKEMAP_FALLING]);
	for (size_t i = 0; i < COUNT(map_reals); i++)
		*real_at(&map, map_reals[i].offset) = get_real(&r, o, map_reals[i].key);
	json_decref(o);
	if (r.rc == RC_OK)
		*ret = map;
	return r.rc;
}
