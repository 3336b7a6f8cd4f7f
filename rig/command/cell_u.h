/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a calibration leaves uncertain at a torque, as one number. */
#ifndef BRIDLE_COMMAND_CELL_U_H
#define BRIDLE_COMMAND_CELL_U_H

#include "calib/cell/cellcal.h"

/* k = 1, of a reading whose history is not known; NaN beyond the calibration. */
double cell_u_Nm(const struct cellcal *cal, double torque_Nm);

/* The indication of a torque by the printed fit. */
double cell_indication(const struct cellcal *cal, double torque_Nm);

/* Below what was hung the calibration is a curve that is continued: what it departs from its own mirror image at that
 * torque, rectangular. */
double cell_mirror_u_Nm(const struct cellcal *cal, double torque_Nm);

/* The same as cell_u_Nm by source, signed, as the calibration names them; their squares add up to its square. What has
 * no room is one part, "further sources of the calibration". n 0 beyond the calibration. */
#define CELL_PARTS 40
struct cell_parts {
	size_t n;
	struct cell_part {
		char name[64];
		double u_Nm;
	} part[CELL_PARTS];
};
void cell_parts_at(const struct cellcal *cal, double torque_Nm, struct cell_parts *ret);

#endif
