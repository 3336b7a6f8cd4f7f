/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What `tame` found, for its two ways onto paper. */
#ifndef BRIDLE_COMMAND_TAME_TELL_H
#define BRIDLE_COMMAND_TAME_TELL_H

#include "calib/tame/tame_advise.h"
#include "command/tame_input.h"
#include "command/tame_record.h"

struct tame_told {
	bool recorded, reckoned; /* a record was read; a loop was reckoned */
	struct tame_identified id;
	struct tame_typed typed;
	struct tame_target target;
	struct tame_found found;
	bool withheld; /* no advice: the record that it would rest on does not tell the joint (tame_rests) */
	struct tame_advice advice;
	struct tame_start start;
};

json_t *tame_json(const struct tame_told *t);
void tame_print(const struct tame_told *t);

#endif
