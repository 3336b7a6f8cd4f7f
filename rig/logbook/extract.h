/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One run by itself: an SQLite file of the logbook's schema with that run, those that it continues, and the records
 * that it rests on, for handing it out of the house (docs/logbook.md, "An extract"). Rows, ids and digests are those of
 * the logbook. Every chain of samples, points and events is whole in it; those of the tables run, run_end and record
 * are not, since their other rows stay at home. No program opens it as a bench's logbook: its application_id is its
 * own. */
#ifndef BRIDLE_LOGBOOK_EXTRACT_H
#define BRIDLE_LOGBOOK_EXTRACT_H

#include "logbook/logbook.h"

/* Records: the calibration and the map of the run, checks and "ready" from before the run, all "accepted"; of a
 * hold, play, obey, response, ripple or tame its own. The bytes
 * depend on nothing but these rows (and how the installed SQLite lays out its pages).
 * *ret given to the caller, for extract_free. RC_ARG no such run; RC_DB; RC_NOMEM. */
enum rc extract_make(struct logbook *lb, int64_t run_id, uint8_t **ret, size_t *ret_n, struct err *err) MUST_CHECK;
void extract_free(uint8_t *bytes);

/* A logbook to read, over bytes that stay the caller's and outlive it; name is for sentences. Bytes of a stranger: the
 * schema must be as this program makes it. RC_ARG when it is not. */
enum rc extract_open(const char *name, const uint8_t *bytes, size_t n, struct logbook **ret,
		     struct err *err) MUST_CHECK;

#endif
