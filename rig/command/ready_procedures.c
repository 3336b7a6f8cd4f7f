/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/ready_procedures.h"

#include "command/hold_live.h"
#include "command/obey_live.h"
#include "command/obey_response_live.h"
#include "command/play_live.h"
#include "command/ripple_live.h"
#include "command/tame_live.h"

#include <stdio.h>

#define WORDS 200

static const struct {
	const char *name;
	enum rc (*would)(const struct live *live, struct err *err);
} procedure[] = { { "hold", hold_would },     { "play", play_would },
		  { "obey", obey_would },     { "obey --response", obey_response_would },
		  { "ripple", ripple_would }, { "tame", tame_would } };

json_t *ready_procedures(const struct live *live)
{
	json_t *list = json_array();

	for (size_t i = 0; i < sizeof procedure / sizeof procedure[0]; i++) {
		struct err err = { 0 };
		bool possible = procedure[i].would(live, &err) == RC_OK;
		json_array_append_new(list,
				      json_pack("{s:s, s:b, s:o}", "procedure", procedure[i].name, "possible", possible,
						"message", possible ? json_null() : cli_text(err.what)));
	}
	return list;
}

void ready_procedures_print(const json_t *list)
{
	char can[WORDS] = "";
	const json_t *one;
	size_t i, used = 0;

	json_array_foreach(list, i, one)
	{
		if (json_is_true(json_object_get(one, "possible")) && used < sizeof can)
			used += (size_t)snprintf(can + used, sizeof can - used, "%s%s", used ? ", " : "",
						 json_string_value(json_object_get(one, "procedure")));
	}
	if (used > 0)
		live_say("Procedures that this rig can do too: %s.", can);
	json_array_foreach(list, i, one)
	{
		if (!json_is_true(json_object_get(one, "possible")))
			live_say("Not %s: %s.", json_string_value(json_object_get(one, "procedure")),
				 json_string_value(json_object_get(one, "message")));
	}
}
