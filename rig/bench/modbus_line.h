/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual end of a line with Modbus devices on it, by their unit addresses: each has the register map that rig.ini
 * states of it and nothing else. A voltage or current is the mean since it was asked last. A supply that is set keeps
 * what is written, in its range, when its host goes. Bytes in, bytes out, bench time; no sockets. */
#ifndef BRIDLE_BENCH_MODBUS_LINE_H
#define BRIDLE_BENCH_MODBUS_LINE_H

#include "bench/meter.h"
#include "bench/supply_orders.h"
#include "channel/modbus.h"
#include "profile/profile.h"

struct modbus_unit {
	const struct instrument_profile *profile; /* borrowed */
	struct meter *meter;                      /* borrowed */
	bool silent;                              /* a fault */
	struct supply_orders orders;              /* of a supply that is set */
};

struct modbus_server {
	struct modbus_unit unit[PROFILE_INSTRUMENTS];
	size_t n_units;
	uint8_t in[MODBUS_FRAME], out[MODBUS_FRAME];
	size_t n, out_n;
	int64_t out_us; /* when its last byte has left */
};

/* Returns its orders: what it is set to. */
struct supply_orders *modbus_line_add(struct modbus_server *line, const struct instrument_profile *profile,
				      struct meter *meter);
/* The unit with that address does not answer, 0: none; mend ends both. */
void modbus_line_silence(struct modbus_server *line, int address);
void modbus_line_mend(struct modbus_server *line);
/* temp_degC: of TEMP_COUNT sensors, now. */
void modbus_line_receive(struct modbus_server *line, const char *bytes, size_t n, const double *temp_degC,
			 int64_t t_us);
/* Bytes that have left by t_us. */
size_t modbus_line_take(struct modbus_server *line, int64_t t_us, char *buf, size_t size);

#endif
