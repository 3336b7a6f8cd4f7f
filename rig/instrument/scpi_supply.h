/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A bench supply that tells its own volts and amperes over a line of text: the program messages of IEEE Std 488.2
 * and the measurement words of SCPI-1999 (MEASure subsystem; standards cited from memory). Asked
 * "MEAS:VOLT?;CURR?", it answers with two decimal numbers, "47.981;1.2034": the answers to one message stand in
 * one line, separated by semicolons. One question is open at a time. It fills the meter, or one half of it.
 *
 * With the role power it is set as well (scpi_words.h): when it is opened its output is switched off, voltage and
 * current limit are set, the error queue is asked and all is read back. What does not agree is refused; each answer is
 * waited for up to 2 s. In a run the output goes on and off; off goes out at once, even when an answer is open. After
 * each the error queue is asked. An error there ends the trust in the supply: its channels have no age any more, and
 * instrument.error says why. A supply has no lease: the warden ends its output.
 *
 * On a line that several share, each is an output of one supply by its number (INSTrument subsystem of SCPI-1999):
 * asked "INST:NSEL 2;NSEL?;:MEAS:VOLT?;CURR?", it answers "2;47.981;1.2034". An answer that names another output, late
 * from a turn before, is not taken. A turn without an answer ends after two periods, so that one that is silent does
 * not silence the other. What is set has a line of its own. */
#ifndef BRIDLE_INSTRUMENT_SCPI_SUPPLY_H
#define BRIDLE_INSTRUMENT_SCPI_SUPPLY_H

#include "instrument/instrument.h"

enum rc supply_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		    struct instrument *ret, struct err *err) MUST_CHECK;

#endif
