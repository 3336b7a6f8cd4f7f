/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/live_procedure.h"

#include "command/cell_u.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FILTER_S 0.3 /* most that an indicator's own filter may take (docs/indicator.md) */

void live_procedure_part(struct live_procedure *p, const char *key, const char *source, double u)
{
	if (!isfinite(u) || !(fabs(u) > 0))
		return;
	if (!p->budget)
		p->budget = json_object();
	json_t *list = json_object_get(p->budget, key);
	if (!list) {
		list = json_array();
		json_object_set_new(p->budget, key, list);
	}
	json_array_append_new(list, json_pack("{s:s, s:f}", "source", source, "u", u));
}

double live_procedure_cell(struct live_procedure *p, const char *key, double torque_Nm, double factor)
{
	struct cell_parts parts;

	cell_parts_at(&p->s.calibration, torque_Nm, &parts);
	for (size_t i = 0; i < parts.n; i++)
		live_procedure_part(p, key, parts.part[i].name, factor * parts.part[i].u_Nm);
	return fabs(factor) * cell_u_Nm(&p->s.calibration, torque_Nm);
}

double live_procedure_filter_s(const struct live_procedure *p)
{
	for (size_t i = 0; i < p->s.rig.n_instruments; i++)
		if (p->s.rig.instrument[i].roles & ROLE_CELL)
			return FILTER_S;
	return 0;
}

static json_t *at_path(json_t *o, const char *path)
{
	while (o && *path) {
		char name[64];
		size_t n = strcspn(path, ".");
		snprintf(name, sizeof name, "%.*s", (int)n, path);
		o = json_is_array(o) ? json_array_get(o, strtoul(name, NULL, 10)) : json_object_get(o, name);
		path += n + (path[n] == '.');
	}
	return o;
}

void live_procedure_put_budget(const struct live_procedure *p, json_t *doc)
{
	const char *key;
	json_t *list;

	json_object_foreach(p->budget, key, list)
	{
		json_t *number = at_path(doc, key);
		if (json_is_object(number))
			json_object_set(number, "budget", list);
	}
}
