/* SPDX-License-Identifier: GPL-3.0-or-later */
/* weights.ini: one section a piece; [hanger] is a piece that is always hung first. */
#ifndef BRIDLE_PROFILE_WEIGHTS_PROFILE_H
#define BRIDLE_PROFILE_WEIGHTS_PROFILE_H

#include "calib/number/quantity.h"
#include "profile/sizes.h"

#include <stdbool.h>
#include <stddef.h>

struct weight_piece {
	char name[PROFILE_WORD];
	bool has_class;
	char class_name[8];       /* class = E2 ... M3, M1-2 and M2-3 among them (OIML R 111-1) */
	struct quantity mass_kg;  /* nominal = 5 kg, then with the tolerance of the class, or
				   * mass = 5.0013 kg ± 0.5 g: conventional mass */
	double density_kg_per_m3; /* density, default 7900 kg/m3 */
	double u_density_kg_per_m3;
};
struct weights_profile {
	size_t n;
	struct weight_piece piece[PROFILE_PIECES];
	int hanger; /* index or -1 */
};

/* Index of the piece with that section name, -1 when there is none. */
int profile_piece(const struct weights_profile *weights, const char *name);

#endif
