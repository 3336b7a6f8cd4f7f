/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/cia402.h"

enum cia402_state cia402_state_of(uint16_t statusword)
{
	switch (statusword & 0x4f) {
	case 0x00: return CIA402_NOT_READY;
	case 0x40: return CIA402_SWITCH_ON_DISABLED;
	case 0x0f: return CIA402_FAULT_REACTION;
	case 0x08: return CIA402_FAULT;
	default: break;
	}
	switch (statusword & 0x6f) {
	case 0x21: return CIA402_READY;
	case 0x23: return CIA402_SWITCHED_ON;
	case 0x27: return CIA402_ENABLED;
	case 0x07: return CIA402_QUICK_STOP;
	default: return CIA402_UNKNOWN;
	}
}

const char *cia402_state_words(enum cia402_state state)
{
	static const char *const words[] = { "not ready to switch on", "switch on disabled",
					     "ready to switch on",     "switched on",
					     "operation enabled",      "quick stop active",
					     "fault reaction active",  "fault",
					     "in no state of CiA 402" };

	return words[state];
}

bool cia402_has_torque(enum cia402_state state)
{
	return state == CIA402_ENABLED || state == CIA402_QUICK_STOP || state == CIA402_FAULT_REACTION ||
	       state == CIA402_UNKNOWN;
}

static uint16_t further(enum cia402_state state, bool mode_right)
{
	switch (state) {
	case CIA402_SWITCH_ON_DISABLED: return CIA402_SHUTDOWN;
	case CIA402_READY: return CIA402_SWITCH_ON;
	case CIA402_SWITCHED_ON: return mode_right ? CIA402_ENABLE : CIA402_SWITCH_ON;
	case CIA402_ENABLED: return mode_right ? CIA402_ENABLE : CIA402_DISABLE_VOLTAGE;
	case CIA402_NOT_READY:
	case CIA402_QUICK_STOP:
	case CIA402_FAULT_REACTION:
	case CIA402_FAULT:
	case CIA402_UNKNOWN: break;
	}
	return CIA402_DISABLE_VOLTAGE;
}

uint16_t cia402_step(struct cia402 *machine, enum cia402_state state, bool wanted, bool mode_right)
{
	if (!wanted)
		*machine = (struct cia402){ 0 };
	machine->was_off |= state != CIA402_NOT_READY && !cia402_has_torque(state);
	if (!wanted || !machine->was_off)
		return CIA402_DISABLE_VOLTAGE;
	machine->left |= machine->was_enabled && state != CIA402_ENABLED;
	machine->was_enabled |= state == CIA402_ENABLED;
	return machine->left ? CIA402_DISABLE_VOLTAGE : further(state, mode_right);
}
