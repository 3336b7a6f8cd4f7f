/* SPDX-License-Identifier: GPL-3.0-or-later */
/* gnuplot as a process of its own, and what a script of it may hold of somebody else's words. */
#ifndef BRIDLE_REPORTS_PAGE_GNUPLOT_H
#define BRIDLE_REPORTS_PAGE_GNUPLOT_H

#include "calib/number/err.h"

#include <stddef.h>
#include <stdio.h>

/* Within single quotes of a script: a quote stands twice, with a space before one that is the first (gnuplot takes two
 * at the beginning for an empty string); a control character, which would end the line and begin a command, is a space.
 * The quotes around it are the caller's. */
void gnuplot_text(FILE *f, const char *text);

/* Broken at spaces into lines of at most so many letters, at most most_lines of them: what is more stands in the last
 * one. Gives how many. */
#define GNUPLOT_LINE 320 /* bytes of a line; more is cut */
size_t gnuplot_lines(const char *text, size_t letters, char (*ret)[GNUPLOT_LINE], size_t most_lines);

/* Runs a script that lies in a folder, there. RC_IO: gnuplot is not installed, or failed (its words are kept beside the
 * script in gnuplot.log then), or a drawing in the folder is a link, through which gnuplot would write. without: what
 * the first message ends with, how it goes without figures. */
enum rc gnuplot_run(const char *dir, const char *script, const char *without, struct err *err) MUST_CHECK;
#define GNUPLOT_NEEDED "; without it there are no figures"
/* NAME.svg, NAME.png and NAME.pdf of before; where one is a link, the link. */
void gnuplot_remove(const char *dir, const char *name);

#endif
