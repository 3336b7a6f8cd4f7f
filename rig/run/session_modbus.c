/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A device with a register map: what rig.ini says of it, as its instrument needs it. */
#include "instrument/modbus_meter.h"
#include "run/session.h"

#include <string.h>

void session_modbus(const struct instrument_profile *p, struct modbus_setup *ret)
{
	*ret = (struct modbus_setup){ .tcp = p->modbus_tcp, .baud = p->baud };
	memcpy(ret->word, p->modbus, sizeof ret->word);
}
