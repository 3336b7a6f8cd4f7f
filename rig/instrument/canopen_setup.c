/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/canopen_setup.h"

#include "instrument/cia402.h"

#include <math.h>
#include <stdio.h>

#define HEARTBEAT_CONSUMER 0x1016
#define PROFILE_402 402
#define PDO_OFF 0x80000000u
#define PDO_EVENT 255 /* transmission type: on an event, or by the event timer */
#define RPDO_PARAMETERS 0x1400
#define RPDO_MAP 0x1600
#define TPDO_PARAMETERS 0x1800
#define TPDO_MAP 0x1a00
#define DISABLE_VOLTAGE_WITHOUT_HOST 2 /* 6007h */
#define NEAR 0.01
#define INHIBITED 0.5     /* of the period: what happens meanwhile is told no sooner */
#define INHIBIT_UNITS 1e4 /* a second */

static void add(struct canopen_setup *s, struct canopen_step step)
{
	if (s->n < CANOPEN_STEPS)
		s->step[s->n++] = step;
}

static void add_write(struct canopen_setup *s, uint16_t index, uint8_t sub, uint8_t size, uint32_t value,
		      const char *means)
{
	add(s,
	    (struct canopen_step){
		    .what = CANOPEN_DO_WRITE, .object = { index, sub }, .size = size, .value = value, .means = means });
}

static void add_read(struct canopen_setup *s, uint16_t index, uint8_t sub, enum canopen_check check, uint32_t value,
		     const char *means)
{
	add(s, (struct canopen_step){ .what = CANOPEN_DO_READ,
				      .object = { index, sub },
				      .check = check,
				      .value = value,
				      .means = means });
}

/* What not every drive has: its refusal is no mistake. */
static void add_optional(struct canopen_setup *s, uint16_t index, uint8_t sub, uint8_t size, uint32_t value)
{
	add_write(s, index, sub, size, value, "");
	s->step[s->n - 1].optional = true;
}

static void add_nmt(struct canopen_setup *s, enum canopen_nmt command)
{
	add(s, (struct canopen_step){ .what = CANOPEN_DO_NMT, .value = command });
}

static uint32_t map_of(uint16_t index, unsigned bits)
{
	return (uint32_t)index << 16 | bits;
}

/* parameters: 1400h or 1800h + number; map: 1600h or 1A00h + number. */
static void add_pdo(struct canopen_setup *s, unsigned number, bool takes, const uint32_t *objects, uint8_t n,
		    double timer_s)
{
	uint16_t parameters = (uint16_t)((takes ? RPDO_PARAMETERS : TPDO_PARAMETERS) + number);
	uint16_t map = (uint16_t)((takes ? RPDO_MAP : TPDO_MAP) + number);
	uint32_t id = (takes ? CANOPEN_RPDO : CANOPEN_TPDO) + number * CANOPEN_PDO_STEP + s->plan.node;
	const char *means = takes ? "the process data object that it takes" : "the process data object that it sends";

	add_write(s, parameters, 1, 4, PDO_OFF | id, means);
	add_write(s, parameters, 2, 1, PDO_EVENT, means);
	if (timer_s > 0) {
		add_optional(s, parameters, 3, 2, (uint32_t)lrint(timer_s * INHIBITED * INHIBIT_UNITS));
		add_write(s, parameters, 5, 2, (uint32_t)lrint(timer_s * 1e3), means);
	}
	add_write(s, map, 0, 1, 0, means);
	for (uint8_t i = 0; i < n; i++)
		add_write(s, map, (uint8_t)(i + 1), 4, objects[i], means);
	add_write(s, map, 0, 1, n, means);
	add_write(s, parameters, 1, 4, id, means);
}

static void add_pdos(struct canopen_setup *s)
{
	const uint32_t control[] = { map_of(0x6040, 16), map_of(0x6060, 8) };
	const uint32_t velocity[] = { map_of(0x60ff, 32) };
	const uint32_t torque[] = { map_of(0x6071, 16), map_of(0x6080, 32) };
	const uint32_t told[] = { map_of(0x6041, 16), map_of(0x606c, 32), map_of(0x6078, 16) };

	add_pdo(s, 0, true, control, 2, 0);
	if (s->plan.velocity_mode)
		add_pdo(s, 1, true, velocity, 1, 0);
	if (s->plan.torque_mode) {
		add_read(s, CANOPEN_SPEED_LIMIT, 0, CANOPEN_KEPT, 0, "the speed limit of its motor");
		add_pdo(s, 2, true, torque, 2, 0);
	}
	if (s->plan.telemetry_s > 0)
		add_pdo(s, 0, false, told, s->plan.rated_A > 0 ? 3 : 2, s->plan.telemetry_s);
}

static void add_lease(struct canopen_setup *s)
{
	static const char lease[] = "the lease. Without one leave lease out and add a [warden] section";
	uint32_t consumer = s->plan.host << 16 | (uint32_t)lrint(s->plan.lease_s * 1e3);

	if (!(s->plan.lease_s > 0))
		return;
	add_write(s, 0x1016, 1, 4, consumer, lease);
	add_read(s, 0x1016, 1, CANOPEN_IS, consumer, lease);
	add_write(s, 0x6007, 0, 2, DISABLE_VOLTAGE_WITHOUT_HOST, lease);
	add_read(s, 0x6007, 0, CANOPEN_IS, DISABLE_VOLTAGE_WITHOUT_HOST, lease);
}

static void add_reset(struct canopen_setup *s)
{
	static const uint32_t words[] = { CIA402_DISABLE_VOLTAGE, CIA402_FAULT_RESET, CIA402_DISABLE_VOLTAGE };

	add_read(s, 0x6041, 0, CANOPEN_STATUS, 0, "its state");
	add_read(s, 0x603f, 0, CANOPEN_ERROR, 0, "its error code");
	for (int i = 0; i < 3; i++) {
		add_write(s, 0x6040, 0, 2, words[i], "the reset of its fault");
		s->step[s->n - 1].for_reset = true;
	}
}

static void add_modes(struct canopen_setup *s)
{
	const int modes[] = { s->plan.velocity_mode, s->plan.torque_mode };

	for (int i = 0; i < 2; i++)
		if (modes[i] > 0)
			add_read(s, 0x6502, 0, CANOPEN_HAS_BITS, 1u << (modes[i] - 1),
				 i == 0 ? "velocity_mode" : "torque_mode");
}

void canopen_setup_init(struct canopen_setup *s, const struct canopen_plan *plan)
{
	*s = (struct canopen_setup){ .plan = *plan };
	add_nmt(s, CANOPEN_PRE_OPERATIONAL);
	add_read(s, 0x1000, 0, CANOPEN_IS, PROFILE_402, "the profile of a drive, CiA 402");
	s->step[s->n - 1].mask = 0xffff;
	add_write(s, 0x6040, 0, 2, CIA402_DISABLE_VOLTAGE, "off");
	add_modes(s);
	if (plan->rated_torque_Nm > 0)
		add_read(s, 0x6076, 0, CANOPEN_NEAR, (uint32_t)lrint(plan->rated_torque_Nm * 1e3),
			 "rated_torque in mN\xc2\xb7m");
	if (plan->rated_A > 0)
		add_read(s, 0x6075, 0, CANOPEN_NEAR, (uint32_t)lrint(plan->rated_A * 1e3), "rated_current in mA");
	add_lease(s);
	add_pdos(s);
	add_reset(s);
	add_nmt(s, CANOPEN_START);
}

void canopen_setup_again(struct canopen_setup *s)
{
	s->at = 0;
	s->asked = s->in_fault = s->is_to_reset = false;
	s->unanswered = 0;
	s->why[0] = '\0';
}

bool canopen_setup_done(const struct canopen_setup *s)
{
	return s->at >= s->n;
}

static void go_on(struct canopen_setup *s)
{
	s->asked = false;
	s->unanswered = 0;
	do
		s->at++;
	while (s->at < s->n && s->step[s->at].for_reset && !s->is_to_reset);
}

static void put(const struct canopen_setup *s, const struct canopen_step *step, struct can_message *ret)
{
	if (step->what == CANOPEN_DO_NMT)
		canopen_put_nmt((enum canopen_nmt)step->value, s->plan.node, ret);
	else if (step->what == CANOPEN_DO_WRITE)
		canopen_put_write(s->plan.node, step->object, step->size, step->value, ret);
	else
		canopen_put_read(s->plan.node, step->object, ret);
}

bool canopen_setup_next(struct canopen_setup *s, struct mono now, struct can_message *ret)
{
	bool waits = s->asked && mono_diff_s(now, s->asked_at) < CANOPEN_ANSWER_S;

	if (s->why[0] || canopen_setup_done(s) || waits)
		return false;
	const struct canopen_step *step = &s->step[s->at < s->n ? s->at : s->n - 1];
	put(s, step, ret);
	s->unanswered += s->asked;
	s->asked = true;
	s->asked_at = now;
	if (step->what == CANOPEN_DO_NMT) /* nobody answers it */
		go_on(s);
	return true;
}

static bool is_right(const struct canopen_step *step, uint32_t value)
{
	switch (step->check) {
	case CANOPEN_IS: return value == step->value;
	case CANOPEN_HAS_BITS: return (value & step->value) == step->value;
	case CANOPEN_NEAR: return fabs((double)value - step->value) <= NEAR * step->value;
	case CANOPEN_ANY:
	case CANOPEN_KEPT:
	case CANOPEN_STATUS:
	case CANOPEN_ERROR: return true;
	}
	return false;
}

static void take_read(struct canopen_setup *s, const struct canopen_step *step, uint32_t value)
{
	value &= step->mask ? step->mask : UINT32_MAX;
	if (!is_right(step, value) && step->check == CANOPEN_HAS_BITS) {
		snprintf(s->why, sizeof s->why,
			 "it does not have the mode of %s (object 6502h): take another mode, or leave %s out",
			 step->means, step->means);
		return;
	}
	if (!is_right(step, value) && step->object.index == HEARTBEAT_CONSUMER) {
		snprintf(s->why, sizeof s->why, "it did not keep the lease (object %04Xh:%u): %s", step->object.index,
			 step->object.sub, step->means);
		return;
	}
	if (!is_right(step, value)) {
		snprintf(s->why, sizeof s->why, "its object %04Xh:%u reads %u, expected %u: %s", step->object.index,
			 step->object.sub, (unsigned)value, (unsigned)step->value, step->means);
		return;
	}
	if (step->check == CANOPEN_KEPT && !s->knows_speed_limit) {
		s->speed_limit = value;
		s->knows_speed_limit = true;
	}
	if (step->check == CANOPEN_STATUS)
		s->in_fault = cia402_state_of((uint16_t)value) == CIA402_FAULT;
	if (step->check == CANOPEN_ERROR)
		s->is_to_reset = s->in_fault && s->plan.reset_fault && value == s->plan.reset_fault;
	go_on(s);
}

void canopen_setup_take(struct canopen_setup *s, const struct can_message *m)
{
	if (s->why[0] || canopen_setup_done(s) || !s->asked)
		return;
	const struct canopen_step *step = &s->step[s->at];
	const struct canopen_answer a = canopen_take_answer(s->plan.node, step->object, m);

	if (a.kind == CANOPEN_REFUSED && step->optional)
		go_on(s);
	else if (a.kind == CANOPEN_REFUSED)
		snprintf(s->why, sizeof s->why, "its object %04Xh:%u is refused with abort code %08Xh, %s: %s",
			 step->object.index, step->object.sub, (unsigned)a.value, canopen_abort_words(a.value),
			 step->means);
	else if (a.kind == CANOPEN_TOO_LONG && step->what == CANOPEN_DO_READ)
		snprintf(s->why, sizeof s->why, "its object %04Xh:%u is longer than 4 bytes, expected a number: %s",
			 step->object.index, step->object.sub, step->means);
	else if (a.kind == CANOPEN_READ && step->what == CANOPEN_DO_READ)
		take_read(s, step, a.value);
	else if (a.kind == CANOPEN_WRITTEN && step->what == CANOPEN_DO_WRITE)
		go_on(s);
}

void canopen_setup_hint(const struct canopen_setup *s, char *buf, size_t size)
{
	const struct canopen_step *step = &s->step[s->at];

	if (s->why[0])
		snprintf(buf, size, "%s", s->why);
	else if (s->unanswered > 0)
		snprintf(buf, size, "node %u does not answer about object %04Xh:%u: check node_id", s->plan.node,
			 step->object.index, step->object.sub);
	else
		snprintf(buf, size, "its set-up is not done yet");
}
