/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A meter or temperature logger with a Modbus register map (channel/modbus.h). Once a period it is asked for its
 * registers, one question after the other; registers that follow each other go in one question, so that a voltage and
 * a current beside each other are of one moment. All are taken in when the last answer has come, and dated by that.
 *
 * A question without an answer is given up after MODBUS_ANSWER_S; the line then rests for as long, so that a late
 * answer is not taken for another's, and the round begins anew. An exception ends the round; which one it was is told
 * with the instrument's silence. Registers between those of the map are never asked for: many devices refuse them.
 *
 * Several devices share a line by their addresses, with turns (instrument/turns.h) of one round each. */
#ifndef BRIDLE_INSTRUMENT_MODBUS_METER_H
#define BRIDLE_INSTRUMENT_MODBUS_METER_H

#include "channel/modbus.h"
#include "instrument/instrument.h"

#define MODBUS_ANSWER_S 0.25

struct modbus_setup {
	bool tcp;
	int baud; /* the quiet between two frames: 3.5 characters, at least 1.75 ms */
	struct modbus_register word[MODBUS_WORDS];
};

/* config->modbus: not NULL; config->address: the unit, 1 to 247. Asks nothing yet. */
enum rc modbus_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		    struct instrument *ret, struct err *err) MUST_CHECK;

#endif
