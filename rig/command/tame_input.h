/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What `tame` is given: a file of typed values and what `play --json` wrote. */
#ifndef BRIDLE_COMMAND_TAME_INPUT_H
#define BRIDLE_COMMAND_TAME_INPUT_H

#include "calib/number/err.h"
#include "calib/tame/tame_identify.h"
#include "calib/tame/tame_spread.h"

#include <jansson.h>
#include <stdbool.h>

struct tame_typed {
	struct tame_loop loop;
	struct tame_inputs inputs;  /* those with an uncertainty */
	double ratio, k_t_Nm_per_A; /* rotor turns for one of the output, 1 unless typed; NaN: not typed */
	bool by_record;             /* at least one value is the record's */
	bool damping_assumed;       /* TAME_DAMPING_ASSUMED of the critical one */
};
#define TAME_DAMPING_ASSUMED 0.02 /* common practice, no source: steel gears have 1 to 5 % */

/* Reads "key = value" lines. What was not typed is filled by id (a record's; NULL: none), then by
 * play (a document of `play --json`; NULL: none). RC_ARG with file, key, what was found and what is expected. */
enum rc tame_read(const char *path, const struct tame_identified *id, const char *play, struct tame_typed *ret,
		  struct err *err) MUST_CHECK;
/* The same of a text; name: for the messages. play: the document itself, NULL none. */
enum rc tame_read_text(const char *name, const char *text, const struct tame_identified *id, const json_t *play,
		       struct tame_typed *ret, struct err *err) MUST_CHECK;

/* All keys with units and meaning: a line each, or {"keys": [{"key", "unit", "meaning"}]}. */
void tame_keys_print(void);
json_t *tame_keys_json(void);

#endif
