/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What `suit` finds of an actuator under a duty: plain data for terminal, JSON and page. */
#ifndef BRIDLE_CALIB_JOINT_SUIT_FOUND_H
#define BRIDLE_CALIB_JOINT_SUIT_FOUND_H

#include "calib/joint/joint_fit.h"
#include "calib/number/conformity.h"

#define SUIT_VERDICTS 8
#define SUIT_CHANGES 16
#define SUIT_ASSUMED 8
#define SUIT_PARTS 24

struct suit_verdict {
	const char *requirement, *unit, *change;
	double needed, available, u, dof, probability; /* u of the difference */
	double nothing;                                /* what is needed without any load: 0, or the ambient */
	bool at_most;                                  /* needed must stay below available; false never comes */
	enum verdict verdict;
	char rests_on[240];
};

/* What would meet a requirement that is not confirmed, by itself and at 95 %. */
struct suit_change {
	size_t verdict;
	const char *what, *unit; /* "torques of the duty, times"; static text */
	double value;
};

/* One source of the u of a margin, in the unit of that requirement. */
struct suit_part {
	const char *requirement, *source; /* static text */
	double u;
};

struct suit_found {
	struct joint_sums sums;
	double peak_winding_degC, u_peak_winding_K, supply_A, supply_W, regenerated_W, tip_mm;
	double u_supply_A, u_supply_W, u_tip_mm; /* k = 1; 0 where nothing was typed or told */
	size_t n, decides;
	struct suit_verdict verdict[SUIT_VERDICTS];
	size_t n_changes;
	struct suit_change change[SUIT_CHANGES];
	size_t n_assumed;
	char assumed[SUIT_ASSUMED][160]; /* sentences: what was not measured and was taken all the same */
	size_t n_parts;
	struct suit_part part[SUIT_PARTS];
	bool peak_of_case; /* peak_winding_degC is that of the case */
};

#endif
