/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The loads of a dead-weight calibration: which pieces hang at each step, the torque of each, and what is uncertain in
 * it by source (arm, gravity, level, air, every piece), in the shape that calib/cell/cellcal.h takes. */
#ifndef BRIDLE_COMMAND_HANG_LOADS_H
#define BRIDLE_COMMAND_HANG_LOADS_H

#include "calib/cell/cellcal.h"
#include "profile/rig_profile.h"
#include "profile/weights_profile.h"
#include "run/seq_hang.h"

/* Where the weights hang: from rig.ini or from options. */
struct hang_place {
	struct quantity arm_m, gravity_m_per_s2, air_kg_per_m3, level_deg, one_sided;
};
struct hang_place hang_place_of(const struct rig_profile *rig);

struct hang_loads {
	size_t n;                               /* loads, zero not counted */
	size_t n_pieces, order[PROFILE_PIECES]; /* pieces in the order of hanging, the hanger first when there is one */
	size_t upto[HANG_LOADS + 1];            /* so many of them hang at load k; upto[0] = 0 */
	double mass_kg[HANG_LOADS + 1];
	struct cellcal_load load[HANG_LOADS + 1]; /* load[0] is zero */
	double u_Nm[HANG_LOADS + 1];
	size_t n_sources;
	struct cellcal_source source[CELLCAL_SOURCES];
};

/* steps: number of rising steps; 0 = one for each piece. RC_ARG no pieces, more steps than pieces, an impossible arm;
 * RC_NOMEM. */
enum rc hang_loads_make(const struct hang_place *place, const struct weights_profile *weights, size_t steps,
			struct hang_loads *ret, struct err *err) MUST_CHECK;

/* Loads of plain masses (conventional, uncertainties not stated) for readings taken by hand: load[i] for mass_kg[i]. */
enum rc hang_masses_make(const struct hang_place *place, const double *mass_kg, size_t n, struct cellcal_load *ret_load,
			 struct cellcal_source ret_source[CELLCAL_SOURCES], size_t *ret_n_sources,
			 struct err *err) MUST_CHECK;

#endif
