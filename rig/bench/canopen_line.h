/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual end of a CAN adapter's line with a drive after CiA 402 behind it (bench/canopen_node.h): its objects
 * become orders of the bench, and what it senses their values, in the units of rig.ini. */
#ifndef BRIDLE_BENCH_CANOPEN_LINE_H
#define BRIDLE_BENCH_CANOPEN_LINE_H

#include "bench/drive_line.h"

void canopen_line_init(struct drive_line *line, const struct instrument_profile *profile, double gear_ratio);

#endif
