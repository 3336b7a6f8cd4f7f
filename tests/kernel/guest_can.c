/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The other end of the bus is a socket of the kernel's own, with frames by hand. */
#include "tests/kernel/guest_can.h"

#include "channel/can_signal.h"
#include "instrument/can_drive.h"
#include "link/link_can.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <linux/can.h>
#include <linux/can/raw.h>
#include <math.h>
#include <net/if.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#define BUS "vcan0"

static struct link *open_bus(int *ret_other)
{
	struct sockaddr_can where = { .can_family = AF_CAN, .can_ifindex = (int)if_nametoindex(BUS) };
	struct link *link;
	struct err err = { 0 };

	if (where.can_ifindex == 0)
		skip();
	*ret_other = socket(PF_CAN, SOCK_RAW, CAN_RAW);
	assert_int_equal(bind(*ret_other, (struct sockaddr *)&where, sizeof where), 0);
	if (link_open("can:" BUS, 0, NULL, 1000, &link, &err) != RC_OK)
		fail_msg("%s", err.what);
	return link;
}

static void send_frame(int other, uint32_t id, const char *data, uint8_t n)
{
	struct can_frame f = { .can_id = id, .len = n };

	memcpy(f.data, data, n);
	assert_int_equal(send(other, &f, sizeof f, 0), sizeof f);
}

/* The newest that came, within a second; false: none did. */
static bool heard(int other, struct can_frame *ret)
{
	const struct timeval most = { .tv_sec = 1 };
	bool any = false;

	(void)setsockopt(other, SOL_SOCKET, SO_RCVTIMEO, &most, sizeof most);
	for (int flags = 0; recv(other, ret, sizeof *ret, flags) == sizeof *ret; flags = MSG_DONTWAIT)
		any = true;
	return any;
}

static const char *lines_of(struct link *link)
{
	static char buf[400];
	size_t n = 0;

	assert_int_equal(link_read_wait(link, buf, sizeof buf - 1, 1000, &n, NULL), RC_OK);
	buf[n] = '\0';
	return buf;
}

void frames_cross_a_bus_both_ways(void **state)
{
	struct can_frame f = { 0 };
	int other;

	(void)state;
	struct link *link = open_bus(&other);
	send_frame(other, 0x281, "\x01\xff", 2);
	assert_string_equal(lines_of(link), "t281201FF\r");
	send_frame(other, 0x12345678 | CAN_EFF_FLAG, "", 0);
	assert_string_equal(lines_of(link), "T123456780\r");
	/* the adapter's commands are none of the bus; a line may come in pieces */
	assert_int_equal(link_write(link, "S6\rO\rt2013A", 11, 0, NULL), RC_OK);
	assert_int_equal(link_write(link, "0B0C0\r", 6, 0, NULL), RC_OK);
	assert_true(heard(other, &f));
	assert_int_equal(f.can_id, 0x201);
	assert_int_equal(f.len, 3);
	assert_memory_equal(f.data, "\xa0\xb0\xc0", 3);
	link_close(link);
	close(other);
}

void only_the_frames_of_a_filter_come_in(void **state)
{
	const struct can_message of[] = { { .id = 0x281 }, { .id = 0x581, .is_long = true } };
	int other;

	(void)state;
	struct link *link = open_bus(&other);
	assert_true(link_filter(link, of, 2));
	send_frame(other, 0x280, "a", 1);
	send_frame(other, 0x281 | CAN_EFF_FLAG, "b", 1);
	send_frame(other, 0x581, "c", 1);
	send_frame(other, 0x281 | CAN_RTR_FLAG, "", 0);
	send_frame(other, 0x581 | CAN_EFF_FLAG, "d", 1);
	send_frame(other, 0x281, "e", 1);
	assert_string_equal(lines_of(link), "T00000581164\rt281165\r");
	link_close(link);
	close(other);
}

static struct can_map map(const char *text)
{
	struct can_map ret;
	char why[CAN_SIGNAL_WHY];

	assert_true(can_map_read(text, &ret, why));
	return ret;
}

/* While the instrument sleeps the drive tells: 36.5 rpm, off; then, in each tick of 10 ms, on. */
static int telling;

static enum rc sleep_and_tell(void *ctx, struct mono until, struct err *err)
{
	const struct clock_src clock = clock_machine();

	(void)ctx;
	send_frame(telling, 0x281, "\x6d\x01\x00", 3);
	return clock.sleep_until(clock.ctx, until, err);
}

void a_can_drive_is_read_and_switched_off(void **state)
{
	const struct can_drive_setup setup = {
		.drive = { .unit_rpm = 1, .unit_A = 1, .gear_ratio = 36, .sign = 1, .lease_s = 0.3, .period_s = 0.1 },
		.bit_rate = 500000,
		.speed = map("0x201 data 01 00 00 byte 1 length 16 signed"),
		.off = map("0x201 data 00 00 00"),
		.tell = { [DRIVE_WORD_SPEED] = map("0x281 byte 0 length 16 signed scale 0.1"),
			  [DRIVE_WORD_ENABLED] = map("0x281 byte 2 length 8 is 4") },
	};
	const struct instrument_config config = {
		.name = "can-drive m", .roles = ROLE_DRIVE, .number = 1, .period_s = 0.1, .can_drive = &setup
	};
	const struct wish wish = { .mode = DRIVE_SPEED, .speed_rpm = 2, .power = true };
	const struct can_message off = { .id = 0x201, .n = 3 };
	struct clock_src clock = clock_machine();
	struct snapshot snap = snapshot_blank();
	struct can_frame f = { 0 };
	struct instrument drive;
	char bytes[LINK_CAN_BYTES];

	(void)state;
	struct link *link = open_bus(&telling);
	clock.sleep_until = sleep_and_tell;
	assert_int_equal(can_drive_open(&config, link, &clock, &drive, NULL), RC_OK);
	snap.channel[CHANNEL_CONTACTOR].fresh = 1;
	snap.contactor_closed = true;
	send_frame(telling, 0x281, "\x6d\x01\x04", 3);
	drive.ops->poll(drive.ctx, &snap);
	assert_int_equal(snap.drive_flags, DRIVE_ENABLED);
	assert_true(fabs(snap.drive_rotor_rpm - 36.5) < 1e-9);
	drive.ops->set(drive.ctx, &wish); /* 2 rpm by a gear of 36: 72, 48h */
	assert_true(heard(telling, &f) && f.can_id == 0x201);
	assert_memory_equal(f.data, "\x01\x48\x00", 3);
	assert_int_equal(write(link_fd(link), bytes, link_can_bytes(&off, bytes)), LINK_CAN_BYTES);
	assert_true(heard(telling, &f) && f.can_id == 0x201 && f.len == 3);
	assert_memory_equal(f.data, "\0\0\0", 3);
	drive.ops->close(drive.ctx);
	link_close(link);
	close(telling);
}

void an_interface_that_goes_down_is_a_line_that_ended(void **state)
{
	struct ifreq down = { .ifr_name = BUS };
	char buf[100];
	size_t n = 0;
	int other;
	enum rc rc = RC_OK;

	(void)state;
	struct link *link = open_bus(&other);
	assert_int_equal(ioctl(other, SIOCSIFFLAGS, &down), 0);
	for (int i = 0; i < 20 && rc == RC_OK; i++)
		rc = link_read_wait(link, buf, sizeof buf, 10, &n, NULL);
	assert_int_equal(rc, RC_IO);
	link_close(link);
	close(other);
}
