/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the figures of carry_figure.h and play_figure.h have in common: rows and a script of gnuplot as one more drawing
 * of a result. */
#ifndef BRIDLE_COMMAND_CARRY_DRAW_H
#define BRIDLE_COMMAND_CARRY_DRAW_H

#include "reports/reduce/procedure.h"
#include "calib/number/err.h"

#define CARRY_COLUMNS 4

struct carry_table {
	const char *heading;
	size_t n;
	const double *column[CARRY_COLUMNS]; /* NULL: not there */
};

/* The head of each such script, of a drawing of a size ("700,460", px): whose it is stands in its upper 64 px. */
#define CARRY_FIGURE_STYLE(size) \
	"set terminal svg size " size " dynamic noenhanced font 'sans-serif,15' background '#ffffff'\n" \
	"set encoding utf8\nset minussign\nset datafile separator ','\nset border 3 lc rgb '#444444'\n" \
	"set tics nomirror out textcolor rgb '#222222'\nset grid lc rgb '#dddddd' lw 0.7 dt 1\n" \
	"set offsets 0, 0, graph 0.06, graph 0.06\n" \
	"set key below center horizontal Left reverse samplen 3 spacing 1.1 height 0.6 textcolor rgb '#222222'\n"

#define CARRY_DRAW_STYLE CARRY_FIGURE_STYLE("700,460") "set tmargin at screen 0.86\n" /* one panel */

/* Static text. kind: of the result; name: of the files NAME.csv, NAME.gp and NAME.svg. */
struct carry_words {
	const char *kind, *name, *title, *caption;
};

/* The result gets its kind where it has none yet. plot: what follows the style. RC_NOMEM; RC_RANGE more drawings than a
 * result has room for. */
enum rc carry_draw(const char *style, const struct carry_words *words, const struct carry_table *table,
		   const char *plot, struct procedure *ret, struct err *err) MUST_CHECK;

#endif
