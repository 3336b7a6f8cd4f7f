/* SPDX-License-Identifier: GPL-3.0-or-later */
/* gnuplot as a process of its own, and what a script of it may hold of somebody else's words. */
#ifndef BRIDLE_REPORTS_PAGE_GNUPLOT_H
#define BRIDLE_REPORTS_PAGE_GNUPLOT_H

#include "calib/number/err.h"

#include <stdio.h>

/* Within single quotes of a script: a quote stands twice, with a space before one that is the first (gnuplot takes two
 * at the beginning for an empty string); a control character, which would end the line and begin a command, is a space.
 * The quotes around it are the caller's. */
void gnuplot_text(FILE *f, const char *text);

/* Runs a script that lies in a folder, there. RC_IO: gnuplot is not installed, or failed (its words are kept beside the
 * script in gnuplot.log then), or a drawing in the folder is a link, through which gnuplot would write. without: what
 * the first message ends with, how it goes without figures. */
enum rc gnuplot_run(const char *dir, const char *script, const char *without, struct err *err) MUST_CHECK;
#define GNUPLOT_OPTION ", or give --no-figures"

#endif
