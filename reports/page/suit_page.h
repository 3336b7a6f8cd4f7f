/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The page of `suit`: whether an actuator carries a joint, or which of several does. */
#ifndef BRIDLE_REPORTS_PAGE_SUIT_PAGE_H
#define BRIDLE_REPORTS_PAGE_SUIT_PAGE_H

#include "calib/joint/suit_found.h"

#include <stdbool.h>

#define SUIT_PAGE "suit.html"
#define SUIT_PAGE_CASES 6
#define SUIT_PAGE_INPUTS 12

struct suit_input {
	const char *term; /* static text */
	char text[600];
};

/* One actuator; what is pointed to is the caller's. */
struct suit_page_case {
	const char *name; /* "" where there is one alone */
	bool on_bench;    /* something that was measured comes from a virtual bench */
	const struct suit_found *found;
	const struct joint_duty *duty;
	const struct joint_curve *curve;
	const char *curve_file, *thermal_file; /* as typed; "" where there is none */
	size_t n_inputs;
	struct suit_input input[SUIT_PAGE_INPUTS];
};

struct suit_page {
	char subject[200], source[400];
	double figure_px; /* height of cycle.svg */
	size_t n_inputs;  /* of the joint: what all have in common */
	struct suit_input input[SUIT_PAGE_INPUTS];
	size_t n;
	struct suit_page_case one[SUIT_PAGE_CASES];
};

/* The name of a file for a page: of an absolute path the last part, so that no page tells the folders of a machine. */
const char *suit_page_file(const char *path);

/* SUIT_PAGE into a folder that exists: whole or not at all, never through a link. with_figure: cycle.svg lies there.
 * RC_IO, RC_RANGE, RC_NOMEM. */
enum rc suit_page_write(const struct suit_page *page, const char *dir, bool with_figure, struct err *err) MUST_CHECK;

#endif
