/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One reading into a series. */
#ifndef BRIDLE_REPORTS_REDUCE_WINDOW_PRIVATE_H
#define BRIDLE_REPORTS_REDUCE_WINDOW_PRIVATE_H

#include "reports/reduce/window.h"

/* *out_of_memory: set when there is no room for it, else untouched. */
void series_push(struct series *s, double value, bool *out_of_memory);

#endif
