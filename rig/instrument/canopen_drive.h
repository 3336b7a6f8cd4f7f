/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive after CiA 402 on a CAN bus, spoken to over CANopen (channel/canopen.h) by the same lines of an adapter as any
 * CAN drive (instrument/can_bus.h).
 *
 * It is set up when it is opened, and anew after each of its starts (instrument/canopen_setup.h). Then each command is
 * the host's heartbeat (where the drive has a lease), the set-point's RPDO and RPDO 1 with controlword and mode. It
 * goes out when a set-point changes, when the state machine has a further word (instrument/cia402.h), and to renew the
 * lease; all of it only when somebody sets, so that the heartbeat ends when the tick does. The set-point is 0 until
 * the drive says "operation enabled", and that is asked for only where 6061h shows the commanded mode. From there on it
 * follows the command's ramp from its beginning (instrument/late_ramp.h). A torque mode writes the run's speed limit to
 * 6080h; once the drive is seen off it is given back what it had, by SDO.
 *
 * It tells by TPDO 1: statusword, velocity (606Ch) and current (6078h), or is asked for them; mode (6061h), error code
 * (603Fh) and temperature are asked for one after the other. A fault with code 3120h or 3220h (CiA 402: the mains or
 * the link has too little voltage; from memory) is an undervoltage. */
#ifndef BRIDLE_INSTRUMENT_CANOPEN_DRIVE_H
#define BRIDLE_INSTRUMENT_CANOPEN_DRIVE_H

#include "instrument/canopen_setup.h"
#include "instrument/drive_side.h"
#include "instrument/instrument.h"

struct canopen_drive_setup {
	struct drive_setup drive; /* unit_Nm: one per mille of the rated torque */
	int bit_rate;             /* of the bus, bit/s */
	struct canopen_plan plan;
	struct canopen_object temperature; /* index 0: it tells none */
	double temperature_scale;          /* degC for 1 */
};

/* config->canopen_drive: not NULL. RC_TIMEOUT: not all values came; RC_ARG: it is not as rig.ini says. */
enum rc canopen_drive_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
			   struct instrument *ret, struct err *err) MUST_CHECK;

/* The one frame that takes its torque away, whether it is operational or not: an SDO with controlword 0. */
void canopen_drive_off(const struct canopen_drive_setup *setup, struct can_message *ret);

#endif
