/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of the guided bridle hang, shared by its files only. */
#ifndef BRIDLE_COMMAND_HANG_GUIDED_H
#define BRIDLE_COMMAND_HANG_GUIDED_H

#include "command/hang.h"
#include "run/hang_book.h"

struct hanging {
	struct live live;
	struct session s;
	const struct hang_options *o;
	struct hang_place place;
	struct hang_loads loads;
	struct hang_book book;
	size_t hung;     /* load that is on the arm now */
	bool by_person;  /* since the arm was empty a person said "done": the bench's hands do not know what hangs */
	bool again;      /* the load is asked for again although it hangs: a reading was taken back */
	int mounted;     /* mounting (position) that the cell is in */
	double quiet_sd; /* of the empty arm: what scatters more still swings; INFINITY unknown */
	int64_t resumes; /* run that is taken up; 0 none */
	/* for the fit, of the items with a reading */
	struct cellcal_reading *reading;
	uint64_t *pieces;
	size_t n;
};

/* One item of the plan: mount, hang, read, and ask when the reading is not what was expected. Also RC_OK when the
 * person took something back instead: hang_book_next tells where it goes on. RC_SAYS_NO when the person stops. */
enum rc hang_item_do(struct hanging *h, size_t i, struct err *err) MUST_CHECK;
/* One preload without a reading: before a series that goes on after a break. */
enum rc hang_preload_again(struct hanging *h, struct err *err) MUST_CHECK;
/* At a question: r, b or d. series: the one that d drops. */
enum rc hang_take_back(struct hanging *h, char key, int series, struct err *err) MUST_CHECK;

/* The readings of items before upto as the fit takes them, preloads left out; pieces (may be NULL) get what hung.
 * Returns their number. */
size_t hang_gather(const struct hanging *h, size_t upto, struct cellcal_reading *reading, uint64_t *pieces);

/* What the logbook keeps so that a hang can be taken up: events "hang", "reading" and "taken back". */
enum rc hang_keep_plan(struct hanging *h, struct err *err) MUST_CHECK;
enum rc hang_keep_reading(struct hanging *h, size_t i, struct err *err) MUST_CHECK;
enum rc hang_keep_back(struct hanging *h, size_t i, struct err *err) MUST_CHECK;
/* Fill the book from the newest hang, which must not have ended in a calibration; whole series only. Sets h->resumes.
 * RC_ARG nothing to take up, or loads, arm or series are others now. */
enum rc hang_take_up(struct hanging *h, struct err *err) MUST_CHECK;

#endif
