/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How much the torque cell warmed: what its drifts with temperature are multiplied by. */
#ifndef BRIDLE_CALIB_CELL_CELL_WARMTH_H
#define BRIDLE_CALIB_CELL_CELL_WARMTH_H

/* From one moment to another, K: by the cell's own sensor where both moments have it, else by the ambient temperature
 * where both have that; else a sensor at the one moment against the ambient temperature at the other, since a cell that
 * nothing warmed is as warm as its room (common practice, no source). NaN where a moment has neither. */
double cell_warmed_K(double before_cell_degC, double before_ambient_degC, double cell_degC, double ambient_degC);

#endif
