/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/tame_known.h"

#include <math.h>
#include <string.h>

/* A loss that obey did not tell: rectangle from 0 to 20 %. Common practice, no source. */
#define LOSS 0.1
#define LOSS_HALF 0.1

struct search {
	const char *actuator;
	struct tame_known *to;
};

static double number_of(const json_t *doc, const char *key, double *ret_u)
{
	const json_t *o = json_object_get(doc, key), *value = json_object_get(o, "value"), *u = json_object_get(o, "u");

	*ret_u = json_is_number(u) ? json_number_value(u) : NAN;
	return json_is_number(value) ? json_number_value(value) : NAN;
}

static bool is_of(const json_t *doc, const char *actuator)
{
	const char *name = json_string_value(json_object_get(doc, "actuator"));

	return name && strcmp(name, actuator) == 0;
}

/* Friction at rest is up to so many times the running one: a gear that stood shows more of it. Common practice, no
 * source. */
#define AT_REST 1.3

/* At a locked shaft rising commands give gain/(1 + loss), falling ones gain/(1 - loss): their mean slope is
 * gain/(1 - loss^2), and what they lie apart grows by 2 gain loss/(1 - loss^2). The loss lies between that of a gear
 * that stood and that of one that runs (rectangle). A response that is not straight gives another gain to small
 * torques: its largest deviation at half of the largest, as a rectangle. */
static void take_obey(const json_t *doc, struct tame_known *k)
{
	double u_slope, u_growth, slope = number_of(doc, "gain", &u_slope);
	double growth = number_of(doc, "hysteresis_growth", &u_growth);
	double off_Nm = json_number_value(json_object_get(doc, "linearity_Nm"));
	double half_Nm = json_number_value(json_object_get(doc, "torque_Nm")) / 2;
	double at_rest = growth / (2 * slope), least = at_rest / AT_REST;

	k->loss = (at_rest + least) / 2;
	k->u_loss = hypot(u_growth / (2 * slope), (at_rest - least) / sqrt(12));
	if (!(k->loss >= 0 && k->loss < 1 && isfinite(k->u_loss))) {
		k->loss = LOSS;
		k->u_loss = LOSS_HALF / sqrt(3);
	}
	k->gain = slope * (1 - k->loss * k->loss);
	k->u_straight = half_Nm > 0 ? off_Nm / half_Nm / sqrt(3) : 0;
	k->u_by_loss = 2 * slope * k->loss * k->u_loss;
	k->u_gain = hypot(hypot(u_slope, k->u_straight), k->u_by_loss);
	double dof = json_number_value(json_object_get(json_object_get(doc, "gain"), "dof"));
	k->dof = dof > 0 ? dof * pow(k->u_gain / u_slope, 4) : INFINITY;
}

static bool look_obey(void *ctx, const struct record_info *record)
{
	struct search *s = ctx;
	json_t *doc = json_loads(record->json, 0, NULL);

	if (is_of(doc, s->actuator)) {
		take_obey(doc, s->to);
		s->to->obey_run = record->run_id;
	}
	json_decref(doc);
	return true;
}

static json_t *of_play(const json_t *doc)
{
	static const char *const keys[] = { "lost_motion_arcmin", "stiffness_Nm_per_arcmin",
					    "stiffness_near_zero_Nm_per_arcmin", "rated_Nm",
					    "rig_stiffness_Nm_per_rad" };
	json_t *ret = json_object();

	for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
		json_object_set(ret, keys[i], json_object_get(doc, keys[i]));
	return ret;
}

static bool look_play(void *ctx, const struct record_info *record)
{
	struct search *s = ctx;
	json_t *doc = json_loads(record->json, 0, NULL);

	if (is_of(doc, s->actuator)) {
		json_decref(s->to->play);
		s->to->play = of_play(doc);
		s->to->play_run = record->run_id;
	}
	json_decref(doc);
	return true;
}

enum rc tame_known_find(struct session *s, struct tame_known *ret, struct err *err)
{
	struct search search = { s->actuator.name, ret };

	*ret = (struct tame_known){
		.gain = NAN, .u_gain = NAN, .dof = INFINITY, .loss = LOSS, .u_loss = LOSS_HALF / sqrt(3)
	};
	enum rc rc = logbook_each_record(s->logbook, "obey", session_place(s), look_obey, &search, err);
	return rc == RC_OK ? logbook_each_record(s->logbook, "play", session_place(s), look_play, &search, err) : rc;
}

void tame_known_clear(struct tame_known *k)
{
	json_decref(k->play);
	k->play = NULL;
}
