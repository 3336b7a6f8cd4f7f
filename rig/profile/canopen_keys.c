/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/canopen_keys.h"

#include "channel/canopen.h"
#include "profile/can_drive_keys.h"
#include "profile/instrument_mistake.h"

#include <stdlib.h>
#include <string.h>

#define SDO_ROUND 6           /* questions of rig/instrument/canopen_drive.c */
#define SDO_ROUND_MOST_s 0.25 /* half of what a word of a drive is believed */

static void check_numbers(struct inifile *r, const struct instrument_profile *p)
{
	if (p->node_id == 0)
		instrument_mistake(r, "node_id", "is missing; a canopen-drive needs its number on the bus, 1 to %d",
				   CANOPEN_NODES);
	if (p->node_id == p->host_id)
		instrument_mistake(r, "host_id",
				   "found %d, which is the drive's own number; expected one that no device has",
				   p->host_id);
}

static void check_modes(struct inifile *r, const struct instrument_profile *p)
{
	if (p->velocity_mode == 0 && p->torque_mode == 0)
		instrument_mistake(r, "velocity_mode",
				   "found none, and torque_mode has none either; a drive needs one of the two");
	if (p->torque_mode > 0 && !(p->rated_torque_Nm > 0))
		instrument_mistake(
			r, "rated_torque",
			"is missing; torque_mode commands shares of it (object 6076h of the drive, in mN\xc2\xb7m)");
	if (p->torque_mode > 0 && p->shaft != SHAFT_ROTOR)
		instrument_mistake(
			r, "side",
			"found output; with torque_mode expected rotor: torque and speed limit of such a drive "
			"(6071h, 6080h) are its motor's");
	if (p->encoder_counts > 0 && inifile_line(r, INSTRUMENT_SECTION, "speed_unit") > 0)
		instrument_mistake(r, "speed_unit",
				   "stands beside encoder_counts; its speed has one unit, leave one of them out");
}

/* "8130h" or "0x8130". */
static bool read_code(const char *text, int *ret)
{
	char *end;
	unsigned long code = strtoul(text, &end, 16);
	bool is_one = *text >= '0' && *text <= '9' && (*end == '\0' || strcmp(end, "h") == 0);

	*ret = (int)code;
	return is_one && code > 0 && code <= 0xffff;
}

static void check_texts(struct inifile *r, struct instrument_profile *p)
{
	struct canopen_object object;
	double scale;

	if (p->temperature_object[0] && !canopen_read_object(p->temperature_object, &object, &scale))
		instrument_mistake(
			r, "temperature_object",
			"found \"%.40s\", expected index and sub-index such as 0x2031:1, then scale and a number",
			p->temperature_object);
	if (p->reset_fault[0] && !read_code(p->reset_fault, &p->reset_fault_code))
		instrument_mistake(r, "reset_fault", "found \"%.40s\", expected one error code such as 8130h",
				   p->reset_fault);
}

void canopen_check_rate(struct inifile *r, const struct rig_profile *rig, const struct instrument_profile *p,
			const char *section)
{
	const double round_s = SDO_ROUND / rig->rate_Hz;

	if (strcmp(p->kind, "canopen-drive") == 0 && p->telemetry == TELEMETRY_SDO && !(round_s <= SDO_ROUND_MOST_s))
		inifile_mistake(r, p->roles_line, section, "telemetry",
				"found sdo: one question goes out in a tick, and a round of %d takes %.2g s at this "
				"rate, expected at most %g s. Take tpdo, or a [tether] rate of %g Hz",
				SDO_ROUND, round_s, SDO_ROUND_MOST_s, SDO_ROUND / SDO_ROUND_MOST_s);
}

void canopen_check(struct inifile *r, struct instrument_profile *p)
{
	if (strcmp(p->kind, "canopen-drive") != 0)
		return;
	check_numbers(r, p);
	check_modes(r, p);
	check_texts(r, p);
	can_drive_check_bus(r, p);
}
