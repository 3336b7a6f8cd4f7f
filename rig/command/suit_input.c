/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/suit.h"

#include "calib/number/quantity.h"
#include "command/offline.h"
#include "channel/utf8.h"

#include <ini.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ARM_ROWS 4001

void suit_duty_free(struct joint_duty *d)
{
	free(d->time_s);
	free(d->speed_rpm);
	free(d->torque_Nm);
}

static enum rc from_table(const char *path, bool one_way, struct joint_duty *ret, struct mistakes *m, struct err *err)
{
	static const struct offline_column columns[] = {
		{ "time", "s", true, false, NULL },
		{ "torque", "N.m", true, false, NULL },
		{ "speed", "rpm", false, false, NULL },
		{ "angle", "deg", false, false, NULL },
	};
	struct offline o;
	enum rc rc = offline_read(path, columns, sizeof columns / sizeof columns[0], &o, m, err);

	if (!rc) {
		ret->n = o.n;
		ret->time_s = offline_take(&o, "time");
		ret->torque_Nm = offline_take(&o, "torque");
		ret->speed_rpm = offline_take(&o, "speed");
		double *angle = offline_column(&o, "angle");
		if (!ret->speed_rpm && angle) {
			ret->speed_rpm = calloc(o.n, sizeof(double));
			for (size_t i = 1; i < o.n && !rc; i++)
				if (!(ret->time_s[i] > ret->time_s[i - 1]))
					rc = err_set(err, RC_ARG, 0, "%s:%u: the times do not rise", path,
						     o.table.line[i]);
			if (!rc && ret->speed_rpm && o.n > 1)
				joint_speed_of_angle(ret->time_s, angle, o.n, ret->speed_rpm);
		}
		if (!rc && !ret->speed_rpm)
			rc = err_set(err, RC_ARG, 0, "%s: expected a column speed (rpm) or angle (deg)", path);
		if (!rc && ((rc = joint_duty_check(ret, err)) || (rc = joint_duty_closes(ret, angle, one_way, err))))
			err_prefix(err, "%.100s: ", path);
	}
	offline_free(&o);
	return rc;
}

static const struct {
	const char *name, *unit;
	size_t at;
	bool needed;
} keys[] = {
	{ "mass", "kg", offsetof(struct joint_arm, mass_kg), true },
	{ "centre", "m", offsetof(struct joint_arm, centre_m), true },
	{ "inertia", "kg.m2", offsetof(struct joint_arm, inertia_kgm2), false },
	{ "payload", "kg", offsetof(struct joint_arm, payload_kg), false },
	{ "reach", "m", offsetof(struct joint_arm, reach_m), false },
	{ "friction", "N.m", offsetof(struct joint_arm, friction_Nm), false },
	{ "gravity", "m/s2", offsetof(struct joint_arm, gravity_m_s2), false },
	{ "tilt", "deg", offsetof(struct joint_arm, tilt_deg), false },
	{ "from", "deg", offsetof(struct joint_arm, from_deg), true },
	{ "to", "deg", offsetof(struct joint_arm, to_deg), true },
	{ "speed", "rpm", offsetof(struct joint_arm, speed_rpm), true },
	{ "acceleration", "rad/s2", offsetof(struct joint_arm, acceleration_rad_s2), true },
	{ "jerk", "rad/s3", offsetof(struct joint_arm, jerk_rad_s3), true },
	{ "pause", "s", offsetof(struct joint_arm, pause_s), false },
};
#define KEYS (sizeof keys / sizeof keys[0])

struct arm_reader {
	const char *path;
	struct joint_arm arm;
	bool seen[KEYS];
	struct err *err;
	enum rc rc;
};

static int take_key(void *ctx, const char *section, const char *name, const char *value)
{
	struct arm_reader *r = ctx;
	struct quantity q;

	(void)section;
	if (r->rc)
		return 0; /* the first mistake is told: the parser goes on after it */
	for (size_t i = 0; i < KEYS; i++) {
		if (strcmp(name, keys[i].name) != 0)
			continue;
		if (r->seen[i]) {
			r->rc = err_set(r->err, RC_ARG, 0, "%.100s: %s is given twice", r->path, name);
			return 0;
		}
		if ((r->rc = quantity_parse(value, keys[i].unit, &q, r->err)))
			err_prefix(r->err, "%.100s: %s: ", r->path, name);
		else if (q.u > 0)
			r->rc = err_set(r->err, RC_ARG, 0,
					"%.100s: %s: the duty is taken as exact; leave the uncertainty out", r->path,
					name);
		else
			memcpy((char *)&r->arm + keys[i].at, &q.value, sizeof q.value);
		r->seen[i] = true;
		return !r->rc;
	}
	r->rc = err_set(r->err, RC_ARG, 0,
			"%.100s: no key \"%.40s\"; there are mass, centre, payload, from, to, speed, ...", r->path,
			name);
	return 0;
}

static enum rc read_arm(struct arm_reader *r, struct err *err)
{
	const char *path = r->path;
	int at = ini_parse(path, take_key, r);

	if (r->rc)
		return r->rc;
	if (at < 0)
		return err_set(err, RC_ARG, 0, "%s: cannot be opened", path);
	if (at > 0)
		return err_set(err, RC_ARG, 0, "%s:%d: expected \"key = value\"", path, at);
	for (size_t i = 0; i < KEYS; i++)
		if (keys[i].needed && !r->seen[i])
			return err_set(err, RC_ARG, 0, "%s: %s (%s) is missing", path, keys[i].name, keys[i].unit);
	return RC_OK;
}

enum rc suit_arm_text(const char *path, char *buf, size_t size, struct err *err)
{
	struct arm_reader r = { .path = path, .err = err };
	enum rc rc = read_arm(&r, err);
	size_t used = 0;

	buf[0] = '\0';
	for (size_t i = 0; !rc && i < KEYS; i++) {
		double value;
		memcpy(&value, (char *)&r.arm + keys[i].at, sizeof value);
		if (r.seen[i] && used < size)
			used += (size_t)snprintf(buf + used, size - used, "%s%s %.6g %s", used ? ", " : "",
						 keys[i].name, value, keys[i].unit);
	}
	return rc;
}

static enum rc from_description(const char *path, struct joint_duty *ret, struct err *err)
{
	struct arm_reader r = { .path = path, .arm = { .gravity_m_s2 = 9.80665 }, .err = err };
	enum rc rc = read_arm(&r, err);

	if (rc)
		return rc;
	if (!r.seen[2]) /* as a point at its centre */
		r.arm.inertia_kgm2 = r.arm.mass_kg * r.arm.centre_m * r.arm.centre_m;
	ret->n = ARM_ROWS;
	ret->time_s = calloc(ARM_ROWS, sizeof(double));
	ret->speed_rpm = calloc(ARM_ROWS, sizeof(double));
	ret->torque_Nm = calloc(ARM_ROWS, sizeof(double));
	if (!ret->time_s || !ret->speed_rpm || !ret->torque_Nm)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	rc = joint_arm_duty(&r.arm, ret, err);
	if (rc)
		err_prefix(err, "%.100s: ", path);
	return rc;
}

/* Each number by itself is one, and what comes of them together may be too large. */
static enum rc check_numbers(const struct joint_duty *d, const char *path, struct err *err)
{
	for (size_t i = 0; i < d->n; i++)
		if (!isfinite(d->time_s[i]) || !isfinite(d->speed_rpm[i]) || !isfinite(d->torque_Nm[i]))
			return err_set(err, RC_ARG, 0,
				       "%.100s: row %zu of the cycle has a speed or torque that is too large to "
				       "calculate with; check the units",
				       path, i + 1);
	return RC_OK;
}

enum rc suit_duty(const struct suit_wanted *w, struct joint_duty *ret, struct mistakes *m, struct err *err)
{
	enum rc rc;

	if (!w->from == !w->arm)
		return err_set(err, RC_ARG, 0, "give the duty once: --from FILE.csv or --arm FILE.ini");
	rc = w->from ? from_table(w->from, w->one_way, ret, m, err) : from_description(w->arm, ret, err);
	if (rc)
		return rc;
	joint_add_inertia(ret, w->inertia_kgm2 * w->ratio_1 * w->ratio_1);
	return check_numbers(ret, w->from ? w->from : w->arm, err);
}

static double number_of(const json_t *o, const char *key, const char *inner)
{
	const json_t *v = json_object_get(o, key);

	if (inner && json_is_object(v))
		v = json_object_get(v, inner);
	return json_is_number(v) ? json_number_value(v) : NAN;
}

/* value and u of {"value", "u"}; u 0 when not told. */
static double pair_of(const json_t *o, const char *key, double *ret_u)
{
	double u = number_of(o, key, "u");

	*ret_u = isfinite(u) && json_is_object(json_object_get(o, key)) ? u : 0;
	return number_of(o, key, "value");
}

/* A terminal obeys what a file may hold. */
static void take_text(const json_t *doc, const char *key, char *ret, size_t size)
{
	const json_t *text = json_object_get(doc, key);

	if (json_is_string(text))
		utf8_clean(json_string_value(text), ret, size);
}

void suit_run_of(const json_t *doc, struct suit_run *ret)
{
	double run = number_of(doc, "run_id", NULL);

	*ret = (struct suit_run){ .id = "" };
	if (run > 0)
		snprintf(ret->id, sizeof ret->id, "run %.0f", run);
	take_text(doc, "report_id", ret->id, sizeof ret->id);
	take_text(doc, "digest", ret->digest, sizeof ret->digest);
	take_text(doc, "actuator", ret->actuator, sizeof ret->actuator);
	ret->on_bench = json_is_true(json_object_get(doc, "virtual_bench"));
}

enum rc suit_thermal_of(const json_t *doc, const char *path, struct suit_thermal *ret, struct err *err)
{
	const json_t *model = json_object_get(doc, "model"), *loss = json_object_get(doc, "loss");
	const json_t *store[2] = { json_object_get(model, "winding"), json_object_get(model, "case") };
	const json_t *unit = json_object_get(loss, "unit");

	ret->watts = json_is_string(unit) && strcmp(json_string_value(unit), "W") == 0;
	ret->model.two = store[0] && store[1];
	if (!store[0])
		store[0] = store[1];
	for (int k = 0; k < (ret->model.two ? 2 : 1); k++) {
		ret->model.tau_s[k] = pair_of(store[k], "tau_s", &ret->u_tau_s[k]);
		ret->model.resistance_K_per_W[k] =
			ret->watts ? pair_of(store[k], "resistance_K_per_W", &ret->u_resistance[k])
			: k        ? number_of(doc, "case_share", NULL)
				   : 1;
	}
	/* Watts that are off by a share make the resistances off by the same the other way: no temperature changes. */
	double rel = number_of(loss, "u_relative", NULL);
	ret->u_loss_1 = rel > 0 ? rel : 0;
	double torque = number_of(loss, "torque_u_relative", NULL);
	ret->u_torque_1 = torque > 0 ? torque : 0;
	ret->most_Nm = number_of(loss, "to_Nm", NULL);
	suit_run_of(doc, &ret->run);
	ret->case_only = !json_object_get(model, "winding");
	for (int k = 0; k < 2; k++)
		ret->u_resistance[k] = sqrt(fmax(0, pow(ret->u_resistance[k], 2) -
							    pow(ret->u_loss_1 * ret->model.resistance_K_per_W[k], 2)));
	ret->loss = (struct thermal_loss){ number_of(loss, "fixed", NULL), number_of(loss, "per_Nm2", NULL),
					   number_of(loss, "per_K", NULL), number_of(loss, "at_degC", NULL) };
	ret->continuous_Nm = pair_of(doc, "continuous_torque_Nm", &ret->u_continuous_Nm);
	ret->continuous_dof = number_of(doc, "continuous_torque_Nm", "dof");
	ret->limit_degC = number_of(doc, "limit", NULL);
	ret->ambient_degC = number_of(doc, "ambient_degC", NULL);
	ret->known = true;
	if (!(ret->model.tau_s[0] > 0) || !isfinite(ret->loss.per_Nm2_W) ||
	    !isfinite(ret->model.resistance_K_per_W[0]) ||
	    (ret->model.two && !(ret->model.resistance_K_per_W[1] > 0 && ret->model.tau_s[1] > 0)))
		return err_set(err, RC_ARG, 0,
			       "%s: no thermal model with a torque in it; expected the output of bridle hold --json",
			       path);
	return RC_OK;
}

enum rc suit_thermal(const char *path, struct suit_thermal *ret, struct err *err)
{
	json_error_t at;
	json_t *doc = json_load_file(path, 0, &at);
	enum rc rc = doc ? suit_thermal_of(doc, path, ret, err)
			 : err_set(err, RC_ARG, 0, "%s: %s; expected the output of bridle hold --json", path, at.text);

	json_decref(doc);
	return rc;
}
