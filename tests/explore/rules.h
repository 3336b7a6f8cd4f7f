/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The rules of docs/invariants.md about the guard, each as a predicate on one step: what the guard was, what was read
 * and wanted, what came out. None of them asks a function of the guard's. */
#ifndef BRIDLE_TESTS_EXPLORE_RULES_H
#define BRIDLE_TESTS_EXPLORE_RULES_H

#include "guard/guard.h"

struct step {
	const struct guard_limits *limits;
	struct guard before, after;
	struct snapshot snap;
	struct wish want;
	struct guard_verdict v;
};

struct rule {
	const char *number, *says;
	bool (*holds)(const struct step *s);
};

extern const struct rule rules[];
extern const size_t n_rules;

#endif
