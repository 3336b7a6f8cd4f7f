/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A folder for a while, in $TMPDIR or /tmp. */
#ifndef BRIDLE_REPORTS_PACK_FOLDER_H
#define BRIDLE_REPORTS_PACK_FOLDER_H

#include "calib/number/err.h"

#include <stddef.h>
#include <stdint.h>

#define FOLDER_ROOM 600

enum rc folder_make(char ret[FOLDER_ROOM], struct err *err) MUST_CHECK;
void folder_remove(const char *folder); /* with its files; it has no folders in it */

/* Every file's name, sorted; *ret and its texts given to the caller. */
enum rc folder_list(const char *folder, char ***ret, size_t *ret_n, struct err *err) MUST_CHECK;
void folder_list_free(char **names, size_t n);

/* Bytes with a 0 behind them, given to the caller. */
enum rc folder_read(const char *folder, const char *name, uint8_t **ret, size_t *ret_n, struct err *err) MUST_CHECK;
enum rc folder_write(const char *folder, const char *name, const uint8_t *bytes, size_t n, struct err *err) MUST_CHECK;

#endif
