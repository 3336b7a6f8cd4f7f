/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A report's points and words on the terminal, within 80 columns. */
#ifndef BRIDLE_COMMAND_POINTS_H
#define BRIDLE_COMMAND_POINTS_H

#include "reports/page/report_write.h"

void procedure_print(const struct report *report); /* of a procedure: the same */
void report_print(const struct report *report);    /* headline, points, claims, remarks */

#endif
