/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Normal gravity by itself, for checks against printed values. */
#ifndef BRIDLE_BENCH_STATED_PRIVATE_H
#define BRIDLE_BENCH_STATED_PRIVATE_H

#include "bench/stated.h"

double stated_normal_gravity(double latitude_deg, double height_m); /* m/s2; see stated_gravity */

#endif
