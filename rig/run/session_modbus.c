/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A device with a register map: what rig.ini says of it, as its instrument needs it. */
#include "instrument/modbus_meter.h"
#include "instrument/modbus_output.h"
#include "run/session.h"

#include <string.h>

void session_modbus(const struct session *s, const struct instrument_profile *p, struct modbus_setup *ret)
{
	*ret = (struct modbus_setup){
		.tcp = p->modbus_tcp, .baud = p->baud, .set_V = s->rig.supply_V, .set_A = s->rig.supply_limit_A
	};
	memcpy(ret->word, p->modbus, sizeof ret->word);
	memcpy(ret->set, p->modbus_set, sizeof ret->set);
}

size_t session_modbus_off(const struct instrument_profile *p, char *buf, size_t size)
{
	const struct modbus_line line = { .tcp = p->modbus_tcp, .unit = (uint8_t)p->address };
	uint8_t frame[MODBUS_FRAME];
	size_t n = modbus_output_put_off(&p->modbus_set[MODBUS_SET_OUTPUT], &line, 0, frame);

	if (n > size)
		return 0;
	memcpy(buf, frame, n);
	return n;
}
