/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive beside the node: what rig.ini says of it, as its instrument and the warden need it. */
#include "instrument/can_drive.h"
#include "instrument/canopen_drive.h"
#include "instrument/cia402.h"
#include "instrument/text_drive.h"
#include "link/link_can.h"
#include "run/session.h"

#include <string.h>

static struct drive_setup common(const struct session *s, const struct instrument_profile *p)
{
	return (struct drive_setup){
		.unit_rpm = p->unit_rpm,
		.unit_A = p->unit_A,
		.unit_Nm = p->unit_Nm,
		.unit_deg = p->unit_deg,
		.gear_ratio = s->has_actuator ? s->actuator.gear_ratio : 1,
		.sign = p->drive_sign,
		.at_output = p->shaft == SHAFT_OUTPUT,
		.lease_s = p->lease_s,
		.boot_s = p->boot_s,
		.period_s = p->period_s,
	};
}

/* The profile's reader has checked it. */
static void read_pattern(const char *text, struct text_pattern *ret)
{
	char why[TEXT_PATTERN_WHY];

	if (!*text || !text_pattern_read(text, ret, why))
		*ret = (struct text_pattern){ 0 };
}

void session_text_drive(const struct session *s, const struct instrument_profile *p, struct text_drive_setup *ret)
{
	_Static_assert(PROFILE_TELLS <= TEXT_DRIVE_TELLS, "every pattern has its place");
	*ret = (struct text_drive_setup){ .drive = common(s, p) };
	read_pattern(p->send_speed, &ret->speed);
	read_pattern(p->send_current, &ret->current);
	read_pattern(p->send_torque, &ret->torque);
	read_pattern(p->send_position, &ret->position);
	read_pattern(p->send_off, &ret->off);
	read_pattern(p->ask, &ret->ask);
	for (size_t i = 0; i < PROFILE_TELLS; i++)
		if (p->tell[i][0])
			read_pattern(p->tell[i], &ret->tell[ret->n_tell++]);
}

static void read_map(const char *text, struct can_map *ret)
{
	char why[CAN_SIGNAL_WHY];

	if (!*text || !can_map_read(text, ret, why))
		*ret = (struct can_map){ 0 };
}

void session_can_drive(const struct session *s, const struct instrument_profile *p, struct can_drive_setup *ret)
{
	_Static_assert(PROFILE_CAN_TELLS == DRIVE_WORDS, "every word has its key");
	*ret = (struct can_drive_setup){ .drive = common(s, p), .bit_rate = p->bit_rate };
	read_map(p->send_speed, &ret->speed);
	read_map(p->send_current, &ret->current);
	read_map(p->send_off, &ret->off);
	read_map(p->ask, &ret->ask);
	for (int w = 0; w < DRIVE_WORDS; w++)
		read_map(p->can_tell[w], &ret->tell[w]);
}

void session_canopen_drive(const struct session *s, const struct instrument_profile *p, struct canopen_drive_setup *ret)
{
	static const int velocity[] = { CIA402_NO_MODE, CIA402_PROFILE_VELOCITY, CIA402_CYCLIC_VELOCITY };
	static const int torque[] = { CIA402_NO_MODE, CIA402_PROFILE_TORQUE, CIA402_CYCLIC_TORQUE };

	*ret = (struct canopen_drive_setup){
		.drive = common(s, p),
		.bit_rate = p->bit_rate,
		.plan = { .node = (unsigned)p->node_id,
			  .host = (unsigned)p->host_id,
			  .velocity_mode = velocity[p->velocity_mode],
			  .torque_mode = torque[p->torque_mode],
			  .rated_torque_Nm = p->rated_torque_Nm,
			  .rated_A = p->rated_A,
			  .lease_s = p->lease_s,
			  .telemetry_s = p->telemetry == TELEMETRY_TPDO ? p->period_s : 0,
			  .reset_fault = (uint16_t)p->reset_fault_code },
	};
	ret->drive.unit_A = 1;
	ret->drive.unit_Nm = p->rated_torque_Nm / 1000;
	if (p->encoder_counts > 0)
		ret->drive.unit_rpm = 60 / p->encoder_counts;
	if (!canopen_read_object(p->temperature_object, &ret->temperature, &ret->temperature_scale))
		ret->temperature = (struct canopen_object){ 0 };
}

/* Behind half a line that the program may have left, it must still be read whole: it begins with the end of a line. */
static size_t put_frame(const struct instrument_profile *p, const struct can_message *m, char *text)
{
	if (strncmp(p->link, "can:", 4) == 0)
		return link_can_bytes(m, text);
	text[0] = '\r';
	return 1 + can_frame_put(m, text + 1);
}

static size_t put_off(const struct session *s, const struct instrument_profile *p, char *text)
{
	static const struct drive_command off = { .mode = DRIVE_OFF };
	struct text_drive_setup text_drive;
	struct can_drive_setup can_drive;
	struct canopen_drive_setup canopen_drive;
	struct can_message m;

	if (strcmp(p->kind, "canopen-drive") == 0) {
		session_canopen_drive(s, p, &canopen_drive);
		canopen_drive_off(&canopen_drive, &m);
		return put_frame(p, &m, text);
	}
	if (strcmp(p->kind, "can-drive") == 0) {
		session_can_drive(s, p, &can_drive);
		if (!can_drive.off.has_data)
			return 0;
		(void)can_map_put(&can_drive.off, 0, &m); /* 0 is a number */
		return put_frame(p, &m, text);
	}
	session_text_drive(s, p, &text_drive);
	size_t n = text_drive_put(&text_drive, &off, text + 1);
	text[0] = text[n];
	return n > 0 ? n + 1 : 0;
}

size_t session_drive_off(const struct session *s, const struct instrument_profile *p, char *buf, size_t size)
{
	char text[TEXT_DRIVE_LINE + 3];

	_Static_assert(CAN_FRAME_LINE <= TEXT_DRIVE_LINE, "a frame fits");
	size_t n = put_off(s, p, text);
	if (n > size)
		return 0;
	memcpy(buf, text, n);
	return n;
}
