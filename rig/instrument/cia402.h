/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The state machine of a drive after CiA 402 (IEC 61800-7-201): what its statusword (6041h) says, and which controlword
 * (6040h) leads it one transition further to where it is to be. Pure; no time, no I/O.
 *
 * Statusword, its bits 6, 5 and 3 to 0 (x: not looked at):
 *   0x 0000 not ready to switch on   1x 0000 switch on disabled   01 0001 ready to switch on   01 0011 switched on
 *   01 0111 operation enabled        00 0111 quick stop active    0x 1111 fault reaction active 0x 1000 fault
 * Controlword: 06h shutdown (transitions 2, 6, 8), 07h switch on (3) or disable operation (5), 0Fh enable operation
 * (4, 16), 00h disable voltage (7, 9, 10, 12). 80h, the edge that resets a fault (15), is none of its words: who wants
 * that asks for it (instrument/canopen_setup.h).
 *
 * A drive that leaves "operation enabled" though nobody told it so (its own stop input, a word of somebody else) is not
 * led there again before it was told to be off: no shaft starts by itself. Nor is one led anywhere that was not seen
 * without torque since: a statusword older than that says nothing. "Not ready to switch on" does not count for that: a
 * drive that starts passes on by itself, and a word of zeros comes of a frame that nobody filled as well.
 *
 * States, words and transitions: CiA DSP 402 V3.0, as printed in public drive manuals. Modes' numbers: from memory. */
#ifndef BRIDLE_INSTRUMENT_CIA402_H
#define BRIDLE_INSTRUMENT_CIA402_H

#include <stdbool.h>
#include <stdint.h>

enum cia402_state {
	CIA402_NOT_READY,
	CIA402_SWITCH_ON_DISABLED,
	CIA402_READY,
	CIA402_SWITCHED_ON,
	CIA402_ENABLED,
	CIA402_QUICK_STOP,
	CIA402_FAULT_REACTION,
	CIA402_FAULT,
	CIA402_UNKNOWN /* a word that no state has */
};

#define CIA402_DISABLE_VOLTAGE 0x00
#define CIA402_SHUTDOWN 0x06
#define CIA402_SWITCH_ON 0x07
#define CIA402_ENABLE 0x0f
#define CIA402_FAULT_RESET 0x80

#define CIA402_INTERNAL_LIMIT 0x0800u /* statusword bit 11: a limit of its own acts */

/* Modes of operation (6060h, shown by 6061h). In 6502h, what a drive has, mode n is bit n - 1. */
enum cia402_mode {
	CIA402_NO_MODE = 0,
	CIA402_PROFILE_VELOCITY = 3,
	CIA402_PROFILE_TORQUE = 4,
	CIA402_CYCLIC_VELOCITY = 9,
	CIA402_CYCLIC_TORQUE = 10
};

/* Zeroed: off. */
struct cia402 {
	bool was_off;     /* seen without torque since it was told to be off */
	bool was_enabled; /* since it was told to be on */
	bool left;        /* and it has left that by itself */
};

enum cia402_state cia402_state_of(uint16_t statusword);
const char *cia402_state_words(enum cia402_state state);

/* May there be torque? True too for a word that no state has. */
bool cia402_has_torque(enum cia402_state state);

/* The controlword now. wanted: it is to be on; mode_right: it shows the mode that it was told. */
uint16_t cia402_step(struct cia402 *machine, enum cia402_state state, bool wanted, bool mode_right);

#endif
