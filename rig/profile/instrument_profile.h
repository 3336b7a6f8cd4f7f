/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One [instrument NAME] section of rig.ini: an instrument beside the node. */
#ifndef BRIDLE_PROFILE_INSTRUMENT_PROFILE_H
#define BRIDLE_PROFILE_INSTRUMENT_PROFILE_H

#include "channel/gpio_wire.h"
#include "channel/modbus.h"
#include "profile/kinds.h"
#include "profile/sizes.h"

#include <stddef.h>

#define PROFILE_TELLS 3
#define PROFILE_NO_LINE PROFILE_INSTRUMENTS
#define PROFILE_CAN_TELLS 10 /* by enum drive_word, channel/drive_word.h */

/* Bytes that a device is sent, as bytes_read reads them (profile/bytes.h). */
#define PROFILE_BYTES 48
struct profile_bytes {
	size_t n;
	char byte[PROFILE_BYTES];
};

struct instrument_profile {
	char name[PROFILE_WORD];      /* NAME */
	char kind[PROFILE_WORD];      /* kind = supply | relay | text-drive | can-drive | gpio | indicator |
				       * modbus | canopen-drive | hand-drive */
	char link[PROFILE_PATH];      /* link; "" of a hand-drive, which has none */
	int baud;                     /* baud, 9600 */
	double period_s;              /* period, 0.2 s: between two readings */
	char role_text[PROFILE_PATH]; /* roles = meter */
	unsigned roles;               /* the same as ROLE_..., channel/channel.h */
	int roles_line;               /* of rig.ini, for messages */
	char close_text[PROFILE_WORD * 2], open_text[PROFILE_WORD * 2]; /* close, open: of a relay */
	char set_voltage[32], set_current[32], set_output[32]; /* headers of a supply that is set: VOLT, CURR, OUTP */
	char ask_error[32], ask_limited[32];                   /* SYST:ERR?; STAT:QUES:EVEN?, "" = not asked */
	char ask_limiting[32];                                 /* STAT:QUES:COND?, "" = not asked */
	double coil_V;    /* coil_voltage: of a supply that feeds the brake's coil, the most that the coil may get */
	int limited_bits; /* 1 */
	struct profile_bytes close, open; /* the same as bytes */
	/* Of a drive: side, speed_unit, current_unit, sign = + | -, lease (0: it has none), boot (0: always powered) */
	enum drive_shaft shaft;
	double unit_rpm, unit_A, unit_Nm, unit_deg; /* and torque_unit, angle_unit */
	int drive_sign;
	double lease_s, boot_s;
	/* Of a drive that speaks text, as patterns (channel/text_pattern.h); "" = it has none */
	char send_speed[PROFILE_WORD * 2], send_current[PROFILE_WORD * 2], send_off[PROFILE_WORD * 2];
	char send_torque[PROFILE_WORD * 2], send_position[PROFILE_WORD * 2];
	char ask[PROFILE_WORD * 2];
	char tell[PROFILE_TELLS][PROFILE_WORD * 2], tell_example[PROFILE_TELLS][PROFILE_WORD * 2];
	/* Of a drive on a CAN bus send_speed, send_current, send_off, ask and these, as maps (channel/can_signal.h);
	 * tell_speed, ... by enum drive_word, "" = it does not tell that one */
	char can_tell[PROFILE_CAN_TELLS][PROFILE_WORD * 2];
	int bit_rate; /* bit_rate, 500000 */
	/* Of a drive after CiA 402: node_id, host_id, velocity_mode = none | 3 | 9 and torque_mode = none | 4 | 10 (by
	 * their place in that list), encoder_counts (0: speed_unit holds), rated_torque, rated_current (0: not stated),
	 * telemetry, temperature_object, reset_fault and the latter as a number (0: none) */
	int node_id, host_id;
	int velocity_mode, torque_mode;
	double encoder_counts, rated_torque_Nm, rated_A;
	enum { TELEMETRY_TPDO, TELEMETRY_SDO } telemetry;
	char temperature_object[PROFILE_WORD], reset_fault[PROFILE_WORD];
	int reset_fault_code;
	/* Of an indicator: unit = kg, division (in it), lever; and what a division is by them. tell and ask as above */
	char unit[PROFILE_WORD];
	double division, lever_m, division_Nm;
	/* Of GPIO lines: estop, guard, contactor, pulse_a, pulse_b, switch, as written and read; "" = not wired */
	char wire_text[GPIO_USES][PROFILE_WORD];
	struct gpio_wire wire[GPIO_USES];
	/* Of a Modbus device: framing = rtu | tcp; read_voltage, read_current, read_brake, ... and as registers */
	bool modbus_tcp;
	char register_text[MODBUS_WORDS][PROFILE_WORD];
	struct modbus_register modbus[MODBUS_WORDS];
	char write_text[MODBUS_SETS][PROFILE_WORD]; /* write_output, write_voltage, write_current; the same */
	struct modbus_register modbus_set[MODBUS_SETS];
	enum { CHARACTERS_8N1, CHARACTERS_8E1, CHARACTERS_8N2 } characters; /* characters, of a serial line */
	/* Of a drive that a person sets: tolerance, wait, reverse */
	double near_frac, person_wait_s;
	enum { REVERSE_NO, REVERSE_YES } reverse;
	int address; /* address: its number on a line that several share, from 1 on; 0: alone */
	size_t line; /* 0, 1, ...: those with the same link are on one line; PROFILE_NO_LINE: it has none */
};

#endif
