/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The Modbus instrument alone, on the machine's clock, against whatever answers at a link: prints what it read, then
 * what it says when it asks for a register that is not there. With "set" behind that: it is a supply, set to 48 V and
 * 12 A, switched on and left so; prints what it says then. For modbus.py. */
#include "channel/clock.h"
#include "instrument/modbus_meter.h"

#include <stdio.h>
#include <string.h>

static const struct modbus_register u32 = { true, MODBUS_INPUT, 0, MODBUS_U32, false, 1e-4 },
				    s32 = { true, MODBUS_INPUT, 2, MODBUS_S32, false, 1e-4 },
				    s16 = { true, MODBUS_INPUT, 4, MODBUS_S16, false, 0.1 },
				    f32 = { true, MODBUS_HOLDING, 0, MODBUS_F32, true, 1 };

static int read_all(const char *address, const struct modbus_setup *setup, struct snapshot *snap, char *error)
{
	struct clock_src clock = clock_machine();
	const struct instrument_config config = { .name = "modbus m",
						  .roles = ROLE_METER | ROLE_TEMP,
						  .number = 1,
						  .period_s = 0.05,
						  .address = 7,
						  .modbus = setup };
	struct instrument in;
	struct link *link;
	struct err err = { 0 };

	*snap = snapshot_blank();
	if (link_open(address, 9600, NULL, 2000, &link, &err) != RC_OK ||
	    modbus_open(&config, link, &clock, &in, &err) != RC_OK || in.ops->begin(in.ctx, &err) != RC_OK)
		return 1;
	for (int i = 0; i < 300 && snap->channel[CHANNEL_VOLTAGE].fresh < 5 && !in.error[0]; i++) {
		in.ops->poll(in.ctx, snap);
		if (clock.sleep_until(clock.ctx, mono_add_ns(clock.now(clock.ctx), 10000000), &err) != RC_OK)
			return 1;
	}
	snprintf(error, 200, "%s", in.error);
	in.ops->close(in.ctx);
	link_close(link);
	return 0;
}

static int set(const char *address, struct modbus_setup *setup)
{
	static const struct wish on = { .power = true };
	struct clock_src clock = clock_machine();
	const struct instrument_config config = { .name = "modbus psu",
						  .roles = ROLE_METER | ROLE_POWER,
						  .number = 1,
						  .period_s = 0.05,
						  .address = 7,
						  .modbus = setup };
	struct snapshot snap = snapshot_blank();
	struct instrument in;
	struct link *link;
	struct err err = { 0 };

	setup->set[MODBUS_SET_OUTPUT] = (struct modbus_register){ true, MODBUS_HOLDING, 10, MODBUS_U16, false, 1 };
	setup->set[MODBUS_SET_VOLTAGE] = (struct modbus_register){ true, MODBUS_HOLDING, 11, MODBUS_U16, false, 0.01 };
	setup->set[MODBUS_SET_CURRENT] = (struct modbus_register){ true, MODBUS_HOLDING, 12, MODBUS_U32, true, 1e-3 };
	setup->set_V = 48;
	setup->set_A = 12;
	if (link_open(address, 9600, NULL, 2000, &link, &err) != RC_OK)
		return 1;
	if (modbus_open(&config, link, &clock, &in, &err) != RC_OK) {
		puts(err.what);
		return 0;
	}
	for (int i = 0; i < 50 && !in.error[0]; i++) {
		in.ops->poll(in.ctx, &snap);
		in.ops->set(in.ctx, &on);
		if (clock.sleep_until(clock.ctx, mono_add_ns(clock.now(clock.ctx), 10000000), &err) != RC_OK)
			return 1;
	}
	puts(in.error[0] ? in.error : "set");
	in.ops->close(in.ctx);
	link_close(link);
	return 0;
}

int main(int argc, char **argv)
{
	struct modbus_setup setup = { .baud = 9600 };
	struct snapshot snap;
	char error[200];

	if (argc < 3)
		return 2;
	setup.tcp = strcmp(argv[2], "tcp") == 0;
	setup.word[MODBUS_VOLTAGE] = u32;
	setup.word[MODBUS_CURRENT] = s32;
	if (argc > 3)
		return set(argv[1], &setup);
	setup.word[(int)MODBUS_TEMP + TEMP_CASE] = s16;
	setup.word[(int)MODBUS_TEMP + TEMP_AMBIENT] = f32;
	if (read_all(argv[1], &setup, &snap, error) != 0 || snap.channel[CHANNEL_VOLTAGE].fresh < 5)
		return 1;
	printf("%.5f %.5f %.5f %.5f\n", snap.voltage_V, snap.current_A, snap.temp_degC[TEMP_CASE],
	       snap.temp_degC[TEMP_AMBIENT]);
	setup.word[(int)MODBUS_TEMP + TEMP_AMBIENT].address = 999;
	if (read_all(argv[1], &setup, &snap, error) != 0)
		return 1;
	puts(error);
	return 0;
}
