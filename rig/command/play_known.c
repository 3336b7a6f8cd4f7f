/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/play_known.h"

#include <math.h>
#include <string.h>

static const char *const keys[] = { "coulomb_Nm", "viscous_Nm_per_rpm", "ratio" };
#define KEYS (sizeof keys / sizeof keys[0])

struct search {
	const char *actuator;
	json_t *found;
};

static bool turned(const json_t *doc, const char *actuator)
{
	const char *name = json_string_value(json_object_get(doc, "actuator"));

	return name && strcmp(name, actuator) == 0 && json_is_object(json_object_get(doc, keys[0]));
}

static bool look(void *ctx, const struct record_info *record)
{
	struct search *s = ctx;
	json_t *doc = json_loads(record->json, 0, NULL);

	if (turned(doc, s->actuator)) {
		json_decref(s->found);
		s->found = json_pack("{s:I}", "obey_run", (json_int_t)record->run_id);
		for (size_t i = 0; i < KEYS; i++)
			json_object_set(s->found, keys[i], json_object_get(doc, keys[i]));
	}
	json_decref(doc);
	return true;
}

enum rc play_known_find(struct session *s, json_t **ret, struct err *err)
{
	struct search search = { s->actuator.name, NULL };
	enum rc rc = logbook_each_record(s->logbook, "obey", session_place(s), look, &search, err);

	*ret = search.found;
	return rc;
}

static double real_or(const json_t *o, const char *key, double none)
{
	const json_t *value = json_object_get(o, key);

	return json_is_number(value) ? json_number_value(value) : none;
}

void play_known_take(const json_t *known, struct play_found *to)
{
	struct play_number *number[KEYS] = { &to->coulomb, &to->viscous, &to->ratio };

	for (size_t i = 0; i < KEYS; i++) {
		const json_t *o = json_object_get(known, keys[i]);
		*number[i] = (struct play_number){ real_or(o, "value", NAN), real_or(o, "u", NAN),
						   real_or(o, "dof", INFINITY) };
	}
}

void play_known_put(const json_t *known, json_t *doc)
{
	json_t *run = json_object_get(known, "obey_run");

	for (size_t i = 0; i < KEYS; i++)
		if (json_object_get(known, keys[i]))
			json_object_set(doc, keys[i], json_object_get(known, keys[i]));
	json_object_set_new(doc, "obey_run", run ? json_incref(run) : json_null());
}
