/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/can_frame.h"

#include <stdio.h>
#include <string.h>

size_t can_frame_put(const struct can_message *m, char buf[CAN_FRAME_LINE])
{
	const uint8_t n = m->n <= CAN_FRAME_BYTES ? m->n : CAN_FRAME_BYTES;
	int at = m->is_long ? snprintf(buf, CAN_FRAME_LINE, "T%08X%u", (unsigned)(m->id & CAN_LONG_MOST), n)
			    : snprintf(buf, CAN_FRAME_LINE, "t%03X%u", (unsigned)(m->id & CAN_SHORT_MOST), n);

	for (int i = 0; i < n; i++)
		at += snprintf(buf + at, CAN_FRAME_LINE - (size_t)at, "%02X", m->byte[i]);
	buf[at++] = '\r';
	buf[at] = '\0';
	return (size_t)at;
}

static int digit(char c)
{
	return c >= '0' && c <= '9'   ? c - '0'
	       : c >= 'A' && c <= 'F' ? c - 'A' + 10
	       : c >= 'a' && c <= 'f' ? c - 'a' + 10
				      : -1;
}

static bool number(const char **text, int digits, uint32_t *ret)
{
	*ret = 0;
	for (int i = 0; i < digits; i++, (*text)++) {
		int d = digit(**text);

		if (d < 0)
			return false;
		*ret = *ret << 4 | (uint32_t)d;
	}
	return true;
}

bool can_frame_read(const char *line, struct can_message *ret)
{
	struct can_message m = { .is_long = *line == 'T' };
	uint32_t n, byte, stamp;

	if (*line != 't' && *line != 'T')
		return false;
	line++;
	if (!number(&line, m.is_long ? 8 : 3, &m.id) || m.id > (m.is_long ? CAN_LONG_MOST : CAN_SHORT_MOST) ||
	    !number(&line, 1, &n) || n > CAN_FRAME_BYTES)
		return false;
	m.n = (uint8_t)n;
	for (uint32_t i = 0; i < n; i++) {
		if (!number(&line, 2, &byte))
			return false;
		m.byte[i] = (uint8_t)byte;
	}
	if (*line != '\0' && (!number(&line, CAN_STAMP_DIGITS, &stamp) || *line != '\0'))
		return false;
	*ret = m;
	return true;
}

int can_rate_number(int bit_rate)
{
	static const int rates[] = { 10000, 20000, 50000, 100000, 125000, 250000, 500000, 800000, 1000000 };

	for (int i = 0; i < (int)(sizeof rates / sizeof rates[0]); i++)
		if (rates[i] == bit_rate)
			return i;
	return -1;
}
