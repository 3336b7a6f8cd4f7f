/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/record.h"

#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static struct cellcal some_cellcal(int degree)
{
	struct cellcal c = {
		.model = degree == 1   ? CELLCAL_LINE
			 : degree == 2 ? CELLCAL_QUADRATIC
				       : CELLCAL_CUBIC,
		.degree = degree,
		.residual_sd = 0.1 + 0.2,
		.dof = INFINITY,
		.lack_of_fit_F = NAN,
		.lack_of_fit_p = NAN,
		.lack_of_fit_dof1 = 3,
		.lack_of_fit_dof2 = 1e-300,
		.n_sources = 3,
		.repeatability_Nm = 1.0 / 3,
		.reproducibility_Nm = NAN,
		.reversibility_Nm = 2.0 / 3,
		.zero_return_Nm = 1e-17,
		.resolution_Nm = 4.9e-324,
		.max_Nm = 40,
		.min_Nm = -0.5,
		.class_value = NAN,
		.class_note = "a second mounting is missing: \"±\"",
	};

	for (int i = 0; i <= degree; i++) {
		c.coef[i] = 1e5 / (3 + i) * (i % 2 ? -1 : 1);
		for (int j = 0; j <= degree; j++)
			c.cov[i][j] = 1e-9 / (7 + i + j);
		for (int s = 0; s < 3; s++)
			c.dcoef[s][i] = 1e-4 / (11 + s + i);
	}
	for (int s = 0; s < 3; s++) {
		snprintf(c.source[s].name, sizeof c.source[s].name, "arm length %d", s);
		c.source[s].dof = s ? 9.5 : INFINITY;
		c.source[s].dist = (enum dist)s;
	}
	if (degree == 1)
		return c; /* as a series without zeros gives it */
	c.branches = (struct cellcal_branches){ .known = true,
						.degree = degree,
						.full_Nm = 37.0 / 3,
						.rise = { 0, 1e5 / 3, 1.0 / 7, -1e-9 },
						.loop = { 1.0 / 9, -2.0 / 9, 0 },
						.friction = 100.0 / 7,
						.repeat_sd = 10.0 / 3,
						.dof = 25 };
	for (int i = 0; i < CELLCAL_PARAMS; i++)
		for (int j = 0; j < CELLCAL_PARAMS; j++)
			c.branches.cov[i][j] = 1e-9 / (3 + i + j);
	for (int s = 0; s < 3; s++)
		for (int i = 0; i < CELLCAL_COEFS; i++)
			c.branches.drise[s][i] = 1e-4 / (13 + s + i);
	return c;
}

static struct brakemap some_brakemap(void)
{
	struct brakemap m = {
		.drag_Nm = 0.3,
		.u_drag_Nm = 0.1 / 3,
		.remanence_Nm = 0.7,
		.u_remanence_Nm = 0.01,
		.slope_Nm_per_A = 38.0 / 7,
		.u_slope_Nm_per_A = 0.2 / 7,
		.linear_from_A = 0.1,
		.linear_to_A = 0.9,
		.slip_slope_Nm_per_rpm = NAN,
		.u_slip_slope_Nm_per_rpm = NAN,
		.lag_s = 0.17,
		.u_lag_s = 0.003,
		.min_slip_rpm = 20,
		.max_slip_rpm = 60,
		.max_A = 1.2,
		.max_Nm = 44,
	};

	for (int b = 0; b < 2; b++) {
		m.branch[b].n = b ? BRAKEMAP_KNOTS : 3;
		for (size_t i = 0; i < m.branch[b].n; i++) {
			m.branch[b].current_A[i] = (double)i / 37;
			m.branch[b].torque_Nm[i] = (double)i * 1.7 + b;
			m.branch[b].u_torque_Nm[i] = 0.01 + (double)i * 1e-5;
			m.branch[b].slope_Nm_per_A[i] = 30 + (double)i / 3;
		}
	}
	return m;
}

static bool same(double a, double b)
{
	return (isnan(a) && isnan(b)) || (a <= b && a >= b);
}

static void assert_same_cellcal(const struct cellcal *a, const struct cellcal *b)
{
	assert_int_equal(a->model, b->model);
	assert_int_equal(a->degree, b->degree);
	assert_int_equal(a->n_sources, b->n_sources);
	assert_string_equal(a->class_note, b->class_note);
	assert_true(same(a->residual_sd, b->residual_sd) && same(a->dof, b->dof) &&
		    same(a->lack_of_fit_F, b->lack_of_fit_F) && same(a->lack_of_fit_p, b->lack_of_fit_p) &&
		    same(a->lack_of_fit_dof1, b->lack_of_fit_dof1) && same(a->lack_of_fit_dof2, b->lack_of_fit_dof2) &&
		    same(a->repeatability_Nm, b->repeatability_Nm) &&
		    same(a->reproducibility_Nm, b->reproducibility_Nm) &&
		    same(a->reversibility_Nm, b->reversibility_Nm) && same(a->zero_return_Nm, b->zero_return_Nm) &&
		    same(a->resolution_Nm, b->resolution_Nm) && same(a->max_Nm, b->max_Nm) &&
		    same(a->min_Nm, b->min_Nm) && same(a->class_value, b->class_value));
	for (int i = 0; i < CELLCAL_COEFS; i++) {
		assert_true(same(a->coef[i], b->coef[i]));
		for (int j = 0; j < CELLCAL_COEFS; j++)
			assert_true(same(a->cov[i][j], b->cov[i][j]));
		for (size_t s = 0; s < CELLCAL_SOURCES; s++)
			assert_true(same(a->dcoef[s][i], b->dcoef[s][i]));
	}
	for (size_t s = 0; s < a->n_sources; s++) {
		assert_string_equal(a->source[s].name, b->source[s].name);
		assert_true(same(a->source[s].dof, b->source[s].dof));
		assert_int_equal(a->source[s].dist, b->source[s].dist);
	}
}

static void assert_same_branches(const struct cellcal_branches *a, const struct cellcal_branches *b)
{
	assert_int_equal(a->known, b->known);
	assert_int_equal(a->degree, b->degree);
	assert_true(same(a->full_Nm, b->full_Nm) && same(a->friction, b->friction) &&
		    same(a->repeat_sd, b->repeat_sd) && same(a->dof, b->dof));
	for (int i = 0; i < CELLCAL_LOOPS; i++)
		assert_true(same(a->loop[i], b->loop[i]));
	for (int i = 0; i < CELLCAL_PARAMS; i++)
		for (int j = 0; j < CELLCAL_PARAMS; j++)
			assert_true(same(a->cov[i][j], b->cov[i][j]));
	for (int i = 0; i < CELLCAL_COEFS; i++) {
		assert_true(same(a->rise[i], b->rise[i]));
		for (int s = 0; s < CELLCAL_SOURCES; s++)
			assert_true(same(a->drise[s][i], b->drise[s][i]));
	}
}

/* As logbooks before hold it. */
static void an_older_calibration_without_branches_reads(void **state)
{
	struct cellcal in = some_cellcal(3), out = { 0 };
	struct err err = { 0 };
	char *json = record_from_cellcal(&in);
	json_t *o = json_loads(json, 0, NULL);

	(void)state;
	free(json);
	assert_int_equal(json_object_del(o, "branches"), 0);
	json = json_dumps(o, 0);
	assert_int_equal(record_to_cellcal(json, &out, &err), RC_OK);
	assert_false(out.branches.known);
	assert_same_cellcal(&in, &out);
	free(json);
	json_decref(o);
}

static void a_calibration_comes_back_with_all_its_digits(void **state)
{
	(void)state;
	for (int degree = 1; degree <= 3; degree++) {
		struct cellcal in = some_cellcal(degree), out = { 0 };
		struct err err = { 0 };
		char *json = record_from_cellcal(&in);
		assert_non_null(json);
		if (record_to_cellcal(json, &out, &err) != RC_OK)
			fail_msg("%s", err.what);
		assert_same_cellcal(&in, &out);
		assert_same_branches(&in.branches, &out.branches);
		free(json);
	}
}

static void assert_same_curve(const struct brakemap_curve *a, const struct brakemap_curve *b)
{
	assert_int_equal(a->n, b->n);
	for (size_t i = 0; i < a->n; i++)
		assert_true(same(a->current_A[i], b->current_A[i]) && same(a->torque_Nm[i], b->torque_Nm[i]) &&
			    same(a->u_torque_Nm[i], b->u_torque_Nm[i]) &&
			    same(a->slope_Nm_per_A[i], b->slope_Nm_per_A[i]));
}

static void a_map_comes_back_with_all_its_digits(void **state)
{
	struct brakemap in = some_brakemap(), out = { 0 };
	struct err err = { 0 };
	char *json = record_from_brakemap(&in);

	(void)state;
	assert_non_null(json);
	if (record_to_brakemap(json, &out, &err) != RC_OK)
		fail_msg("%s", err.what);
	assert_same_curve(&in.branch[0], &out.branch[0]);
	assert_same_curve(&in.branch[1], &out.branch[1]);
	const double a[] = { in.drag_Nm,
			     in.u_drag_Nm,
			     in.remanence_Nm,
			     in.u_remanence_Nm,
			     in.slope_Nm_per_A,
			     in.u_slope_Nm_per_A,
			     in.linear_from_A,
			     in.linear_to_A,
			     in.slip_slope_Nm_per_rpm,
			     in.u_slip_slope_Nm_per_rpm,
			     in.lag_s,
			     in.u_lag_s,
			     in.min_slip_rpm,
			     in.max_slip_rpm,
			     in.max_A,
			     in.max_Nm };
	const double b[] = { out.drag_Nm,
			     out.u_drag_Nm,
			     out.remanence_Nm,
			     out.u_remanence_Nm,
			     out.slope_Nm_per_A,
			     out.u_slope_Nm_per_A,
			     out.linear_from_A,
			     out.linear_to_A,
			     out.slip_slope_Nm_per_rpm,
			     out.u_slip_slope_Nm_per_rpm,
			     out.lag_s,
			     out.u_lag_s,
			     out.min_slip_rpm,
			     out.max_slip_rpm,
			     out.max_A,
			     out.max_Nm };
	for (size_t i = 0; i < sizeof a / sizeof a[0]; i++)
		assert_true(same(a[i], b[i]));
	free(json);
}

/* Every key in turn is left out, or holds a list where something else is expected: refused, ret untouched. */
static void a_record_that_is_not_whole_is_refused(void **state)
{
	struct cellcal cal = some_cellcal(2);
	struct brakemap map = some_brakemap();
	char *whole[2] = { record_from_cellcal(&cal), record_from_brakemap(&map) };

	(void)state;
	for (int kind = 0; kind < 2; kind++) {
		json_t *o = json_loads(whole[kind], 0, NULL);
		const char *key;
		json_t *value;
		int n = 0;
		json_object_foreach(o, key, value)
		{
			for (int way = strcmp(key, "branches") == 0 ? 1 : 0; way < 2; way++) {
				json_t *broken = json_copy(o);
				struct err err = { 0 };
				struct cellcal out_cal;
				struct brakemap out_map;
				memset(&out_cal, 0x55, sizeof out_cal);
				memset(&out_map, 0x55, sizeof out_map);
				if (way == 0)
					json_object_del(broken, key);
				else
					json_object_set_new(broken, key, json_pack("[[s]]", "no"));
				char *text = json_dumps(broken, 0);
				enum rc rc = kind ? record_to_brakemap(text, &out_map, &err)
						  : record_to_cellcal(text, &out_cal, &err);
				if (rc != RC_DB || !strstr(err.what, key))
					fail_msg("%s %s: \"%s\"", key, way ? "wrong" : "missing", err.what);
				assert_int_equal(((unsigned char *)&out_cal)[sizeof out_cal / 2], 0x55);
				assert_int_equal(((unsigned char *)&out_map)[sizeof out_map / 2], 0x55);
				free(text);
				json_decref(broken);
				n++;
			}
		}
		assert_true(n > 30);
		json_decref(o);
		free(whole[kind]);
	}
}

static enum rc read_any(bool of_cell, const json_t *whole, struct err *err)
{
	static struct cellcal cal;
	static struct brakemap map;
	char *text = json_dumps(whole, JSON_REAL_PRECISION(17));
	enum rc rc = of_cell ? record_to_cellcal(text, &cal, err) : record_to_brakemap(text, &map, err);

	free(text);
	return rc;
}

#define LONG_TEXT "a text that is longer than any place of a record, and so is none of its words, names or notes; "

static size_t taken; /* of yes in a value's place */

/* Each value in turn is another one: never a crash, a refusal has a sentence. Yes is no value of either record. */
static void change_each(bool of_cell, json_t *whole, json_t *at)
{
	static const char *const others[] = {
		"true",
		"null",
		"\"x\"",
		"\"inf\"",
		"\"-inf\"",
		"\"" LONG_TEXT LONG_TEXT "\"",
		"-1",
		"1e308",
		"0",
		"99999",
		"[]",
		"[1]",
		"[1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20,21,22,23,24,25,26,27,28,29,30,31,32,33]",
		"{}",
	};
	size_t n = json_is_array(at) ? json_array_size(at) : json_object_size(at), i = 0;
	void *iter = json_is_object(at) ? json_object_iter(at) : NULL;

	for (; i < n; i++) {
		json_t *old = json_incref(iter ? json_object_iter_value(iter) : json_array_get(at, i));
		for (size_t k = 0; k < sizeof others / sizeof others[0]; k++) {
			json_t *other = json_loads(others[k], JSON_DECODE_ANY, NULL);
			struct err err = { 0 };
			if (iter)
				json_object_iter_set_new(at, iter, other);
			else
				json_array_set_new(at, i, other);
			enum rc rc = read_any(of_cell, whole, &err);
			assert_true(rc == RC_OK || err.what[0]);
			taken += k == 0 && rc == RC_OK;
		}
		if (iter)
			json_object_iter_set(at, iter, old);
		else
			json_array_set(at, i, old);
		if (json_is_array(old) || json_is_object(old))
			change_each(of_cell, whole, old);
		json_decref(old);
		iter = iter ? json_object_iter_next(at, iter) : NULL;
	}
}

static void each_value_is_looked_at(void **state)
{
	struct cellcal cal = some_cellcal(3);
	struct brakemap map = some_brakemap();
	char *texts[] = { record_from_brakemap(&map), record_from_cellcal(&cal) };

	(void)state;
	for (int of_cell = 0; of_cell < 2; of_cell++) {
		json_t *whole = json_loads(texts[of_cell], 0, NULL);

		change_each(of_cell, whole, whole);
		assert_int_equal(taken, 0);
		assert_int_equal(read_any(of_cell, whole, NULL), RC_OK); /* put back */
		json_decref(whole);
		free(texts[of_cell]);
	}
}

static void what_is_no_json_or_newer_is_refused(void **state)
{
	static const char *const texts[] = {
		"", "{", "[]", "null", "{\"format\": 1, \"format\": 1}", "{\"format\": 0}"
	};
	struct cellcal cal = some_cellcal(1);
	struct brakemap map;
	struct err err = { 0 };

	(void)state;
	for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
		assert_int_equal(record_to_cellcal(texts[i], &cal, &err), RC_DB);
		assert_int_equal(record_to_brakemap(texts[i], &map, &err), RC_DB);
	}
	assert_int_equal(record_to_cellcal(NULL, &cal, NULL), RC_DB);
	json_t *o = json_loads("{}", 0, NULL);
	json_object_set_new(o, "format", json_integer(2));
	char *text = json_dumps(o, 0);
	assert_int_equal(record_to_cellcal(text, &cal, &err), RC_DB);
	assert_non_null(strstr(err.what, "format 2"));
	free(text);
	json_decref(o);
	cal = some_cellcal(1);
	cal.coef[1] = NAN;
	text = record_from_cellcal(&cal);
	assert_int_equal(record_to_cellcal(text, &cal, &err), RC_DB);
	assert_non_null(strstr(err.what, "coefficients"));
	free(text);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_calibration_comes_back_with_all_its_digits),
		cmocka_unit_test(an_older_calibration_without_branches_reads),
		cmocka_unit_test(a_map_comes_back_with_all_its_digits),
		cmocka_unit_test(a_record_that_is_not_whole_is_refused),
		cmocka_unit_test(each_value_is_looked_at),
		cmocka_unit_test(what_is_no_json_or_newer_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
