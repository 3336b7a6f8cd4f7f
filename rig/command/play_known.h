/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Friction and ratio of an actuator, which `play` at a locked shaft cannot see: those of the newest `obey` that turned
 * it too. */
#ifndef BRIDLE_COMMAND_PLAY_KNOWN_H
#define BRIDLE_COMMAND_PLAY_KNOWN_H

#include "command/play_tell.h"
#include "run/session.h"

/* *ret: "obey_run" and the numbers, with their budgets, as that record has them; NULL: there is none. Given to the
 * caller. RC_DB. */
enum rc play_known_find(struct session *s, json_t **ret, struct err *err) MUST_CHECK;
/* known: NULL is nothing. */
void play_known_take(const json_t *known, struct play_found *to);
void play_known_put(const json_t *known, json_t *doc);

#endif
