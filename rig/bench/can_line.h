/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual end of a CAN adapter's line with a drive behind it (bench/drive_line.h): the adapter opens and closes,
 * answers and tells the state of the bus; the drive obeys and tells in the frames of rig.ini. With the drive's cable
 * out nobody acknowledges the adapter's frames, so that it becomes error-passive. */
#ifndef BRIDLE_BENCH_CAN_LINE_H
#define BRIDLE_BENCH_CAN_LINE_H

#include "bench/drive_line.h"

void can_line_init(struct drive_line *line, const struct instrument_profile *profile, double gear_ratio);

#endif
