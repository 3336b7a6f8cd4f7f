/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The evaluation of a calibration whose readings are prepared already, for the files of this room. */
#ifndef BRIDLE_CALIB_CELL_TORQUECAL_PRIVATE_H
#define BRIDLE_CALIB_CELL_TORQUECAL_PRIVATE_H

#include "calib/cell/cellcal_private.h"
#include "calib/cell/torquecal.h"

/* As torquecal_evaluate; table NULL: the input's own, else the one that the program brings. */
void torquecal_work(const struct cellcal_work *w, const struct cellcal *cal, const struct torque_table *table,
		    struct torque_eval *ret);

#endif
