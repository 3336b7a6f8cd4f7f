/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/accepted.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SAME 0.1

enum rc accepted_add(struct logbook *lb, int64_t run_id, int64_t wall_ns, const char *word, double found,
		     double expected, const char *reason, const char *sentence, struct err *err)
{
	int64_t id;
	json_t *doc = json_pack("{s:s, s:f, s:f, s:s%, s:s%}", "check", word, "found", found, "expected", expected,
				"reason", reason, strlen(reason), "message", sentence, strlen(sentence));
	char *json = doc ? json_dumps(doc, JSON_REAL_PRECISION(17) | JSON_COMPACT) : NULL;
	enum rc rc = json ? logbook_record(lb, run_id, wall_ns, "accepted", json, &id, err)
			  : err_set(err, RC_ARG, 0, "the reason is no text that can be kept; write it in UTF-8");

	free(json);
	json_decref(doc);
	return rc;
}

struct search {
	const char *word;
	double found, expected;
	char *reason;
	size_t size;
};

static bool same(const json_t *number, double value)
{
	return fabs(json_number_value(number) - value) <= SAME * fabs(value);
}

static bool look(void *ctx, const struct record_info *record)
{
	struct search *s = ctx;
	json_t *doc = json_loads(record->json, 0, NULL);
	const char *word = json_string_value(json_object_get(doc, "check")),
		   *reason = json_string_value(json_object_get(doc, "reason"));

	if (word && reason && strcmp(word, s->word) == 0 && same(json_object_get(doc, "found"), s->found) &&
	    same(json_object_get(doc, "expected"), s->expected))
		snprintf(s->reason, s->size, "%s", reason);
	json_decref(doc);
	return true;
}

enum rc accepted_find(struct logbook *lb, const char *word, double found, double expected, char *ret_reason,
		      size_t size, struct err *err)
{
	struct search s = { word, found, expected, ret_reason, size };

	*ret_reason = '\0';
	return lb ? logbook_each_record(lb, "accepted", RECORD_ANY, look, &s, err) : RC_OK;
}
