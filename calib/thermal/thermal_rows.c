/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/thermal/thermal_fit_private.h"

#include <math.h>
#include <stdlib.h>

struct thermal_layout thermal_layout(bool two, bool watts, bool torque, bool fixed, size_t holds)
{
	struct thermal_layout l = { two, watts, torque, fixed, 0, 0, 0, holds, 2 };

	if (fixed)
		l.at_fixed = l.p++;
	if (two) {
		l.at_case = l.p;
		l.p += 2;
	}
	l.at_start = l.p;
	l.p += holds * (two ? 2 : 1);
	return l;
}

double thermal_loaded_Nm(const struct thermal_record *r)
{
	double most = 0;

	for (size_t i = 0; r->torque_Nm && i < r->n; i++)
		most = fmax(most, fabs(r->torque_Nm[i]));
	return 0.01 * most;
}

bool thermal_levels_differ(const struct thermal_record *r)
{
	double loaded = thermal_loaded_Nm(r), least = INFINITY, most = 0;

	for (size_t i = 0; r->torque_Nm && i < r->n; i++)
		if (fabs(r->torque_Nm[i]) > loaded) {
			least = fmin(least, fabs(r->torque_Nm[i]));
			most = fmax(most, fabs(r->torque_Nm[i]));
		}
	return least < 0.9 * most;
}

void thermal_rows_free(struct thermal_rows *rows)
{
	free(rows->time_s);
	free(rows->hold);
	*rows = (struct thermal_rows){ 0 };
}

static double input_of(const struct thermal_record *r, size_t i)
{
	return r->loss_W ? r->loss_W[i] : r->torque_Nm ? r->torque_Nm[i] * r->torque_Nm[i] : 1;
}

static bool begins(const struct thermal_record *r, size_t i)
{
	return i == 0 || (r->hold && (r->hold[i] < r->hold[i - 1] || r->hold[i] > r->hold[i - 1]));
}

enum rc thermal_rows_new(const struct thermal_record *r, size_t most, struct thermal_rows *ret, struct err *err)
{
	struct thermal_rows rows = { 0 };
	const double *temp[2] = { r->winding_degC ? r->winding_degC : r->case_degC, r->case_degC };
	double loaded = thermal_loaded_Nm(r), *block = calloc(6 * r->n, sizeof *block);
	size_t grain = (r->n + most - 1) / most, hold = 0, count = 0;

	rows.hold = calloc(r->n, sizeof *rows.hold);
	if (!block || !rows.hold) {
		free(block);
		free(rows.hold);
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", r->n);
	}
	rows.beside_W = r->beside_W;
	rows.time_s = block;
	rows.temp[0] = block + r->n;
	rows.temp[1] = block + 2 * r->n;
	rows.ambient_degC = block + 3 * r->n;
	rows.input = block + 4 * r->n;
	rows.on = block + 5 * r->n;
	for (size_t i = 0; i < r->n; i++) {
		bool first = begins(r, i);
		if (first && i > 0)
			hold++;
		if (first || count == grain) {
			size_t k = rows.n++;
			rows.time_s[k] = r->time_s[i];
			rows.temp[0][k] = temp[0][i];
			rows.temp[1][k] = temp[1] ? temp[1][i] : NAN;
			rows.ambient_degC[k] = r->ambient_degC[i];
			rows.hold[k] = hold;
			count = 0;
		}
		size_t k = rows.n - 1;
		bool under_load = !r->torque_Nm || fabs(r->torque_Nm[i]) > loaded;
		count++;
		rows.input[k] += (input_of(r, i) - rows.input[k]) / (double)count;
		rows.on[k] += ((under_load ? 1.0 : 0.0) - rows.on[k]) / (double)count;
	}
	*ret = rows;
	return RC_OK;
}

void thermal_follow(const struct thermal_layout *l, const struct thermal_rows *rows, const double *param,
		    double *out[2])
{
	double r = l->two ? exp(param[l->at_case + 1]) : 0, last_dt = NAN;
	struct thermal_model m = { l->two, { exp(param[0]), l->two ? exp(param[l->at_case]) : NAN }, { 1, r } };
	double heat = l->watts || l->torque ? exp(param[1]) : param[1], fixed = l->fixed ? param[l->at_fixed] : 0;
	double beside = l->two && l->watts ? rows->beside_W * heat * r : 0;
	double temp[2] = { 0, 0 };
	struct thermal_step s = { { 0 }, { { 0 } } };

	for (size_t i = 0; i < rows->n; i++) {
		if (i == 0 || rows->hold[i] != rows->hold[i - 1]) {
			const double *start = param + l->at_start + rows->hold[i] * (l->two ? 2 : 1);
			temp[0] = start[0];
			temp[1] = l->two ? start[1] : 0;
		} else {
			double dt = rows->time_s[i] - rows->time_s[i - 1];
			double rise = heat * rows->input[i - 1] + fixed * rows->on[i - 1];
			double ambient = (rows->ambient_degC[i] + rows->ambient_degC[i - 1]) / 2;
			if (!(fabs(dt - last_dt) <= 1e-9 * dt))
				s = thermal_step(&m, dt, 0, 0, 0);
			last_dt = dt;
			double past = beside * rows->on[i - 1];
			s.steady[0] = ambient + rise * (1 + r) + past;
			s.steady[1] = ambient + rise * r + past;
			thermal_advance(&s, temp);
		}
		out[0][i] = temp[0];
		if (l->two)
			out[1][i] = temp[1];
	}
}
