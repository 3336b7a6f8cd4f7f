/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/canopen.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define READ_QUESTION 0x40
#define WRITE_QUESTION 0x23 /* expedited, with its size; bits 2 and 3: bytes without data */
#define WRITE_ANSWER 0x60
#define ABORT 0x80
#define EXPEDITED 0x02
#define SIZED 0x01
#define SERVICE 0xe0
#define READ_ANSWER 0x40
#define FIRST_OF_DATA 4

static void put_object(unsigned node, uint8_t service, struct canopen_object o, struct can_message *ret)
{
	*ret = (struct can_message){ .id = CANOPEN_SDO_QUESTION + node,
				     .n = 8,
				     .byte = { service, (uint8_t)o.index, (uint8_t)(o.index >> 8), o.sub } };
}

static uint32_t number_at(const struct can_message *m, int first, int n)
{
	uint32_t ret = 0;

	for (int i = n; i > 0; i--)
		ret = ret << 8 | m->byte[first + i - 1];
	return ret;
}

void canopen_put_read(unsigned node, struct canopen_object object, struct can_message *ret)
{
	put_object(node, READ_QUESTION, object, ret);
}

void canopen_put_write(unsigned node, struct canopen_object object, uint8_t size, uint32_t value,
		       struct can_message *ret)
{
	put_object(node, (uint8_t)(WRITE_QUESTION | (4 - size) << 2), object, ret);
	for (int i = 0; i < size; i++)
		ret->byte[FIRST_OF_DATA + i] = (uint8_t)(value >> (8 * i));
}

static struct canopen_answer take_read(const struct can_message *m)
{
	const uint8_t service = m->byte[0];
	uint8_t size = service & SIZED ? (uint8_t)(4 - (service >> 2 & 3)) : 4;

	if (!(service & EXPEDITED))
		return (struct canopen_answer){ .kind = CANOPEN_TOO_LONG };
	return (struct canopen_answer){ CANOPEN_READ, number_at(m, FIRST_OF_DATA, size), size };
}

struct canopen_answer canopen_take_answer(unsigned node, struct canopen_object object, const struct can_message *m)
{
	const struct canopen_answer none = { .kind = CANOPEN_NO_ANSWER };

	if (m->is_long || m->id != CANOPEN_SDO_ANSWER + node || m->n != 8 || number_at(m, 1, 2) != object.index ||
	    m->byte[3] != object.sub)
		return none;
	switch (m->byte[0] & SERVICE) {
	case ABORT: return (struct canopen_answer){ CANOPEN_REFUSED, number_at(m, FIRST_OF_DATA, 4), 4 };
	case WRITE_ANSWER: return (struct canopen_answer){ .kind = CANOPEN_WRITTEN };
	case READ_ANSWER: return take_read(m);
	default: return none;
	}
}

const char *canopen_abort_words(uint32_t code)
{
	static const struct {
		uint32_t code;
		const char *words;
	} known[] = {
		{ 0x05030000, "the toggle bit did not change" },
		{ 0x05040000, "the transfer took too long" },
		{ 0x05040001, "it does not know this command" },
		{ 0x05040005, "it has no memory left" },
		{ 0x06010000, "the object cannot be reached so" },
		{ 0x06010001, "the object can only be written" },
		{ 0x06010002, "the object can only be read" },
		{ 0x06020000, "it has no such object" },
		{ 0x06040041, "the object cannot be in a process data object" },
		{ 0x06040042, "more objects than a process data object holds" },
		{ 0x06040043, "the value does not go with others" },
		{ 0x06040047, "something within it does not go with that" },
		{ 0x06060000, "a fault of its hardware" },
		{ 0x06070010, "the object has another length" },
		{ 0x06070012, "the value is too long" },
		{ 0x06070013, "the value is too short" },
		{ 0x06090011, "it has no such sub-index" },
		{ 0x06090030, "the value is out of range" },
		{ 0x06090031, "the value is too large" },
		{ 0x06090032, "the value is too small" },
		{ 0x06090036, "a maximum is below its minimum" },
		{ 0x060a0023, "the resource is not there" },
		{ 0x08000000, "an error of no stated kind" },
		{ 0x08000020, "the value could not be stored" },
		{ 0x08000021, "it is under local control" },
		{ 0x08000022, "not in its present state" },
		{ 0x08000023, "it has no list of objects" },
		{ 0x08000024, "there is no value" },
	};

	for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
		if (known[i].code == code)
			return known[i].words;
	return "not listed in CiA 301";
}

int32_t canopen_signed(uint32_t value, uint8_t size)
{
	switch (size) {
	case 1: return (int8_t)value;
	case 2: return (int16_t)value;
	case 3: return (int32_t)(value << 8) / 256;
	default: return (int32_t)value;
	}
}

void canopen_put_nmt(enum canopen_nmt command, unsigned node, struct can_message *ret)
{
	*ret = (struct can_message){ .n = 2, .byte = { (uint8_t)command, (uint8_t)node } };
}

void canopen_put_heartbeat(unsigned host, struct can_message *ret)
{
	*ret = (struct can_message){ .id = CANOPEN_HEARTBEAT + host, .n = 1, .byte = { 5 } };
}

bool canopen_is_boot(unsigned node, const struct can_message *m)
{
	return !m->is_long && m->id == CANOPEN_HEARTBEAT + node && m->n == 1 && m->byte[0] == 0;
}

/* A whole number in the notation of C, up to most; NULL: it is none. */
static const char *take_number(const char *text, unsigned long most, unsigned long *ret)
{
	char *end;

	if (*text < '0' || *text > '9')
		return NULL;
	*ret = strtoul(text, &end, 0);
	return *ret <= most ? end : NULL;
}

bool canopen_read_object(const char *text, struct canopen_object *ret, double *ret_scale)
{
	unsigned long index, sub;
	char *end;

	text = take_number(text, 0xffff, &index);
	if (text == NULL || *text != ':' || (text = take_number(text + 1, 0xff, &sub)) == NULL)
		return false;
	*ret = (struct canopen_object){ (uint16_t)index, (uint8_t)sub };
	*ret_scale = 1;
	if (*text == '\0')
		return true;
	if (strncmp(text, " scale ", 7) != 0)
		return false;
	*ret_scale = strtod(text + 7, &end);
	return end > text + 7 && *end == '\0' && isfinite(*ret_scale) && (*ret_scale < 0 || *ret_scale > 0);
}
