/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Where the words of a figure stand: each at the one of its possible places that is farthest from all that is drawn
 * already. Pure. Pixels, x to the right, y upwards, inside a frame from (0, 0) to (width, height). */
#ifndef BRIDLE_REPORTS_PAGE_PLACES_H
#define BRIDLE_REPORTS_PAGE_PLACES_H

#include <stddef.h>

struct label_box {
	double x0, y0, x1, y1;
};

#define PLACES_MAX 2000
#define PLACES_NAMED 40
struct places {
	double width, height;
	size_t n;
	struct label_box taken[PLACES_MAX]; /* what is beyond it is not seen: a word may then stand on it */
	size_t n_named;
	struct named_mark {
		double x, y;
	} named[PLACES_NAMED];
};

void places_begin(struct places *p, double width, double height);

/* A mark, a straight line: drawn there. What is not finite is left out. */
void places_take_mark(struct places *p, double x, double y, double radius);
void places_take_line(struct places *p, double x0, double y0, double x1, double y1);

/* A mark that gets a word of its own: no other mark's word stands nearer to it than to its own. Before any word. */
void places_take_named(struct places *p, double x, double y);

/* Levels moved up and down as little as it takes (least squares) until each is at least so far from the next, in their
 * order; then all within low to high, where there is room for them. Of n, in any order. */
#define PLACES_LEVELS 40
void places_spread(double *level, size_t n, double apart, double low, double high);
/* A word right of x, at its middle y: its place is taken. */
struct label_box places_right(struct places *p, double x, double y, double width, double height);

/* A word of that size beside a mark, along a level line at y (from the frame's left to its right), along an upright
 * line at x (width is then the extent across, height the one along it). The place is taken. */
struct label_box places_word(struct places *p, double x, double y, double width, double height);
struct label_box places_level(struct places *p, double y, double width, double height);
/* An upright word between two uprights: at either or in the middle, at the foot, halfway or at the top. */
struct label_box places_zone(struct places *p, double x0, double x1, double width, double height);
struct label_box places_upright(struct places *p, double x, double width, double height);

#endif
