/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A calibration of the torque cell as a page of its own: what it was loaded with, what it gives, how far that holds. Or
 * a map of the brake: its branches, slope, drag and remanence. */
#ifndef BRIDLE_REPORTS_PAGE_CERTIFICATE_H
#define BRIDLE_REPORTS_PAGE_CERTIFICATE_H

#include "calib/cell/cellcal.h"
#include "reports/reduce/report.h"

#include <jansson.h>

struct certificate {
	int64_t record_id;
	bool on_bench;       /* made on a virtual bench */
	json_t *doc;         /* owned: the record as it is kept */
	char program[32];    /* that wrote it */
	struct report paper; /* subject, source, rig, and cal, cal_points, cal_band or (has_map) the map; no curve */
};
void certificate_free(struct certificate *c); /* NULL is fine */

/* Of a record in the logbook. *ret given to the caller.
 * RC_ARG       no such record, or it is none of a calibration that is used and none of a map
 * RC_DB        the logbook cannot be read */
enum rc certificate_of(struct logbook *lb, int64_t record_id, struct certificate **ret, struct err *err) MUST_CHECK;

/* certificate.html, calibration.csv and the figure of the residuals (unless with_figures is false) into dir, which is
 * made; of a map brake-map.csv and its figure. RC_IO. */
enum rc certificate_write(const struct certificate *c, const char *dir, bool with_figures, struct err *err) MUST_CHECK;

#endif
