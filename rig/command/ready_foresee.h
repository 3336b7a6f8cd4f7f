/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The uncertainty that each point of a plan will have, as text (the larger one of a load on its ways up and down) and
 * JSON (each point). */
#ifndef BRIDLE_COMMAND_READY_FORESEE_H
#define BRIDLE_COMMAND_READY_FORESEE_H

#include "reports/reduce/foresee.h"
#include "run/forecast.h"
#include "run/session.h"
#include "terminal/cli.h"

/* ret[f->n_points]; NaN everywhere without a calibration. turned: the zero can be read by turning both ways. */
enum rc ready_foresee(const struct session *s, const struct forecast *f, bool turned, struct foreseen *ret,
		      struct err *err) MUST_CHECK;
/* Of a plan with a target: ret_s[f->n], from the newest sweep or the map; the longest where they do not tell. */
void ready_expect_dwell(const struct session *s, const struct forecast *f, double *ret_s);
/* "points" of the document. */
json_t *ready_foresee_json(const struct forecast *f, const struct foreseen *seen);
void ready_foresee_print(const struct session *s, const struct forecast *f, const struct foreseen *seen);

#endif
