/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A meter or temperature logger with a Modbus register map (channel/modbus.h). Once a period it is asked for its
 * registers, one question after the other; registers that follow each other go in one question, so that a voltage and
 * a current beside each other are of one moment. All are taken in when the last answer has come, and dated by that.
 *
 * A question without an answer is given up after MODBUS_ANSWER_S; the line then rests for as long, so that a late
 * answer is not taken for another's, and the round begins anew. An exception ends the round; which one it was is told
 * with the instrument's silence. Registers between those of the map are never asked for: many devices refuse them.
 *
 * With the role power it is set as well (instrument/modbus_output.h): when it is opened its output is switched off,
 * voltage and current limit are written, and each is read back; what does not agree is refused. In a run the output
 * goes on and off between two questions; off waits for the answer to an open one no longer than 50 ms. An error there
 * ends the trust in it: its channels have no age any more. It has no lease: the warden ends its output.
 *
 * Several devices share a line by their addresses, with turns (instrument/turns.h) of one round each. */
#ifndef BRIDLE_INSTRUMENT_MODBUS_METER_H
#define BRIDLE_INSTRUMENT_MODBUS_METER_H

#include "channel/modbus.h"
#include "instrument/instrument.h"

#define MODBUS_ANSWER_S 0.25
#define MODBUS_OFF_S 0.05 /* an answer takes some 10 ms; common practice, no source */

struct modbus_setup {
	bool tcp;
	int baud; /* the quiet between two frames: 3.5 characters, at least 1.75 ms */
	struct modbus_register word[MODBUS_WORDS];
	struct modbus_register set[MODBUS_SETS]; /* of a supply that is set: all three */
	double set_V, set_A;                     /* what they are set to */
};

/* config->modbus: not NULL; config->address: the unit, 1 to 247. Asks nothing yet, unless it is set. */
enum rc modbus_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		    struct instrument *ret, struct err *err) MUST_CHECK;

#endif
