/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Calibrations and maps as the JSON that the logbook keeps: all digits, and back.
 * Reading refuses a record that is not whole. Strings are malloc'ed; NULL when out of memory. */
#ifndef BRIDLE_LOGBOOK_RECORD_H
#define BRIDLE_LOGBOOK_RECORD_H

#include "calib/brake/brakemap.h"
#include "calib/cell/cellcal.h"

char *record_from_cellcal(const struct cellcal *cal);
enum rc record_to_cellcal(const char *json, struct cellcal *ret, struct err *err) MUST_CHECK;
char *record_from_brakemap(const struct brakemap *map);
enum rc record_to_brakemap(const char *json, struct brakemap *ret, struct err *err) MUST_CHECK;

#endif
