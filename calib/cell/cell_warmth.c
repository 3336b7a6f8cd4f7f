/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cell_warmth.h"

#include <math.h>

double cell_warmed_K(double before_cell_degC, double before_ambient_degC, double cell_degC, double ambient_degC)
{
	if (isfinite(before_cell_degC) && isfinite(cell_degC))
		return cell_degC - before_cell_degC;
	if (isfinite(before_ambient_degC) && isfinite(ambient_degC))
		return ambient_degC - before_ambient_degC;
	return (isfinite(cell_degC) ? cell_degC : ambient_degC) -
	       (isfinite(before_cell_degC) ? before_cell_degC : before_ambient_degC);
}
