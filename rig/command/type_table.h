/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Readings of a gauge that sends nothing, as somebody reads them aloud: asked for one after the other and kept as rows
 * of a table (profile/csv.h), each on the disk before the next is asked for. */
#ifndef BRIDLE_COMMAND_TYPE_TABLE_H
#define BRIDLE_COMMAND_TYPE_TABLE_H

#include "calib/number/err.h"

/* columns: the headings, "speed (rpm), tight (kg)". A table that is there goes on, where it has these headings. Ends
 * with Enter alone or q at the first column of a row, or with the input; a row that was begun and not ended is left
 * out. A column with a unit takes a number alone. RC_ARG headings that are none or other ones; RC_IO. */
enum rc type_table(const char *path, const char *columns, struct err *err) MUST_CHECK;

#endif
