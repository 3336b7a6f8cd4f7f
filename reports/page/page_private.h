/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Parts of the HTML page; each writes to an open stream and cannot fail by itself (the stream keeps the error). */
#ifndef BRIDLE_REPORTS_PAGE_PAGE_PRIVATE_H
#define BRIDLE_REPORTS_PAGE_PAGE_PRIVATE_H

#include "reports/page/report_write.h"

#include <stdio.h>

/* The page of a procedure's result (report->procedure.kind is set), from <head> to </html>. Errors as page_figures. */
enum rc procedure_page(FILE *f, const struct report *report, const char *dir, const struct figures *figures,
		       struct err *err) MUST_CHECK;

/* Up to <main>. foot: what each printed sheet says beside "page n of m". */
void page_head(FILE *f, const char *title, const char *foot);
void report_foot(const struct report *report, char *buf, size_t size);
enum rc page_figures(FILE *f, const char *dir, const struct figures *figures, struct err *err) MUST_CHECK;
void page_first_screen(FILE *f, const struct report *r);
void page_points(FILE *f, const struct report *r);
void page_limits(FILE *f, const struct report *r);
void page_claims(FILE *f, const struct report *r);
void page_fits(FILE *f, const struct report *r);
void page_losses(FILE *f, const struct report *r);
void page_method(FILE *f, const struct report *r);
void page_calibration(FILE *f, const struct report *r);
void page_conditions(FILE *f, const struct report *r);
void page_budget(FILE *f, const struct report *r);
void page_cautions(FILE *f, const struct report *r);
void page_codes(FILE *f); /* the last of all cautions, an item of their list */
/* Links to the sections; reading the sheet of curves by pointer and keys. */
void page_contents(FILE *f, const struct report *r);
void page_reading(FILE *f, const struct report *r, const struct figures *figures);
void page_particulars(FILE *f, const struct report *r);
void page_files(FILE *f, const struct report *r, const struct figures *figures);
void page_related(FILE *f, const struct report *r);
void page_link(FILE *f, const char *before, const char *name); /* to a file beside the page; name safe for HTML */

/* An SVG file's text as it stands inside an HTML page: no prolog, ids made the page's own by a prefix, the title
 * replaced. False when it is no SVG. */
bool page_svg(FILE *f, const char *svg, const char *prefix, const char *title);

/* printf whose string arguments are already safe; page_text escapes. */
void page_text(FILE *f, const char *format, ...) PRINTF_LIKE(2, 3);

#endif
