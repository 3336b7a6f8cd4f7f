/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the writers of report_write.h do for the result of a procedure (report->procedure.kind is set): they call these.
 * Errors and arguments are theirs. */
#ifndef BRIDLE_REPORTS_PAGE_PROCEDURE_FILES_H
#define BRIDLE_REPORTS_PAGE_PROCEDURE_FILES_H

#include "reports/page/report_write.h"

/* The record's document, without what report_to_json adds for every run; NULL: out of memory. Given to the caller. */
json_t *procedure_json(const struct report *report);
/* results.csv (quantity, value, u, degrees of freedom, U) and NAME.csv of each drawing, the rows that they rest on. */
enum rc procedure_tables(const struct report *report, const char *dir, struct err *err) MUST_CHECK;
/* NAME.gp of each drawing and, unless draw is false, NAME.svg. */
enum rc procedure_figure(const struct report *report, const char *dir, bool draw, struct figures *ret,
			 struct err *err) MUST_CHECK;
/* The same for a result that is no report, such as that of a typed table: NAME.csv, NAME.gp and NAME.svg of each
 * drawing. The folder is made. */
enum rc procedure_draw(const struct procedure *p, const char *dir, struct err *err) MUST_CHECK;

#endif
