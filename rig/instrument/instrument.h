/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The joint: what the session and the loop know of an instrument, whatever it is. A session holds a table of
 * these; the loop polls and sets all of them and asks none what it is.
 *
 * poll and set allocate nothing, and in the tick they never wait. What must wait for its device does so on a thread
 * of its own (instrument/aside.h), which takes the instrument's place in the session's table; poll and set may then
 * take config.wait_ms. On a bench clock nothing waits and there is no thread: the tick polls all, in lock-step. */
#ifndef BRIDLE_INSTRUMENT_INSTRUMENT_H
#define BRIDLE_INSTRUMENT_INSTRUMENT_H

#include "channel/rigio.h"
#include "instrument/turns.h"
#include "link/link.h"

struct gpio_setup;
struct scpi_setup;
struct can_drive_setup;
struct canopen_drive_setup;
struct text_drive_setup;
struct indicator_setup;
struct modbus_setup;

/* How a person sets a drive. */
struct instrument_person {
	double near_frac; /* of the speed asked for: near enough */
	double wait_s;    /* longest that is waited for it */
	bool reverses;    /* the panel can turn the shaft backward */
};

struct instrument_ops {
	/* Last before the loop's first tick: ask for readings. May take some time of the clock. */
	enum rc (*begin)(void *ctx, struct err *err);
	/* Take in what is there; write the fields and channels of its roles and leave all others alone. A line
	 * that is gone is no error: the ages of its channels say it. */
	void (*poll)(void *ctx, struct snapshot *snap);
	/* Its share of what the guard allowed; clamped to its own range here and nowhere else. NULL: it has no
	 * output. */
	void (*set)(void *ctx, const struct wish *allowed);
	void (*close)(void *ctx);
};

struct instrument {
	const struct instrument_ops *ops;
	void *ctx;
	const char *name;  /* for messages: "the node", "supply psu"; borrowed */
	unsigned roles;    /* ROLE_... that it fills */
	unsigned lines;    /* LINE_... that it senses */
	unsigned modes;    /* of a drive: bits 1u << enum drive_mode that it knows besides off */
	const char *error; /* what the device says that it cannot do, "" = nothing; NULL: it cannot say */
	const struct instrument_person *person; /* of a drive that a person sets; NULL: this program does */
	bool no_direction;                      /* its pick-up counts up whichever way the shaft turns */
	int switch_fd;  /* of a GPIO output that closes the contactor; 0 or below: its output is on its link */
	double stale_s; /* its channels are believed so long, by its own period; INFINITY: it is watched as a whole */
};

struct instrument_config {
	const char *name; /* for messages; borrowed as long as the instrument is open */
	unsigned roles;
	uint8_t number;                            /* in the session, for its channels */
	double period_s;                           /* between two readings */
	int wait_ms;                               /* poll and set may wait so long for the line; 0 in the tick */
	int address;                               /* on a line that several share, from 1 on; 0: the line is its own */
	struct turns *turns;                       /* of that line, borrowed; NULL: the line is its own */
	unsigned sharers;                          /* instruments on that line */
	const struct scpi_setup *scpi;             /* of a supply: its words and limits; copied. NULL: nothing is set */
	const struct text_drive_setup *text_drive; /* of such a drive; copied */
	const struct indicator_setup *indicator;   /* of an indicator; copied */
	const struct gpio_setup *gpio;             /* of GPIO lines; copied */
	const struct can_drive_setup *can_drive;   /* the same */
	const struct canopen_drive_setup *canopen_drive;
	const struct modbus_setup *modbus;      /* of a Modbus device; copied */
	const struct instrument_person *person; /* of a drive that a person sets; copied */
};

/* What an [instrument NAME] section of rig.ini may be. */
struct instrument_kind {
	const char *word; /* kind = ... */
	bool waits; /* for its device: it gets a thread, unless it has an output, which the tick commands itself */
	/* link, clock: borrowed, must outlive it; link is NULL where the address is a GPIO chip. Asks nothing of the
	 * device yet; one that is to be set is switched off, set up and checked, which may take some time of the
	 * clock. */
	enum rc (*open)(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
			struct instrument *ret, struct err *err);
};

#endif
