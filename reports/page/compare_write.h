/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A comparison of runs for people and programs. */
#ifndef BRIDLE_REPORTS_PAGE_COMPARE_WRITE_H
#define BRIDLE_REPORTS_PAGE_COMPARE_WRITE_H

#include "reports/reduce/compare.h"
#include "reports/reduce/compare_procedure.h"

#include <stdio.h>

struct compared_run {
	char label[100]; /* "run 4", "winder.tar.zst: run 4" */
	struct compare_side side;
	struct comparison *with;                /* against the reference; NULL for the reference itself */
	struct procedure_comparison *procedure; /* the same of procedures; then with is NULL */
};

struct compared {
	size_t n; /* runs, the reference first */
	double confidence;
	struct compared_run *run;
};

/* {"reference", "runs", "confidence", "differences", "warnings"}. Given to the caller. */
json_t *compare_to_json(const struct compared *c);

/* Into a folder, made where it is missing: compare.html, differences.csv, curves.csv, compare.gp and, when draw, a
 * figure each of speed, efficiency, input power and current as SVG, PNG and PDF. Of procedures the page and
 * differences.csv alone. */
enum rc compare_write(const struct compared *c, const char *dir, bool draw, struct err *err) MUST_CHECK;

/* The page, from <head> to </html>; figures: as page_figures takes them. Writes to an open stream. */
struct figures;
enum rc compare_page(FILE *f, const struct compared *c, const char *dir, const struct figures *figures,
		     struct err *err) MUST_CHECK;

#endif
