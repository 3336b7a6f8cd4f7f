/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The gate of a calibration (calib/cell/cellcal_gate.h) for bridle hang, and what it found in words. */
#ifndef BRIDLE_COMMAND_HANG_GATE_H
#define BRIDLE_COMMAND_HANG_GATE_H

#include "calib/cell/cellcal_gate.h"
#include "profile/rig_profile.h"

#include <jansson.h>

#define HANG_GATE_TEXT 300

struct hang_gate {
	struct cellcal_gate found;
	/* A sentence or two for each finding: what, where, found, expected, what to do. */
	char text[GATE_CHECKS][HANG_GATE_TEXT];
	char doubt[HANG_GATE_TEXT]; /* a small slip that refuses nothing; "" when there is none */
	char next[HANG_GATE_TEXT];  /* one thing to try first; "" = nothing beyond the texts */
};

/* What is known of where the readings came from. Borrowed. */
struct hang_gate_source {
	const struct rig_profile *rig; /* NULL: no bench folder */
	bool counts;                   /* the indication is counts of a converter (rig's own where there is one) */
	bool guided;                   /* read with [cell] sign applied */
	int converter_bits;            /* by the node; 0 unknown */
	/* Guided only: the pieces on the arm at each reading, with their names, torques and N·m per kg. */
	const uint64_t *pieces;
	size_t n_pieces;
	const double *piece_Nm;
	const char *const *piece_name;
	double Nm_per_kg; /* NaN unknown */
};

/* RC_NOMEM, RC_SINGULAR. */
enum rc hang_gate_judge(const struct cellcal_input *in, const struct hang_gate_source *from, struct hang_gate *ret,
			struct err *err) MUST_CHECK;
json_t *hang_gate_json(const struct hang_gate *gate);

#endif
