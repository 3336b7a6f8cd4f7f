/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/related.h"

#include <stdio.h>
#include <string.h>

static const struct {
	const char *kind, *words;
} kinds[] = {
	{ "hold", "hold: continuous torque and holding times" }, { "play", "play: lost motion and stiffness" },
	{ "obey", "obey: commanded against measured torque" },   { "response", "obey: response to small fast steps" },
	{ "ripple", "ripple: torque by shaft order" },           { "tame", "tame: inertia, margins and gains" },
};

const char *related_words(const char *kind)
{
	for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
		if (strcmp(kinds[i].kind, kind) == 0)
			return kinds[i].words;
	return "";
}

struct search {
	struct logbook *lb;
	const char *actuator;
	bool on_bench;
	size_t first; /* of this kind in the list */
	struct related *to;
};

/* Records come the oldest first: each goes before the others of its kind, and the oldest falls out. */
static bool take(void *ctx, const struct record_info *record)
{
	struct search *s = ctx;
	struct related *to = s->to;
	struct run_info run;

	if (!record->run_id || logbook_run_info(s->lb, record->run_id, &run, NULL) != RC_OK ||
	    run.on_bench != s->on_bench || strcmp(run.actuator, s->actuator) != 0)
		return true;
	if (to->n > s->first && to->result[s->first].run_id == run.id)
		return true; /* a second record of the same run */
	if (s->first == RELATED_MAX) {
		to->n_older++;
		return true;
	}
	if (to->n == RELATED_MAX) {
		to->n--;
		to->n_older++;
	}
	memmove(&to->result[s->first + 1], &to->result[s->first], (to->n - s->first) * sizeof to->result[0]);
	to->result[s->first] = (struct related_result){ .run_id = run.id, .wall_ns = run.wall_ns };
	snprintf(to->result[s->first].kind, sizeof to->result[0].kind, "%s", record->kind);
	to->n++;
	return true;
}

enum rc related_of(struct logbook *lb, const char *actuator, bool on_bench, struct related *ret, struct err *err)
{
	struct search s = { .lb = lb, .actuator = actuator, .on_bench = on_bench, .to = ret };
	enum rc rc = RC_OK;

	*ret = (struct related){ 0 };
	for (size_t i = 0; i < sizeof kinds / sizeof kinds[0] && rc == RC_OK; i++) {
		s.first = ret->n;
		rc = logbook_each_record(lb, kinds[i].kind, RECORD_ANY, take, &s, err);
	}
	return rc;
}
