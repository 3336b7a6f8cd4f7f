/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/sample.h"

#include <string.h>

/* A cursor over tokens with a sticky failure: parse all, ask once. */
struct cursor {
	char *const *token;
	bool bad;
};

static int32_t decimal(struct cursor *c, int32_t min, int32_t max)
{
	int64_t value = 0;

	c->bad |= !tether_decimal(*c->token++, min, max, &value);
	return (int32_t)value;
}

static uint32_t hex(struct cursor *c, uint32_t max)
{
	uint64_t value = 0;

	c->bad |= !tether_hex(*c->token++, max, &value);
	return (uint32_t)value;
}

static int find(const char *word, const char *const *words, int n)
{
	for (int i = 0; i < n; i++)
		if (strcmp(word, words[i]) == 0)
			return i;
	return -1;
}

/* NODE_UNKNOWN for any other word. */
static enum node_state sample_state(const char *word)
{
	static const char *const words[] = { "idle", "live", "stopping", "safe" };
	int i = find(word, words, 4);

	return i < 0 ? NODE_UNKNOWN : (enum node_state)i;
}

bool sample_fast(char *const token[], size_t n, struct fast_sample *ret)
{
	struct cursor c = { .token = token + 1 };
	struct fast_sample s;

	if (n < 11)
		return false;
	s.number = (uint8_t)hex(&c, 0xff);
	s.t_us = hex(&c, 0xffffffff);
	s.cell_count = decimal(&c, -8388608, 8388607);
	s.conversion = (uint8_t)hex(&c, 0xff);
	s.pulses = (uint16_t)hex(&c, 0xffff);
	s.age_us = (uint32_t)decimal(&c, 0, SAMPLE_AGE_FULL);
	s.brake_mA = decimal(&c, -999, 9999);
	s.volt_mV = decimal(&c, -9999, 99999);
	s.amp_mA = decimal(&c, -99999, 99999);
	s.ack = (uint8_t)hex(&c, 0xff);
	if (c.bad)
		return false;
	*ret = s;
	return true;
}

bool sample_slow(char *const token[], size_t n, struct slow_sample *ret)
{
	static const char *const reasons[] = { "none", "lease", "estop", "guard", "host", "contactor" };
	struct cursor c = { .token = token + 1 };
	struct slow_sample s = { 0 };

	if (n < 12)
		return false;
	s.number = (uint8_t)hex(&c, 0xff);
	s.lines = hex(&c, 0xf);
	s.state = sample_state(*c.token++);
	c.bad |= s.state == NODE_UNKNOWN || find(*c.token, reasons, 6) < 0;
	strncpy(s.reason, *c.token++, sizeof s.reason - 1);
	s.drive_flags = hex(&c, 0xff);
	s.rotor_drpm = decimal(&c, -999999, 999999);
	s.drive_mA = decimal(&c, -999999, 999999);
	for (int i = 0; i < SAMPLE_TEMPS; i++) {
		bool none = strcmp(*c.token, "-") == 0;

		s.temp_ddegC[i] = none ? SAMPLE_NO_TEMP : decimal(&c, -2731, 9999);
		c.token += none;
	}
	s.has_ripple = n >= 13 && strcmp(*c.token, "-") != 0;
	if (s.has_ripple)
		s.ripple_mW = decimal(&c, -9999, 9999);
	c.token = token + 13;
	s.has_angle = n >= 14 && strcmp(*c.token, "-") != 0;
	if (s.has_angle)
		s.rotor_cdeg = decimal(&c, 0, 35999);
	if (c.bad)
		return false;
	*ret = s;
	return true;
}

bool sample_event(char *const token[], size_t n, struct node_event *ret)
{
	static const char *const words[] = { "estop", "guard", "contactor", "state", "drive" };
	struct cursor c = { .token = token + 1 };
	struct node_event e;
	int word;

	if (n < 5)
		return false;
	e.number = (uint8_t)hex(&c, 0xff);
	word = find(*c.token++, words, 5);
	if (word < 0) { /* of a newer node: no harm */
		*ret = (struct node_event){ .number = e.number, .word = EVENT_UNKNOWN };
		return !c.bad;
	}
	e.word = (enum event_word)word;
	if (e.word == EVENT_STATE) {
		e.value = (unsigned)sample_state(*c.token++);
		c.bad |= e.value == NODE_UNKNOWN;
	} else if (e.word == EVENT_DRIVE) {
		e.value = hex(&c, 0xff);
	} else {
		e.value = (unsigned)decimal(&c, 0, 1);
	}
	e.t_us = hex(&c, 0xffffffff);
	if (c.bad)
		return false;
	*ret = e;
	return true;
}
