/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/kinds.h"

#include "instrument/hand_drive.h"
#include "instrument/indicator.h"
#include "instrument/gpio.h"
#include "instrument/can_drive.h"
#include "instrument/canopen_drive.h"
#include "instrument/modbus_meter.h"
#include "instrument/relay.h"
#include "instrument/scpi_supply.h"
#include "instrument/text_drive.h"

const struct instrument_kind instrument_kinds[] = {
	{ "supply", true, supply_open },
	{ "relay", false, relay_open },
	{ "text-drive", false, text_drive_open },
	{ "indicator", false, indicator_open },
	{ "gpio", false, gpio_open },
	{ "can-drive", false, can_drive_open },
	{ "canopen-drive", false, canopen_drive_open },
	{ "modbus", false, modbus_open },
	{ "hand-drive", false, hand_drive_open },
};
const size_t instrument_kinds_n = sizeof instrument_kinds / sizeof instrument_kinds[0];
