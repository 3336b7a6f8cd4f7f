/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/canopen_node.h"

#define DEVICE_TYPE 0x00020192u /* a servo drive after CiA 402 */
#define NOT_VALID 0x80000000u
#define NO_OBJECT 0x06020000u
#define NO_SUB 0x06090011u
#define READ_ONLY 0x06010002u
#define OTHER_LENGTH 0x06070010u
#define NOT_NOW 0x08000022u
#define NOT_MAPPABLE 0x06040041u
#define TOO_MUCH 0x06040042u
#define OUT_OF_RANGE 0x06090030u
#define HEARTBEAT_LOST 0x8130u
#define REMOTE 0x0200u
#define VOLTAGE 0x0010u
#define LIMIT 0x0800u
#define BLIND_US 5000

struct object {
	uint32_t *place; /* NULL: value holds, and it is only read */
	uint32_t value;
	unsigned size;
};

static uint32_t status_of(const struct canopen_node *o)
{
	return (uint32_t)o->state | REMOTE | (o->senses.powered ? VOLTAGE : 0) | (o->senses.limited ? LIMIT : 0);
}

static bool find_drive(struct canopen_node *o, unsigned index, struct object *ret)
{
	switch (index) {
	case 0x1000: *ret = (struct object){ NULL, DEVICE_TYPE, 4 }; return true;
	case 0x6007: *ret = (struct object){ &o->without_host, 0, 2 }; return true;
	case 0x603f: *ret = (struct object){ NULL, o->error, 2 }; return true;
	case 0x6040: *ret = (struct object){ &o->control, 0, 2 }; return true;
	case 0x6041: *ret = (struct object){ NULL, status_of(o), 2 }; return true;
	case 0x6060: *ret = (struct object){ &o->mode, 0, 1 }; return true;
	case 0x6061: *ret = (struct object){ NULL, o->mode_shown, 1 }; return true;
	case 0x606c: *ret = (struct object){ NULL, (uint32_t)o->senses.velocity, 4 }; return true;
	case 0x6071: *ret = (struct object){ &o->torque, 0, 2 }; return true;
	case 0x6075: *ret = (struct object){ NULL, o->rated_mA, 4 }; return true;
	case 0x6076: *ret = (struct object){ NULL, o->rated_mNm, 4 }; return true;
	case 0x6078: *ret = (struct object){ NULL, (uint16_t)o->senses.current, 2 }; return true;
	case 0x6080: *ret = (struct object){ &o->most_rpm, 0, 4 }; return true;
	case 0x60ff: *ret = (struct object){ &o->velocity, 0, 4 }; return true;
	case 0x6502: *ret = (struct object){ NULL, o->modes, 4 }; return true;
	default: return false;
	}
}

static struct canopen_node_pdo *pdo_of(struct canopen_node *o, unsigned index, bool *ret_is_map)
{
	*ret_is_map = index & 0x200;
	index &= ~0x200u;
	if (index >= 0x1400 && index < 0x1400 + CANOPEN_NODE_RPDOS)
		return &o->rpdo[index - 0x1400];
	return index == 0x1800 ? &o->tpdo : NULL;
}

static bool find_pdo(struct canopen_node_pdo *p, bool is_map, unsigned sub, struct object *ret)
{
	if (is_map && sub == 0)
		*ret = (struct object){ &p->n, 0, 1 };
	else if (is_map && sub <= CANOPEN_NODE_MAPPED)
		*ret = (struct object){ &p->map[sub - 1], 0, 4 };
	else if (!is_map && sub == 1)
		*ret = (struct object){ &p->id, 0, 4 };
	else if (!is_map && sub == 2)
		*ret = (struct object){ &p->type, 0, 1 };
	else if (!is_map && sub == 3)
		*ret = (struct object){ &p->inhibit, 0, 2 };
	else if (!is_map && sub == 5)
		*ret = (struct object){ &p->timer_ms, 0, 2 };
	else
		return false;
	return true;
}

/* 0, or the abort code. */
static uint32_t find(struct canopen_node *o, unsigned index, unsigned sub, struct object *ret)
{
	bool is_map;
	struct canopen_node_pdo *p = pdo_of(o, index, &is_map);

	if (p)
		return find_pdo(p, is_map, sub, ret) ? 0 : NO_SUB;
	if (index == 0x1016 && sub == 1) {
		*ret = (struct object){ &o->consumer, 0, 4 };
		return 0;
	}
	if (index == 0x2031 && sub == 1) {
		*ret = (struct object){ NULL, (uint16_t)o->senses.temperature, 2 };
		return 0;
	}
	if (!find_drive(o, index, ret))
		return NO_OBJECT;
	return sub == 0 ? 0 : NO_SUB;
}

static void follow_mode(struct canopen_node *o)
{
	if (o->mode > 0 && o->mode <= 32 && o->modes >> (o->mode - 1) & 1)
		o->mode_shown = o->mode;
}

/* Transitions by their numbers in CiA 402. */
static void follow_control(struct canopen_node *o, uint32_t before)
{
	const uint32_t c = o->control;
	bool shutdown = (c & 0x87) == 0x06, no_voltage = !(c & 0x82), quick_stop = (c & 0x86) == 0x02;

	if (o->state == NODE402_FAULT) {
		if (c & ~before & 0x80) { /* 15 */
			o->state = NODE402_DISABLED;
			o->error = 0;
			o->restart = true;
		}
	} else if (no_voltage || quick_stop) { /* 7, 9, 10, 12 */
		o->state = NODE402_DISABLED;
	} else if (shutdown) { /* 2, 6, 8 */
		o->state = NODE402_READY;
	} else if (o->state == NODE402_READY && (c & 0x87) == 0x07) { /* 3 */
		o->state = NODE402_SWITCHED_ON;
	} else if (o->state == NODE402_SWITCHED_ON && (c & 0x8f) == 0x0f) { /* 4 */
		o->state = NODE402_ENABLED;
	} else if (o->state == NODE402_ENABLED && (c & 0x8f) == 0x07) { /* 5 */
		o->state = NODE402_SWITCHED_ON;
	}
}

static uint32_t check_map(struct canopen_node *o, const struct canopen_node_pdo *p, uint32_t n)
{
	unsigned bits = 0;
	struct object found;

	if (n > CANOPEN_NODE_MAPPED)
		return TOO_MUCH;
	for (uint32_t i = 0; i < n; i++) {
		if (find(o, p->map[i] >> 16, p->map[i] >> 8 & 0xff, &found) || found.size * 8 != (p->map[i] & 0xff))
			return NOT_MAPPABLE;
		bits += p->map[i] & 0xff;
	}
	return bits > 8 * CAN_FRAME_BYTES ? TOO_MUCH : 0;
}

/* A map is written while its object is switched off and has no entry that counts. */
static uint32_t may_write(struct canopen_node *o, unsigned index, unsigned sub, uint32_t value)
{
	bool is_map;
	const struct canopen_node_pdo *p = pdo_of(o, index, &is_map);

	if (index == 0x6007 && value > 3)
		return OUT_OF_RANGE;
	if (p == NULL || !is_map)
		return 0;
	if (!(p->id & NOT_VALID) || (sub > 0 && p->n > 0))
		return NOT_NOW;
	return sub == 0 ? check_map(o, p, value) : 0;
}

static uint32_t write_object(struct canopen_node *o, unsigned index, unsigned sub, unsigned size, uint32_t value)
{
	struct object found;
	const uint32_t control = o->control;
	uint32_t code = find(o, index, sub, &found);

	if (code == 0 && found.place == NULL)
		code = READ_ONLY;
	if (code == 0 && found.size != size)
		code = OTHER_LENGTH;
	if (code == 0)
		code = may_write(o, index, sub, value);
	if (code)
		return code;
	*found.place = value;
	if (index == 0x6060)
		follow_mode(o);
	if (index == 0x6040)
		follow_control(o, control);
	if (index == 0x1016)
		o->heard_us = -1;
	return 0;
}

static uint32_t get(const uint8_t *byte, unsigned n)
{
	uint32_t ret = 0;

	for (unsigned i = 0; i < n; i++)
		ret |= (uint32_t)byte[i] << (8 * i);
	return ret;
}

static void set(uint8_t *byte, unsigned n, uint32_t value)
{
	for (unsigned i = 0; i < n; i++)
		byte[i] = (uint8_t)(value >> (8 * i));
}

static void serve(struct canopen_node *o, const struct can_message *m, struct can_message *ret)
{
	const unsigned index = get(m->byte + 1, 2), sub = m->byte[3], service = m->byte[0] >> 5;
	struct object found = { 0 };
	uint32_t code;

	*ret = (struct can_message){ .id = 0x580 + o->number, .n = 8 };
	set(ret->byte + 1, 2, index);
	ret->byte[3] = (uint8_t)sub;
	if (service == 2) {
		code = find(o, index, sub, &found);
		ret->byte[0] = (uint8_t)(0x43 | (4 - found.size) << 2);
		if (code == 0)
			set(ret->byte + 4, found.size, found.place ? *found.place : found.value);
	} else {
		unsigned size = 4 - (m->byte[0] >> 2 & 3);

		code = write_object(o, index, sub, size, get(m->byte + 4, size));
		ret->byte[0] = 0x60;
	}
	if (code) {
		ret->byte[0] = 0x80;
		set(ret->byte + 4, 4, code);
	}
}

static void take_pdo(struct canopen_node *o, const struct canopen_node_pdo *p, const struct can_message *m)
{
	unsigned at = 0;

	for (uint32_t i = 0; i < p->n; i++) {
		const unsigned size = (p->map[i] & 0xff) / 8;

		if (at + size > m->n)
			return;
		(void)write_object(o, p->map[i] >> 16, p->map[i] >> 8 & 0xff, size, get(m->byte + at, size));
		at += size;
	}
}

void canopen_node_init(struct canopen_node *o, unsigned number, uint32_t modes, uint32_t rated_mNm, uint32_t rated_mA)
{
	struct can_message m;

	*o = (struct canopen_node){ .number = number, .modes = modes, .rated_mNm = rated_mNm, .rated_mA = rated_mA };
	canopen_node_boot(o, &m);
}

void canopen_node_boot(struct canopen_node *o, struct can_message *ret)
{
	*o = (struct canopen_node){ .number = o->number,
				    .modes = o->modes,
				    .rated_mNm = o->rated_mNm,
				    .rated_mA = o->rated_mA,
				    .state = NODE402_DISABLED,
				    .most_rpm = 6000,
				    .without_host = 1,
				    .heard_us = -1,
				    .tpdo = { .id = 0x180 + o->number, .type = 255, .n = 1, .map = { 0x60410010 } } };
	for (unsigned i = 0; i < CANOPEN_NODE_RPDOS; i++)
		o->rpdo[i] = (struct canopen_node_pdo){
			.id = 0x200 + 0x100 * i + o->number, .type = 255, .n = 1, .map = { 0x60400010 }
		};
	*ret = (struct can_message){ .id = 0x700 + o->number, .n = 1 };
}

static void manage(struct canopen_node *o, const struct can_message *m)
{
	if (m->n != 2 || (m->byte[1] != 0 && m->byte[1] != o->number))
		return;
	o->operational = m->byte[0] == 1;
}

bool canopen_node_take(struct canopen_node *o, const struct can_message *m, int64_t t_us, struct can_message *ret)
{
	if (m->is_long)
		return false;
	if (m->id == 0)
		manage(o, m);
	if (m->id == 0x600 + o->number && m->n == 8) {
		serve(o, m, ret);
		return true;
	}
	if (o->consumer >> 16 && m->id == 0x700 + (o->consumer >> 16 & 0x7f))
		o->heard_us = t_us;
	for (int i = 0; i < CANOPEN_NODE_RPDOS && o->operational; i++)
		if (m->id == o->rpdo[i].id)
			take_pdo(o, &o->rpdo[i], m);
	return false;
}

static void watch_host(struct canopen_node *o, int64_t t_us)
{
	const int64_t most_us = (int64_t)(o->consumer & 0xffff) * 1000;

	if (o->heard_us < 0 || most_us == 0 || t_us - o->heard_us < most_us)
		return;
	o->heard_us = -1;
	o->operational = false; /* 1029h as it is delivered */
	if (o->without_host == 2)
		o->state = NODE402_DISABLED;
	if (o->without_host == 1) {
		o->state = NODE402_FAULT;
		o->error = HEARTBEAT_LOST;
	}
}

bool canopen_node_tick(struct canopen_node *o, const struct canopen_node_senses *senses, int64_t t_us,
		       struct can_message *ret)
{
	unsigned at = 0;
	struct object found;

	o->senses = *senses;
	watch_host(o, t_us);
	if (o->restart)
		o->blind_us = t_us + BLIND_US;
	if (senses->fault && o->state != NODE402_FAULT && t_us >= o->blind_us) {
		o->state = NODE402_FAULT;
		o->error = senses->fault;
	}
	if (!o->operational || o->tpdo.id & NOT_VALID || o->tpdo.timer_ms == 0 || t_us < o->tell_us)
		return false;
	o->tell_us = t_us + (int64_t)o->tpdo.timer_ms * 1000;
	*ret = (struct can_message){ .id = o->tpdo.id };
	for (uint32_t i = 0; i < o->tpdo.n; i++) {
		if (find(o, o->tpdo.map[i] >> 16, o->tpdo.map[i] >> 8 & 0xff, &found))
			continue;
		set(ret->byte + at, found.size, found.place ? *found.place : found.value);
		at += found.size;
	}
	ret->n = (uint8_t)at;
	return true;
}
