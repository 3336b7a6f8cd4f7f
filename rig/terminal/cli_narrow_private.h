/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One line broken at blanks, without a terminal. */
#ifndef BRIDLE_TERMINAL_CLI_NARROW_PRIVATE_H
#define BRIDLE_TERMINAL_CLI_NARROW_PRIVATE_H

#include <stddef.h>

/* The line (n bytes, without its end) in rows of at most so many columns, each with its end, by pieces; how many rows.
 * A word that is longer is left whole. */
size_t cli_narrow_line(const char *line, size_t n, int most, void (*out)(const char *s, size_t n));

#endif
