/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The history of a rig for people and programs. */
#ifndef BRIDLE_REPORTS_PAGE_HISTORY_WRITE_H
#define BRIDLE_REPORTS_PAGE_HISTORY_WRITE_H

#include "reports/reduce/history.h"

#include <jansson.h>
#include <stdio.h>

/* {"actuator", "rig", "virtual_bench", "runs_left_out" (of the other kind), "rules", "series": [{"series", "unit",
 * "centre", "sigma", "limits_from", "values", "rules_met"}], "changes"}. Given to the caller. */
json_t *history_to_json(const struct history *h);

/* Into a folder, made where it is missing: history.csv, changes.csv, history.json, history.gp, history.html and, where
 * a series has two values, the figure as SVG, PNG and PDF. Without gnuplot RC_IO, and all but the figure is there. */
enum rc history_write(const struct history *h, const char *dir, struct err *err) MUST_CHECK;

/* The page; figure: as page_figures takes it. Writes to an open stream. */
struct figures;
enum rc history_page(FILE *f, const struct history *h, const char *dir, const struct figures *figures,
		     struct err *err) MUST_CHECK;

#endif
