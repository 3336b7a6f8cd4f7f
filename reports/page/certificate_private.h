/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the pages of a calibration and of a map of the brake share. */
#ifndef BRIDLE_REPORTS_PAGE_CERTIFICATE_PRIVATE_H
#define BRIDLE_REPORTS_PAGE_CERTIFICATE_PRIVATE_H

#include "reports/page/certificate.h"
#include "reports/page/report_write.h"

#include <stdio.h>

/* A term and what is said of it; "not stated" for an empty text. */
void certificate_item(FILE *f, const char *term, const char *format, ...) PRINTF_LIKE(3, 4);
/* Kind, subject, source, and what a virtual bench makes of it; the header stays open. */
void certificate_begin(FILE *f, const char *kind, const char *subject, const char *source, bool on_bench);

/* From the header to before the end of the page. */
enum rc certificate_put_map(FILE *f, const struct certificate *c, const char *dir, const struct figures *figures,
			    struct err *err) MUST_CHECK;

#endif
