/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual end of a CAN adapter's line with a drive behind it (bench/drive_line.h): the adapter opens and closes,
 * answers and tells the state of the bus; the drive obeys and tells in the frames of rig.ini. With the drive's cable
 * out nobody acknowledges the adapter's frames, so that it becomes error-passive. */
#ifndef BRIDLE_BENCH_CAN_LINE_H
#define BRIDLE_BENCH_CAN_LINE_H

#include "bench/drive_line.h"

/* For another drive behind such an adapter (bench/canopen_line.h): what drive_speech receives, and a frame from it. */
void can_line_receive(struct drive_line *line, const char *bytes, size_t n, int64_t t_us);
void can_line_say(struct drive_line *line, const struct can_message *message, int64_t t_us);

void can_line_init(struct drive_line *line, const struct instrument_profile *profile, double gear_ratio);

#endif
