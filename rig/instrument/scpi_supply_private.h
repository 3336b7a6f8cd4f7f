/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The reading of an answer by itself. */
#ifndef BRIDLE_INSTRUMENT_SCPI_SUPPLY_PRIVATE_H
#define BRIDLE_INSTRUMENT_SCPI_SUPPLY_PRIVATE_H

#include "instrument/scpi_supply.h"

/* An answer to two numbers; false (nothing written) when it is anything else: one number, three, a word, not
 * finite; with an address (not 0) another one's answer. */
bool supply_answer(const char *line, int address, double *ret_V, double *ret_A);

#endif
