/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The gnuplot script as its writers share it. */
#ifndef BRIDLE_REPORTS_PAGE_FIGURES_PRIVATE_H
#define BRIDLE_REPORTS_PAGE_FIGURES_PRIVATE_H

#include "reports/page/report_write.h"

#include <stdio.h>

struct script {
	FILE *f;
	const struct report *r;
	struct figures *list;
};

/* Opens a figure of that size in pixels; what follows in the script is drawn in it until figure_end. Borrowed from the
 * list. Its first lines say whose it is, of which run, and whether a virtual bench made it: figure_whose, again after
 * an "unset label". */
struct figure *figure_begin(struct script *s, const char *name, const char *title, int width, int height);
void figure_whose(struct script *s, int width, int height);
int figure_whose_more(const struct script *s, int width); /* px that these lines take beyond two */
void figure_end(struct script *s);
void figure_caption(struct figure *figure, const char *format, ...) PRINTF_LIKE(2, 3);

/* About four steps of 1, 2 or 5 times a power of ten over a range. */
double figure_step(double range);

/* Speed, efficiency, power and current over one axis of torque, and how the falling way differs. Nothing without a
 * point. */
void sheet_draw(struct script *s);

/* The map of efficiency over speed and torque, "efficiency-map", where three or more speeds were run one way; else
 * nothing. Filled between measured points only: triangles from one speed to the next, linear within (three values make
 * a plane), no extrapolation. Backward points are in their own quadrant. */
void efficiency_map_draw(struct script *s);

#endif
