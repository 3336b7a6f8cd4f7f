/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "reports/reduce/curve.h"
#include "channel/event.h"

#include <math.h>
#include <stdio.h>

static json_t *real(double value)
{
	return isfinite(value) ? json_real(value) : json_null();
}

static void set_unc(json_t *o, const char *key, struct unc x, const struct curve *curve)
{
	char name[64];
	double k = NAN, expanded = isfinite(x.value) ? unc_expanded(curve->ctx, x, curve->coverage, &k) : NAN;

	json_object_set_new(o, key, real(x.value));
	snprintf(name, sizeof name, "u_%s", key);
	json_object_set_new(o, name, real(isfinite(x.value) ? unc_u(x) : NAN));
	snprintf(name, sizeof name, "U_%s", key);
	json_object_set_new(o, name, real(expanded));
	snprintf(name, sizeof name, "k_%s", key);
	json_object_set_new(o, name, real(k));
}

static json_t *point_json(const struct curve *curve, const struct curve_point *p)
{
	json_t *o = json_object();

	json_object_set_new(o, "step", json_integer(p->step + 1));
	json_object_set_new(o, "speed_set_rpm", real(p->setpoint_rpm));
	json_object_set_new(o, "direction", json_string(p->direction > 0 ? "up" : p->direction < 0 ? "down" : "none"));
	json_object_set_new(o, "repeat", json_boolean((p->flags & POINT_REPEAT) != 0));
	json_object_set_new(o, "settled", json_boolean(p->settled));
	json_object_set_new(o, "limit", json_string(limit_word(p->limit)));
	json_object_set_new(o, "limit_note", json_string(p->limit_note));
	json_object_set_new(o, "free_running", json_boolean(p->free_running));
	set_unc(o, "torque_Nm", p->torque_Nm, curve);
	set_unc(o, "speed_rpm", p->speed_rpm, curve);
	set_unc(o, "shaft_power_W", p->shaft_power_W, curve);
	set_unc(o, "voltage_V", p->voltage_V, curve);
	set_unc(o, "current_A", p->current_A, curve);
	set_unc(o, "input_power_W", p->input_power_W, curve);
	set_unc(o, "efficiency", p->efficiency, curve);
	json_object_set_new(o, "efficiency_valid", json_boolean(p->efficiency_valid));
	json_object_set_new(o, "impossible", json_boolean(p->impossible));
	json_object_set_new(o, "outlier", json_boolean(p->outlier));
	json_object_set_new(o, "search", json_boolean((p->flags & POINT_SEARCH) != 0));
	json_object_set_new(o, "at_limit", json_boolean(p->at_limit));
	json_object_set_new(o, "extrapolated", json_boolean(p->extrapolated));
	json_object_set_new(o, "begin_s", real(p->begin_s));
	json_object_set_new(o, "end_s", real(p->end_s));
	json_object_set_new(o, "scatter_torque_Nm", real(p->scatter_Nm));
	json_object_set_new(o, "scatter_speed_rpm", real(p->scatter_rpm));
	json_object_set_new(o, "scatter_shaft_power_W", real(p->scatter_shaft_W));
	json_object_set_new(o, "scatter_voltage_V", real(p->scatter_V));
	json_object_set_new(o, "scatter_current_A", real(p->scatter_A));
	json_object_set_new(o, "scatter_input_power_W", real(p->scatter_input_W));
	json_object_set_new(o, "scatter_efficiency", real(p->scatter_efficiency));
	json_object_set_new(o, "n_effective", real(p->n_effective));
	json_object_set_new(o, "brake_current_A", real(p->brake_A));
	json_object_set_new(o, "brake_degC", real(p->brake_degC));
	json_object_set_new(o, "case_degC", real(p->case_degC));
	json_object_set_new(o, "winding_degC", real(p->winding_degC));
	json_object_set_new(o, "ambient_degC", real(p->ambient_degC));
	json_object_set_new(o, "drive_rotor_rpm", real(p->rotor_rpm));
	json_object_set_new(o, "drive_current_A", real(p->drive_A));
	json_object_set_new(o, "setpoint_Nm", real(p->setpoint_Nm));
	json_object_set_new(o, "setpoint_A", real(p->setpoint_A));
	json_object_set_new(o, "setpoint_rpm", real(p->setpoint_rpm));
	if (p->run_id != 0)
		json_object_set_new(o, "run", json_integer(p->run_id));
	json_object_set_new(o, "note", json_string(p->note));
	return o;
}

/* The points alone, for a command with a document of its own. */
static json_t *curve_points_json(const struct curve *curve)
{
	json_t *points = json_array();

	for (size_t i = 0; i < curve->n; i++)
		json_array_append_new(points, point_json(curve, &curve->points[i]));
	return points;
}

static json_t *id_or_null(int64_t id)
{
	return id != 0 ? json_integer(id) : json_null();
}

static json_t *zero_json(const struct curve_zero *z)
{
	json_t *o = json_object();

	json_object_set_new(o, "readings", json_integer((json_int_t)z->n));
	json_object_set_new(o, "turned_both_ways", json_boolean(z->turned));
	json_object_set_new(o, "moved_Nm", number_json(z->moved_Nm, z->u_moved_Nm, NAN));
	json_object_set_new(o, "doubtful", json_boolean(z->doubted));
	json_object_set_new(o, "locked_in_limit_Nm", real(z->locked_Nm));
	json_object_set_new(o, "fading_limit_Nm", real(z->faded_Nm));
	json_object_set_new(o, "note", json_string(z->note));
	return o;
}

static json_t *limits_json(const struct curve *curve)
{
	json_t *list = json_array();

	for (size_t i = 0; i < curve->n_limits; i++) {
		const struct curve_limit *l = &curve->limits[i];
		json_array_append_new(list, json_pack("{s:o, s:o, s:o, s:s, s:b, s:s, s:s}", "speed_set_rpm",
						      real(l->found.rpm), "held", real(l->found.held), "failed",
						      real(l->found.failed), "unit", l->torque ? "N\u00b7m" : "A",
						      "found", isfinite(l->found.failed), "limit", limit_word(l->limit),
						      "text", l->text));
	}
	return list;
}

json_t *curve_to_json(const struct curve *curve)
{
	json_t *doc = json_object(), *remarks = json_array();

	json_object_set_new(doc, "run", id_or_null(curve->run_id));
	json_object_set_new(doc, "calibration_id", id_or_null(curve->calibration_id));
	json_object_set_new(doc, "map_id", id_or_null(curve->map_id));
	json_object_set_new(doc, "coverage", real(curve->coverage));
	json_object_set_new(doc, "torque_at",
			    curve->run_id == 0 ? json_null()
					       : json_string(curve->at_flange ? "output flange" : "brake"));
	json_object_set_new(doc, "end_limit", json_string(limit_word(curve->end_limit)));
	json_object_set_new(doc, "end_note", json_string(curve->end_note));
	json_object_set_new(doc, "limits_found", limits_json(curve));
	for (size_t i = 0; i < curve->n_remarks; i++)
		json_array_append_new(remarks, json_string(curve->remarks[i]));
	json_object_set_new(doc, "remarks", remarks);
	if (curve->zero.n > 0)
		json_object_set_new(doc, "zero", zero_json(&curve->zero));
	json_object_set_new(doc, "points", curve_points_json(curve));
	return doc;
}
