/* SPDX-License-Identifier: GPL-3.0-or-later */
/* gnuplot as a process of its own. */
#ifndef BRIDLE_REPORTS_PAGE_GNUPLOT_H
#define BRIDLE_REPORTS_PAGE_GNUPLOT_H

#include "calib/number/err.h"

/* Runs a script that lies in a folder, there. RC_IO: gnuplot is not installed, or failed (its words are kept beside the
 * script in gnuplot.log then). without: what the first message ends with, how it goes without figures. */
enum rc gnuplot_run(const char *dir, const char *script, const char *without, struct err *err) MUST_CHECK;
#define GNUPLOT_OPTION ", or give --no-figures"

#endif
