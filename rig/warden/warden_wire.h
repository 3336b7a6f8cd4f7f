/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What host and warden say to each other over a socketpair of messages (SOCK_SEQPACKET), and which descriptors the
 * warden is started with. Both are built together: another version or size is refused by the handshake. */
#ifndef BRIDLE_WARDEN_WARDEN_WIRE_H
#define BRIDLE_WARDEN_WARDEN_WIRE_H

#include "warden/warden.h"

#define WIRE_VERSION 2u
#define WIRE_MAGIC 0x77617264u
#define WIRE_PATH 128

/* Descriptors: the socket, the file for the account, then one for each line. */
#define WIRE_FD_HOST 3
#define WIRE_FD_ACCOUNT 4
#define WIRE_FD_LINE 5

struct wire_hello { /* host first */
	uint32_t magic, version;
	uint64_t nonce;
	char program[16]; /* BRIDLE_VERSION */
	struct warden_config config;
	char watchdog[WIRE_PATH]; /* "" = none */
};

struct wire_welcome { /* the answer, with the nonce */
	uint32_t magic, version;
	uint64_t nonce;
	char program[16];
	bool locked, real_time; /* memory is locked; has the priority that it asked for */
	int watchdog_errno;     /* 0: fed, or none was asked for */
};

struct wire_proof { /* each tick */
	uint32_t magic, seq;
	int64_t at_ns; /* CLOCK_BOOTTIME */
	int32_t brake_mA;
	bool live, power, bye;
};

struct wire_echo { /* the answer to each, when its orders were written */
	uint32_t magic, seq;
	int64_t at_ns;
	uint8_t phase;
	bool line_gone;                 /* a line hung up, or an order could not be written */
	uint64_t written[WARDEN_LINES]; /* bytes in all */
};

#endif
