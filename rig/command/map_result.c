/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/map_result.h"
#include "command/cell_u.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static enum rc fit_lag(const struct seq_map *seq, struct map_result *ret)
{
	double sum = 0, sum2 = 0, u2 = 0;
	int n = 0;

	for (size_t i = 0; i < MAP_LAG_STEPS; i++) {
		double lag, u;
		if (brakemap_lag(seq->lag[i].t_s, seq->lag[i].torque_Nm, seq->lag[i].n, &lag, &u, NULL) != RC_OK)
			continue;
		sum += lag;
		sum2 += lag * lag;
		u2 += u * u;
		n++;
	}
	ret->lag_steps = n;
	if (n == 0)
		return RC_OK; /* the map says NaN: not measured */
	ret->map.lag_s = sum / n;
	double scatter2 = n > 1 ? fmax(0, sum2 / n - ret->map.lag_s * ret->map.lag_s) / (n - 1) : 0;
	/* the larger of what the fits claim and what the steps show among themselves */
	ret->map.u_lag_s = sqrt(fmax(u2 / n / n, scatter2));
	return RC_OK;
}

enum rc map_result_make(const struct seq_map *seq, const struct cellcal *cal, const struct live_zero *before,
			const struct live_zero *after, struct map_result *ret, struct err *err)
{
	struct brakemap_reading *list = calloc(seq->n_readings ? seq->n_readings : 1, sizeof *list);

	if (!list)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	ret->drift_Nm = (after->count - before->count) * cellcal_slope_Nm(cal, 0);
	ret->u_zero_Nm = fabs(before->u_count * cellcal_slope_Nm(cal, 0));
	for (size_t i = 0; i < seq->n_readings; i++) {
		const struct map_reading *r = &seq->reading[i];
		double u_noise = isfinite(r->u_torque_Nm) ? r->u_torque_Nm : 0;
		/* the zero was somewhere between its two readings: a rectangle of half the drift */
		double u_zero = hypot(ret->u_zero_Nm, ret->drift_Nm / 2 / sqrt(3));
		double u = hypot(hypot(u_noise, cell_u_Nm(cal, r->torque_Nm)), u_zero);
		ret->u_torque_Nm[i] = u;
		list[i] = (struct brakemap_reading){ .current_A = r->current_A,
						     .torque_Nm = r->torque_Nm,
						     .u_torque_Nm = u,
						     .slip_rpm = r->slip_rpm,
						     .branch = r->branch };
		/* A read-back of some milliamperes about zero is zero. */
		if (r->current == SIZE_MAX)
			list[i].current_A = 0;
	}
	enum rc rc = brakemap_fit(list, seq->n_readings, &ret->map, err);
	free(list);
	return rc == RC_OK ? fit_lag(seq, ret) : rc;
}

static void set_pair(json_t *doc, const char *key, const char *u_key, double value, double u)
{
	json_object_set_new(doc, key, cli_real(value));
	json_object_set_new(doc, u_key, cli_real(u));
}

json_t *map_result_json(const struct seq_map *seq, const struct map_result *r)
{
	const struct brakemap *m = &r->map;
	json_t *doc = json_object(), *points = json_array();

	for (size_t i = 0; i < seq->n_readings; i++) {
		const struct map_reading *p = &seq->reading[i];
		json_array_append_new(points, json_pack("{s:o, s:o, s:o, s:s, s:o, s:o, s:b}", "current_A",
							cli_real(p->current_A), "torque_Nm", cli_real(p->torque_Nm),
							"u_torque_Nm", cli_real(r->u_torque_Nm[i]), "branch",
							p->branch == BRAKEMAP_RISING ? "rising" : "falling", "slip_rpm",
							cli_real(p->slip_rpm), "brake_degC", cli_real(p->brake_degC),
							"settled", p->settled));
	}
	json_object_set_new(doc, "points", points);
	set_pair(doc, "slope_Nm_per_A", "u_slope_Nm_per_A", m->slope_Nm_per_A, m->u_slope_Nm_per_A);
	set_pair(doc, "drag_Nm", "u_drag_Nm", m->drag_Nm, m->u_drag_Nm);
	set_pair(doc, "remanence_Nm", "u_remanence_Nm", m->remanence_Nm, m->u_remanence_Nm);
	set_pair(doc, "lag_s", "u_lag_s", m->lag_s, m->u_lag_s);
	set_pair(doc, "slip_slope_Nm_per_rpm", "u_slip_slope_Nm_per_rpm", m->slip_slope_Nm_per_rpm,
		 m->u_slip_slope_Nm_per_rpm);
	set_pair(doc, "linear_from_A", "linear_to_A", m->linear_from_A, m->linear_to_A);
	set_pair(doc, "min_slip_rpm", "max_slip_rpm", m->min_slip_rpm, m->max_slip_rpm);
	set_pair(doc, "max_A", "max_Nm", m->max_A, m->max_Nm);
	json_object_set_new(doc, "zero_drift_Nm", cli_real(r->drift_Nm));
	json_object_set_new(doc, "left_out", cli_text(seq->left_out));
	json_object_set_new(doc, "calibration_id", json_integer(r->calibration_id));
	json_object_set_new(doc, "run_id", json_integer(r->run_id));
	json_object_set_new(doc, "map_id", r->record_id ? json_integer(r->record_id) : json_null());
	return doc;
}

static void print_line(const char *name, double value, double u, const char *unit)
{
	char text[100];

	if (isfinite(value) && isfinite(u))
		quantity_format_bracket(text, sizeof text, value, u, unit);
	else
		snprintf(text, sizeof text, "not measured");
	printf("  %-34s %s\n", name, text);
}

int map_result_print(const struct seq_map *seq, const struct map_result *r)
{
	const struct brakemap *m = &r->map;

	printf("slip, rpm  branch   current, A  torque, N\u00b7m  u (k = 1)  brake, \u00b0C\n");
	for (size_t i = 0; i < seq->n_readings; i++) {
		const struct map_reading *p = &seq->reading[i];
		printf("%9.1f  %-7s  %10.4f  %11.3f  %9.3f  %9.1f%s\n", p->slip_rpm,
		       p->branch == BRAKEMAP_RISING ? "rising" : "falling", p->current_A, p->torque_Nm,
		       r->u_torque_Nm[i], p->brake_degC, p->settled ? "" : "  not settled");
	}
	printf("\nThe brake (standard uncertainty of the last digits in brackets):\n");
	print_line("slope in the linear range", m->slope_Nm_per_A, m->u_slope_Nm_per_A, "N\u00b7m/A");
	printf("  %-34s %.3f A to %.3f A\n", "linear range", m->linear_from_A, m->linear_to_A);
	print_line("drag without current", m->drag_Nm, m->u_drag_Nm, "N\u00b7m");
	print_line("remanence", m->remanence_Nm, m->u_remanence_Nm, "N\u00b7m");
	print_line("lag", m->lag_s, m->u_lag_s, "s");
	print_line("change with slip speed", m->slip_slope_Nm_per_rpm, m->u_slip_slope_Nm_per_rpm, "N\u00b7m/rpm");
	printf("  %-34s %.3g A, %.4g N\u00b7m, %.4g to %.4g rpm\n", "valid up to", m->max_A, m->max_Nm, m->min_slip_rpm,
	       m->max_slip_rpm);
	if (seq->left_out[0])
		live_say("Left out: %s.", seq->left_out);
	printf("It rests on calibration %lld. ", (long long)r->calibration_id);
	if (r->record_id)
		printf("Kept as map %lld. Next: bridle ready PLAN\n", (long long)r->record_id);
	else
		printf("Not kept (--dry-run).\n");
	return 0;
}
