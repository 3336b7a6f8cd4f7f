/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The output of a settable supply: what it is to do, what it was told, what it answered. Pure; the supply's own file
 * sends and receives. */
#ifndef BRIDLE_INSTRUMENT_SCPI_OUTPUT_H
#define BRIDLE_INSTRUMENT_SCPI_OUTPUT_H

#include "channel/rigio.h"
#include "instrument/scpi_words.h"

struct scpi_output {
	struct scpi_setup setup;
	bool sets;                      /* it has one; without, all below stays zero */
	bool want, told, open;          /* on; the same as answered; a message waits for its answer */
	bool asked;                     /* what the open message said */
	bool again;                     /* what was told may not be so: it went off at once, or a message was lost */
	double want_A, told_A, asked_A; /* of a coil: the same for its current */
	bool limited;                   /* the current limit acts, or acted since the answer before */
	char error[2 * SCPI_TEXT];      /* what it answered that it cannot do, as words; "" = nothing. Stays */
};

/* Returns true when it turned off: scpi_put_off must go out at once, whatever is open. */
bool scpi_output_want(struct scpi_output *o, bool on);
/* Of a coil: on while anything is energised; a current that is none is 0, more than the coil's is the coil's. */
bool scpi_output_want_coil(struct scpi_output *o, const struct wish *allowed);
/* Does what it is to do differ from what it was told? */
bool scpi_output_differs(const struct scpi_output *o);
/* A message that must go out, or 0. After one that was lost: call scpi_output_lost. */
size_t scpi_output_put(struct scpi_output *o, char *buf);
void scpi_output_lost(struct scpi_output *o);
/* An answer while one is open; false: it is none to that. */
bool scpi_output_take(struct scpi_output *o, const char *line);
/* The status that a measurement brought: latched, which a supply sets when a state begins (SCPI-1999, event register
 * with its default transition filter; from memory), and as it is now; 0 where that is not asked. */
void scpi_output_status(struct scpi_output *o, double latched, double now);
/* Does the answer to scpi_put_read_back say what was set, and off? NULL, or what it says instead (of SCPI_TEXT). */
const char *scpi_output_check(const struct scpi_output *o, const char *line, char *buf);

#endif
