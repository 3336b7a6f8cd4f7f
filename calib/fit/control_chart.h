/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Control chart of single values in the order of time (an individuals chart): centre and sigma from a baseline, and run
 * rules.
 *
 * Centre: mean of the baseline. Sigma: mean moving range of neighbours in the baseline by 1.128, d2 of two
 * (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2). So a slow drift does not widen its own limits, as a
 * standard deviation would.
 *
 * Rules: L. S. Nelson, J. Qual. Technol. 16(4) (1984) 237, tests 1, 2, 3, 5 and 6, with his numbers; 1, 5 and 6 are
 * those of the Western Electric Statistical Quality Control Handbook (1956), which has 8 in a row for test 2. His tests
 * 4, 7 and 8 look for values that come from two sources in turn, which one check weight on one rig is not. Pure
 * arithmetic: no I/O, no allocation. */
#ifndef BRIDLE_CALIB_FIT_CONTROL_CHART_H
#define BRIDLE_CALIB_FIT_CONTROL_CHART_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

#define CHART_HITS 64
#define CHART_BASE \
	20 /* first values that make the baseline; fewer make provisional limits (common practice, no source) */

enum chart_rule {
	CHART_BEYOND = 1,   /* test 1: beyond 3 sigma */
	CHART_ONE_SIDE = 2, /* test 2: 9 in a row on one side of the centre */
	CHART_TREND = 3,    /* test 3: 6 in a row, each higher, or each lower, than the one before */
	CHART_TWO_OF_3 = 5, /* test 5: 2 of 3 in a row beyond 2 sigma on one side */
	CHART_FOUR_OF_5 = 6 /* test 6: 4 of 5 in a row beyond 1 sigma on one side */
};

struct chart_hit {
	enum chart_rule rule;
	size_t at; /* value that completes it, from 0 */
	int side;  /* +1 above or rising, -1 below or falling */
};

struct control_chart {
	size_t n, n_base;
	double centre, sigma; /* sigma NaN with fewer than two values in the baseline */
	size_t n_hits;        /* the last CHART_HITS are kept */
	struct chart_hit hit[CHART_HITS];
};

/* in_base: which values may make the baseline (NULL: all); the first CHART_BASE of them do. RC_ARG n 0, a value not
 * finite, or none for the baseline. */
enum rc control_chart(const double *x, const bool *in_base, size_t n, struct control_chart *ret,
		      struct err *err) MUST_CHECK;

/* "9 in a row above the centre": what a hit means in words; static text. */
const char *chart_rule_words(const struct chart_hit *hit);

#endif
