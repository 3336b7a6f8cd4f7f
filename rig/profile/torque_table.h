/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The classes of a guide as a table that people can replace: calib/data/torque_classes.csv and its like. */
#ifndef BRIDLE_PROFILE_TORQUE_TABLE_H
#define BRIDLE_PROFILE_TORQUE_TABLE_H

#include "calib/cell/torquecal.h"
#include "calib/number/err.h"
#include "profile/mistakes.h"

/* Rows of the column "table" with that name ("torque", "force"), in rising order of class. An empty cell is no limit.
 * The table's name is "NAME of FILE". ret written on success only. RC_ARG with mistakes, RC_IO. */
enum rc torque_table_read(const char *path, const char *name, struct torque_table *ret, struct mistakes *m,
			  struct err *err) MUST_CHECK;

#endif
