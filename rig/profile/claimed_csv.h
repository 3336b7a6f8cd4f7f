/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A data sheet's curve from a table that people type: columns "torque (N.m)" and "speed (rpm)", and where the sheet
 * tells them "efficiency (%)" and "current (A)"; other units are turned into these. */
#ifndef BRIDLE_PROFILE_CLAIMED_CSV_H
#define BRIDLE_PROFILE_CLAIMED_CSV_H

#include "calib/number/err.h"
#include "channel/claimed_curve.h"
#include "profile/mistakes.h"

/* 2 to CLAIMED_POINTS rows, torque rising, no cell empty. ret written on success only. RC_ARG with mistakes (m may be
 * NULL), RC_IO, RC_NOMEM. */
enum rc claimed_csv_read(const char *path, struct claimed_curve *ret, struct mistakes *m, struct err *err) MUST_CHECK;

#endif
