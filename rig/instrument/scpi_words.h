/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a settable bench supply is told and asked, as text: program messages of IEEE Std 488.2, words of SCPI-1999
 * (SOURce, OUTPut, STATus:QUEStionable, SYSTem:ERRor; standards cited from memory). Makers spell the headers
 * differently, so that the profile has them. Pure.
 *
 * Each message that sets something ends with the question for the error queue, so that its answer says whether the
 * supply took it. */
#ifndef BRIDLE_INSTRUMENT_SCPI_WORDS_H
#define BRIDLE_INSTRUMENT_SCPI_WORDS_H

#include <stdbool.h>
#include <stddef.h>

#define SCPI_WORD 32
#define SCPI_TEXT 160

struct scpi_setup {
	char voltage[SCPI_WORD], current[SCPI_WORD]; /* headers of the set-points: VOLT, CURR */
	char output[SCPI_WORD];                      /* OUTP; ON or OFF follows */
	char error[SCPI_WORD];                       /* SYST:ERR? */
	char limited[SCPI_WORD];                     /* STAT:QUES:EVEN?, the latched status; "" = it is not asked */
	char limiting[SCPI_WORD]; /* STAT:QUES:COND?, the status as it is now; "" = not asked; only with limited */
	unsigned limited_bits;    /* of both answers: those that say that the current limit acts */
	double set_V, set_A;
	bool coil;     /* it feeds the brake's coil: set_V is the most that the coil may get, and it begins with 0 A */
	double most_A; /* of the coil */
};

/* Each into buf of SCPI_TEXT; the length. */
size_t scpi_put_limits(const struct scpi_setup *setup, char *buf);          /* off, voltage, current limit, error? */
size_t scpi_put_read_back(const struct scpi_setup *setup, char *buf);       /* voltage?, current?, output? */
size_t scpi_put_output(const struct scpi_setup *setup, bool on, char *buf); /* output, error? */
size_t scpi_put_coil(const struct scpi_setup *setup, double current_A, char *buf); /* current, output on, error? */
/* Of a coil, after a line feed: output on and its current, up to where the amperes begin; 0 beyond most bytes. */
size_t scpi_put_hold(const struct scpi_setup *setup, size_t most, char *buf);
size_t scpi_put_off(const struct scpi_setup *setup, char *buf);     /* output off after a line feed: no answer comes */
size_t scpi_put_measure(const struct scpi_setup *setup, char *buf); /* NULL or no status: volts and amperes alone */

/* "-222,\"Data out of range\"" to number and text (of SCPI_TEXT); false when it is no such answer. */
bool scpi_error(const char *line, long *ret_number, char *ret_text);
/* "48.000;12.000;0" to exactly n finite numbers; ON and OFF are 1 and 0. */
bool scpi_numbers(const char *line, size_t n, double *ret);

#endif
