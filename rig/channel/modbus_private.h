/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What only modbus.c and its test know. */
#ifndef BRIDLE_CHANNEL_MODBUS_PRIVATE_H
#define BRIDLE_CHANNEL_MODBUS_PRIVATE_H

#include "channel/modbus.h"

/* "MODBUS over Serial Line V1.02", 6.2.2; the low byte goes out first. */
uint16_t modbus_crc(const uint8_t *bytes, size_t n);

#endif
