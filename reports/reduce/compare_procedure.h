/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two results of one procedure (reports/reduce/procedure.h) side by side. A source of both budgets that is the same
 * thing in both runs, by the rules of compare.h, enters the difference with what is left of it after its signs (GUM
 * 5.2); the rig's stiffness is the same thing on one rig where both runs state it alike. Pure. */
#ifndef BRIDLE_REPORTS_REDUCE_COMPARE_PROCEDURE_H
#define BRIDLE_REPORTS_REDUCE_COMPARE_PROCEDURE_H

#include "reports/reduce/compare.h"

struct procedure_difference {
	struct procedure_number reference, other; /* of one key */
	double value, u, dof, U;                  /* other less reference; U at the stated confidence; NaN: not known */
	bool real;                                /* |value| > U */
	size_t n_common;                          /* what cancels, the largest first */
	struct common_source common[COMPARE_COMMON];
};

struct procedure_comparison {
	size_t n;
	struct procedure_difference list[PROCEDURE_NUMBERS];
	bool same_rig, same_calibration;
	size_t n_warnings;
	char warning[COMPARE_WARNINGS][300];
};

/* Numbers that both tell. RC_ARG: not two results of one procedure, or nothing in common. */
enum rc compare_procedures(const struct compare_side *reference, const struct compare_side *other, double confidence,
			   struct procedure_comparison *ret, struct err *err) MUST_CHECK;

#endif
