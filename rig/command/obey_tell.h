/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What `obey` found, for its two ways onto paper. */
#ifndef BRIDLE_COMMAND_OBEY_TELL_H
#define BRIDLE_COMMAND_OBEY_TELL_H

#include "calib/obey/obey.h"
#include "calib/obey/obey_speeds.h"
#include "calib/obey/obey_step.h"

#include <jansson.h>

json_t *obey_json(const struct obey_slow *s, const struct obey_fast *f);
void obey_print_slow(const struct obey_slow *s);
/* What the drive's constant has to be: by the old one (N.m for each ampere) the drive gives the current for a torque.
 * Null and no line where the old one (0, NaN) or the gain tells none. */
void obey_put_constant(json_t *doc, const struct obey_slow *s, double constant_Nm_per_A, double u);
void obey_print_constant(const struct obey_slow *s, double constant_Nm_per_A, double u);
void obey_print_fast(const struct obey_fast *f);

/* What only a table tells: into the document, and as text. */
void obey_put_speeds(json_t *doc, const struct obey_speeds *s);
void obey_put_step(json_t *doc, const struct obey_step *s); /* steps 0: null */
void obey_print_speeds(const struct obey_speeds *s);
void obey_print_step(const struct obey_step *s);

/* Nothing found yet: every number unknown. */
struct obey_slow obey_slow_none(void);
struct obey_fast obey_fast_none(void);

#endif
