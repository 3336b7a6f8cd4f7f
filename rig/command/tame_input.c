/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/tame_input.h"

#include "calib/number/quantity.h"
#include "calib/play/play.h"
#include "profile/textfile.h"

#include <ini.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define AT(field) offsetof(struct tame_loop, field)
#define NOT_OF_LOOP ((size_t)-1)

/* side: what a value of the rotor is brought to the output by: the ratio to that power. */
static const struct key {
	const char *name, *unit, *or_unit;
	size_t at;
	int side;
	bool needed, positive;
	const char *meaning;
} keys[] = {
	{ "rotor_inertia", "kg.m2", NULL, AT(joint.rotor_kgm2), 2, true, true, "of the rotor itself" },
	{ "ratio", "1", NULL, NOT_OF_LOOP, 0, false, true, "rotor turns for one of the output; 1" },
	{ "arm_inertia", "kg.m2", NULL, AT(joint.arm_kgm2), 0, false, false,
	  "of arm and payload about the axis; 0: none" },
	{ "stiffness", "N.m/rad", NULL, AT(joint.stiffness_Nm_per_rad), 0, false, true, "of the gear, at the output" },
	{ "damping", "N.m.s/rad", NULL, AT(joint.damping_Nms), 0, false, false,
	  "of that spring; 2 % of the critical one" },
	{ "play", "rad", NULL, AT(joint.play_rad), 0, false, false, "whole width, at the output; 0" },
	{ "rotor_viscous", "N.m.s/rad", NULL, AT(joint.rotor_viscous_Nms), 0, false, false,
	  "friction of motor and gear, at the output; 0" },
	{ "rotor_friction", "N.m", NULL, AT(joint.rotor_dry_Nm), 0, false, false, "dry friction of the same; 0" },
	{ "arm_viscous", "N.m.s/rad", NULL, AT(joint.arm_viscous_Nms), 0, false, false, "of the arm's bearing; 0" },
	{ "arm_friction", "N.m", NULL, AT(joint.arm_dry_Nm), 0, false, false, "dry friction of the same; 0" },
	{ "torque_constant", "N.m/A", NULL, NOT_OF_LOOP, 0, false, true, "of the rotor, where gains are in ampere" },
	{ "speed_gain", "N.m.s/rad", "A.s/rad", AT(drive.gains.speed_Nms), 2, true, false,
	  "of the drive: for 1 rad/s of the rotor" },
	{ "speed_integral", "N.m/rad", "A/rad", AT(drive.gains.integral_Nm_per_rad), 2, false, false,
	  "of the drive: in a second for 1 rad/s of the rotor; 0" },
	{ "position_gain", "s-1", NULL, AT(drive.gains.position_per_s), 0, false, false,
	  "speed for each angle; 0: a speed loop alone" },
	{ "torque_gain", "1", NULL, AT(drive.torque_scale), 0, false, true,
	  "torque that comes for one commanded, as obey tells; 1" },
	{ "torque_bandwidth", "Hz", NULL, AT(drive.torque_lag_s), 0, false, true, "of the torque loop; no limit" },
	{ "delay", "s", NULL, AT(drive.delay_s), 0, false, false, "of computing, sampling and sensor in all; 0" },
	{ "torque_limit", "N.m", NULL, AT(drive.limit_Nm), 0, false, true, "of the drive, at the output; none" },
};
#define KEYS (sizeof keys / sizeof keys[0])
enum {
	K_ROTOR = 0,
	K_RATIO = 1,
	K_ARM = 2,
	K_STIFFNESS = 3,
	K_DAMPING = 4,
	K_PLAY = 5,
	K_VISCOUS = 6,
	K_DRY = 7,
	K_CONSTANT = 10
};

struct reader {
	const char *path;
	struct quantity q[KEYS];
	bool seen[KEYS], in_ampere[KEYS];
	const double *root[KEYS]; /* of the record's covariance, at the output; NULL: not of a record */
	bool speed_at_arm, position_at_arm;
	struct err *err;
	enum rc rc;
};

static int take_side(struct reader *r, const char *name, const char *value, bool *ret)
{
	*ret = strcmp(value, "arm") == 0;
	if (!*ret && strcmp(value, "rotor") != 0)
		r->rc = err_set(r->err, RC_ARG, 0, "%.100s: %s: found \"%.40s\", expected rotor or arm", r->path, name,
				value);
	return !r->rc;
}

static int take_number(struct reader *r, size_t i, const char *value)
{
	struct quantity *q = &r->q[i];
	struct err second;

	if (r->seen[i])
		r->rc = err_set(r->err, RC_ARG, 0, "is given twice");
	else if ((r->rc = quantity_parse(value, keys[i].unit, q, r->err)) && keys[i].or_unit &&
		 quantity_parse(value, keys[i].or_unit, q, &second) == RC_OK) {
		r->in_ampere[i] = true;
		r->rc = RC_OK;
	}
	if (!r->rc && !(keys[i].positive ? q->value > 0 : q->value >= 0))
		r->rc = err_set(r->err, RC_ARG, 0, "found %g %s, expected %s", q->value, keys[i].unit,
				keys[i].positive ? "more than 0" : "0 or more");
	if (r->rc)
		err_prefix(r->err, "%.100s: %s: ", r->path, keys[i].name);
	r->seen[i] = true;
	return !r->rc;
}

static int take_key(void *ctx, const char *section, const char *name, const char *value)
{
	struct reader *r = ctx;

	(void)section;
	if (r->rc) /* the first mistake is told */
		return 0;
	if (strcmp(name, "speed_sensor") == 0)
		return take_side(r, name, value, &r->speed_at_arm);
	if (strcmp(name, "position_sensor") == 0)
		return take_side(r, name, value, &r->position_at_arm);
	for (size_t i = 0; i < KEYS; i++)
		if (strcmp(name, keys[i].name) == 0)
			return take_number(r, i, value);
	r->rc = err_set(r->err, RC_ARG, 0, "%.100s: no key \"%.40s\"; bridle tame --keys lists them", r->path, name);
	return 0;
}

static void fill(struct reader *r, size_t i, double value, double u)
{
	if (r->seen[i] || !(value >= 0))
		return;
	r->q[i] = (struct quantity){ .value = value, .u = u > 0 ? u : 0, .dof = INFINITY, .dist = DIST_NORMAL };
	r->seen[i] = true;
}

static double told(const json_t *doc, const char *key, double *ret_u)
{
	const json_t *o = json_object_get(doc, key), *u = json_object_get(o, "u"), *v = json_object_get(o, "value");

	*ret_u = json_is_number(u) ? json_number_value(u) : 0;
	return json_is_number(v) ? json_number_value(v) : NAN;
}

/* Lost motion has the twist at 3 % of rated in it, both ways. */
static void fill_play(struct reader *r, const json_t *doc)
{
	double u, u_stiff, u_zero, stiff = told(doc, "stiffness_Nm_per_arcmin", &u_stiff);
	double near_zero = told(doc, "stiffness_near_zero_Nm_per_arcmin", &u_zero);
	double lost = told(doc, "lost_motion_arcmin", &u), rated = json_number_value(json_object_get(doc, "rated_Nm"));

	if (isfinite(lost)) {
		double twist = 2 * PLAY_LOST_SHARE * rated / (near_zero > 0 ? near_zero : stiff);
		fill(r, K_PLAY, fmax(0, lost - twist) / PLAY_ARCMIN_PER_RAD, u / PLAY_ARCMIN_PER_RAD);
	} else {
		double lever = told(doc, "lever_play_arcmin", &u);
		fill(r, K_PLAY, lever / PLAY_ARCMIN_PER_RAD, u / PLAY_ARCMIN_PER_RAD);
	}
	fill(r, K_STIFFNESS, stiff * PLAY_ARCMIN_PER_RAD, u_stiff * PLAY_ARCMIN_PER_RAD);
	double coulomb = told(doc, "coulomb_Nm", &u);
	fill(r, K_DRY, coulomb, u);
	double viscous = told(doc, "viscous_Nm_per_rpm", &u);
	fill(r, K_VISCOUS, viscous * 30 / M_PI, u * 30 / M_PI);
}

/* The record tells what is at the output, the file's rotor is the rotor's own. The uncertainty goes by root. */
static void fill_record(struct reader *r, const struct tame_identified *id)
{
	double ratio = r->seen[K_RATIO] ? r->q[K_RATIO].value : 1;
	const struct {
		size_t key;
		int of;
		double value;
	} from[] = {
		{ K_ROTOR, TAME_ROTOR, id->rotor_kgm2.value / (ratio * ratio) },
		{ K_ARM, TAME_ARM, id->arm_kgm2.value },
		{ K_STIFFNESS, TAME_STIFFNESS, id->stiffness_Nm_per_rad.value },
		{ K_DAMPING, TAME_DAMPING, id->damping_Nms.value },
		{ K_VISCOUS, TAME_VISCOUS, id->viscous_Nms.value },
	};

	for (size_t i = 0; i < sizeof from / sizeof from[0]; i++) {
		bool typed = r->seen[from[i].key];
		fill(r, from[i].key, from[i].value, 0);
		if (!typed && r->seen[from[i].key])
			r->root[from[i].key] = id->root[from[i].of];
	}
}

static enum rc read_play(const char *path, json_t **ret, struct err *err)
{
	json_error_t at;
	json_t *doc = path ? json_load_file(path, 0, &at) : NULL;

	*ret = doc;
	if (!path || (doc && json_object_get(doc, "lost_motion_arcmin")))
		return RC_OK;
	return err_set(err, RC_ARG, 0, "%s: %s; expected the output of bridle play --json", path,
		       doc ? "no lost_motion_arcmin" : at.text);
}

static enum rc check(struct reader *r)
{
	for (size_t i = 0; i < KEYS; i++) {
		if (keys[i].needed && !r->seen[i])
			return err_set(r->err, RC_ARG, 0, "%s: %s (%s, %s) is missing", r->path, keys[i].name,
				       keys[i].unit, keys[i].meaning);
		if (r->in_ampere[i] && !r->seen[K_CONSTANT])
			return err_set(r->err, RC_ARG, 0,
				       "%s: %s is in ampere, so torque_constant (N.m/A, of the rotor) is needed",
				       r->path, keys[i].name);
	}
	if (r->q[K_ARM].value > 0 && !r->seen[K_STIFFNESS])
		return err_set(r->err, RC_ARG, 0,
			       "%s: stiffness (N.m/rad) is missing; type it, or give --play with a loop that told it",
			       r->path);
	return RC_OK;
}

static void put(struct tame_typed *t, const struct tame_input *in, double value)
{
	bool uncertain = in->u > 0;

	*(double *)((char *)&t->loop + in->at) = value;
	for (size_t k = 0; k < TAME_COMMON; k++)
		uncertain = uncertain || fabs(in->by[k]) > 0;
	if (uncertain)
		t->inputs.of[t->inputs.n++] = *in;
}

/* The ratio's uncertainty is in all values of the rotor, the same in each. A record's values are at the output. */
static void put_key(const struct reader *r, size_t i, struct tame_typed *t)
{
	const struct quantity *q = &r->q[i], *ratio = &r->q[K_RATIO];
	double factor = pow(t->ratio, keys[i].side) * (r->in_ampere[i] ? t->k_t_Nm_per_A : 1);
	struct tame_input in = { .at = keys[i].at, .u = factor * q->u, .dist = q->dist };

	if (r->root[i])
		memcpy(in.by, r->root[i], TAME_TOGETHER * sizeof in.by[0]);
	else if (r->seen[K_RATIO])
		in.by[TAME_RATIO] = keys[i].side * factor * q->value * ratio->u / ratio->value;
	t->by_record = t->by_record || r->root[i];
	put(t, &in, factor * q->value);
}

static void place(const struct reader *r, struct tame_typed *t)
{
	double u_constant = 0;
	bool ampere = false;

	t->inputs.ratio = r->seen[K_RATIO] ? r->q[K_RATIO].dist : DIST_NORMAL;
	for (size_t i = 0; i < KEYS; i++) {
		const struct quantity *q = &r->q[i];
		ampere = ampere || r->in_ampere[i];
		if (!r->seen[i] || keys[i].at == NOT_OF_LOOP)
			continue;
		if (keys[i].at == AT(drive.torque_lag_s))
			put(t, &(struct tame_input){ .at = keys[i].at, .u = q->u / (2 * M_PI * q->value * q->value) },
			    1 / (2 * M_PI * q->value));
		else
			put_key(r, i, t);
	}
	if (ampere)
		u_constant = r->q[K_CONSTANT].u / t->k_t_Nm_per_A * t->loop.drive.torque_scale;
	if (u_constant > 0)
		t->inputs.of[t->inputs.n++] = (struct tame_input){ .at = AT(drive.torque_scale),
								   .u = u_constant,
								   .dist = r->q[K_CONSTANT].dist };
}

static void assume_damping(struct tame_typed *t)
{
	struct tame_joint *j = &t->loop.joint;
	double reduced_kgm2 = j->rotor_kgm2 * j->arm_kgm2 / (j->rotor_kgm2 + j->arm_kgm2);

	t->damping_assumed = j->arm_kgm2 > 0;
	j->damping_Nms =
		t->damping_assumed ? 2 * TAME_DAMPING_ASSUMED * sqrt(j->stiffness_Nm_per_rad * reduced_kgm2) : 0;
}

enum rc tame_read_text(const char *name, const char *text, const struct tame_identified *id, const json_t *play,
		       struct tame_typed *ret, struct err *err)
{
	struct reader r = { .path = name, .err = err };
	int at = ini_parse_string(text, take_key, &r);

	*ret = (struct tame_typed){ .ratio = 1, .k_t_Nm_per_A = NAN };
	ret->loop.drive.torque_scale = 1;
	ret->loop.drive.limit_Nm = INFINITY;
	if (r.rc)
		return r.rc;
	if (at != 0)
		return err_set(err, RC_ARG, 0, "%s:%d: expected \"key = value\"", name, at);
	if (id && !id->two && !r.seen[K_ROTOR])
		return err_set(err, RC_ARG, 0,
			       "%s: rotor_inertia is missing, and the record shows no resonance: it tells the whole "
			       "inertia alone. Type rotor_inertia, or excite faster and sample more often",
			       name);
	if (id)
		fill_record(&r, id);
	if (play)
		fill_play(&r, play);
	enum rc rc = check(&r);
	if (rc != RC_OK)
		return rc;
	if (r.seen[K_RATIO])
		ret->ratio = r.q[K_RATIO].value;
	if (r.seen[K_CONSTANT])
		ret->k_t_Nm_per_A = r.q[K_CONSTANT].value;
	ret->loop.drive.speed_at_arm = r.speed_at_arm;
	ret->loop.drive.position_at_arm = r.position_at_arm;
	place(&r, ret);
	if (!r.seen[K_DAMPING])
		assume_damping(ret);
	return RC_OK;
}

enum rc tame_read(const char *path, const struct tame_identified *id, const char *play, struct tame_typed *ret,
		  struct err *err)
{
	json_t *doc = NULL;
	char *text = NULL;
	enum rc rc = textfile_read(path, TEXTFILE_MAX, &text, err);

	if (rc == RC_OK)
		rc = read_play(play, &doc, err);
	if (rc == RC_OK)
		rc = tame_read_text(path, text, id, doc, ret, err);
	json_decref(doc);
	free(text);
	return rc;
}

static const char *const sides[][3] = {
	{ "speed_sensor", "rotor|arm", "where the drive's speed is measured; rotor" },
	{ "position_sensor", "rotor|arm", "where its angle is measured; rotor" },
};

void tame_keys_print(void)
{
	for (size_t i = 0; i < KEYS; i++)
		printf("%-17s %-10s %s%s\n", keys[i].name, keys[i].unit, keys[i].meaning,
		       keys[i].needed ? " (needed)" : "");
	for (size_t i = 0; i < 2; i++)
		printf("%-17s %-10s %s\n", sides[i][0], sides[i][1], sides[i][2]);
}

json_t *tame_keys_json(void)
{
	json_t *list = json_array();

	for (size_t i = 0; i < KEYS; i++)
		json_array_append_new(list, json_pack("{s:s, s:s, s:s}", "key", keys[i].name, "unit", keys[i].unit,
						      "meaning", keys[i].meaning));
	for (size_t i = 0; i < 2; i++)
		json_array_append_new(list, json_pack("{s:s, s:s, s:s}", "key", sides[i][0], "unit", sides[i][1],
						      "meaning", sides[i][2]));
	return json_pack("{s:o}", "keys", list);
}
