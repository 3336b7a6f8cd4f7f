/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What `play` found, for its two ways onto paper. */
#ifndef BRIDLE_COMMAND_PLAY_TELL_H
#define BRIDLE_COMMAND_PLAY_TELL_H

#include "calib/play/play.h"

#include <jansson.h>
#include <stdbool.h>

struct play_found {
	bool loop_done;
	struct play_number lever, back[2][2], coulomb, viscous, ratio; /* back: forward, backward; breakaway, running */
	struct play_loop loop;
};
struct play_found play_none(void); /* nothing known */

json_t *play_json(const struct play_found *f);
void play_print(const struct play_found *f);

#endif
