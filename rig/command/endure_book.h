/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the logbook has of an endurance plan's cycles: rows of the runs that continue each other. */
#ifndef BRIDLE_COMMAND_ENDURE_BOOK_H
#define BRIDLE_COMMAND_ENDURE_BOOK_H

#include "logbook/logbook.h"
#include "reports/reduce/procedure.h"
#include "run/endure_watch.h"

#include <jansson.h>

struct endure_row {
	struct endure_cycle cycle;
	int64_t run_id, wall_ns;
};
struct endure_book {
	struct endure_row *row; /* oldest first; the owner frees it */
	size_t n, room;
	struct endure_play *play; /* as row; of the gear */
	size_t n_plays, plays_room;
	int64_t run_id; /* the newest run of the plan; 0: none */
	char outcome[16];
	bool ended;
};

/* The newest run of kind "endure" of that plan, and those that it continues. RC_OK with run_id 0: there is none. */
enum rc endure_book_read(struct logbook *lb, const char *plan, struct endure_book *ret, struct err *err) MUST_CHECK;
void endure_book_free(struct endure_book *book);

json_t *endure_book_json(const struct endure_book *book);       /* the "cycles" of the document */
json_t *endure_book_plays_json(const struct endure_book *book); /* the "plays" */
void endure_book_print(const struct endure_book *book);
/* The cycles of one run alone. */
enum rc endure_book_of_run(struct logbook *lb, const struct run_info *run, struct endure_book *ret,
			   struct err *err) MUST_CHECK;
/* Table, script, kind and caption of the drift chart; ret: owned by the caller, also after a failure. RC_NOMEM. */
enum rc endure_book_chart(const struct endure_book *book, const struct endure_limits *limits, struct procedure *ret,
			  struct err *err) MUST_CHECK;
/* The drift chart: endure.csv, endure.gp and endure.svg into a folder, which is made. */
enum rc endure_book_figure(const struct endure_book *book, const struct endure_limits *limits, const char *dir,
			   struct err *err) MUST_CHECK;

#endif
