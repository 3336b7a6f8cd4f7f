/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The control chart of the check weight for people: a page in the frame of the certificates. */
#ifndef BRIDLE_REPORTS_PAGE_CHECKS_WRITE_H
#define BRIDLE_REPORTS_PAGE_CHECKS_WRITE_H

#include "reports/reduce/checks.h"

#include <stdio.h>

#define CHECKS_PAGE "check-weight.html"

/* Into a folder, made where it is missing: checks.csv, check-weight.gp, the page and, from two checks on, the figure as
 * SVG, PNG and PDF. Without gnuplot RC_IO, and all but the figure is there. */
enum rc checks_write(const struct checks *c, const char *dir, struct err *err) MUST_CHECK;

/* The page; figures: as page_figures takes them. Writes to an open stream. */
struct figures;
enum rc checks_page(FILE *f, const struct checks *c, const char *dir, const struct figures *figures,
		    struct err *err) MUST_CHECK;

#endif
