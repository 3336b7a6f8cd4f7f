/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The warden: a second process that ends the outputs which have no lease of their own, when the program that drives
 * the rig dies, hangs or is stopped. It owns the contactor's relay: nobody else closes it. Software is not the
 * emergency stop.
 *
 * Here is what it decides, as a pure step over time and messages: no I/O, no clock, no allocation, no globals.
 *
 * The stop order: at once the drive off, the contactor open and the brake to the current that the host said last
 * (never less than what it carries); these are repeated until the brake is released, for a line may lose bytes and a
 * host that was stopped may still send what it was about to send. It has no sensors, so the brake is released by
 * time alone: hold_ns after the stop began, and only when an order that takes the drive's power was written whole.
 * Otherwise the shaft may be driven on, and the brake is held for hold_most_ns. A stop is latched: nothing that a
 * host says closes anything again. */
#ifndef BRIDLE_WARDEN_WARDEN_H
#define BRIDLE_WARDEN_WARDEN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WARDEN_LINES 8
#define WARDEN_BYTES 64
#define WARDEN_REPEAT_NS 250000000LL
#define WARDEN_PATIENCE_NS 200000000LL /* with a line that is full, before it is told as one that took no order */
#define WARDEN_BRAKE_MOST_mA 99999

/* Bytes of an order; n = 0: the line has no such order. */
struct warden_bytes {
	uint8_t n;
	char byte[WARDEN_BYTES];
};

/* What may be sent on one line. */
struct warden_line {
	struct warden_bytes drive_off;   /* takes the drive's power or torque */
	struct warden_bytes close, open; /* the contactor's relay */
	struct warden_bytes hold, after; /* brake: hold, then amperes as "1.250", then after */
	struct warden_bytes release;     /* brake off */
	bool gpio;                       /* a line of a GPIO chip: close and open are "1" and "0" */
};

struct warden_config {
	int64_t silence_ns; /* without a newer proof of life for so long: the stop order */
	int64_t hold_ns, hold_most_ns;
	uint8_t n_lines;
	struct warden_line line[WARDEN_LINES];
};

enum warden_phase {
	WARDEN_REST,   /* nothing is energised: no deadline */
	WARDEN_GUARDS, /* something is: each proof must be followed by a newer one */
	WARDEN_HOLDS,  /* the stop order was given, the brake is held */
	WARDEN_OVER    /* the brake is released */
};
enum warden_why { WARDEN_NO_STOP, WARDEN_SILENT, WARDEN_GONE, WARDEN_ASKED };

/* Orders, as bits. */
#define ORDER_DRIVE_OFF 0x01u
#define ORDER_OPEN 0x02u
#define ORDER_CLOSE 0x04u
#define ORDER_HOLD 0x08u
#define ORDER_RELEASE 0x10u

/* Zeroed = fresh. The contents are its own. */
struct warden {
	enum warden_phase phase;
	enum warden_why why;
	bool closed; /* the contactor, as it was ordered */
	bool host_gone, bye;
	bool told_stop, told_end; /* accounts that were asked for */
	uint32_t seq;             /* of the newest proof */
	int32_t brake_mA;
	int64_t proved_ns, silent_ns; /* newest proof; how old it was when the stop began */
	int64_t began_ns, over_ns;    /* the stop; its end */
	int64_t repeat_ns;            /* next repeat */
	unsigned written;             /* ORDER_... that were written whole since the stop began */
	bool held_long;               /* beyond hold_ns */
	int opens_left;               /* an ordinary opening is said three times */
};

/* What came since the step before. A proof counts when its number is newer than the last. */
struct warden_in {
	int64_t now_ns;
	bool proof;
	uint32_t seq;
	int64_t at_ns;    /* when the host sent it, by the same clock */
	bool live;        /* something is or may be energised */
	bool power;       /* the contactor is wanted */
	int32_t brake_mA; /* what the brake is to hold in a stop */
	bool bye;         /* the host ends; says nothing else. While something is live that is a stop */
	bool gone;        /* end of file */
	bool asked;       /* a signal */
	unsigned written; /* ORDER_... that were written whole since the step before, on every line that has them */
	bool waits;       /* bytes of an order wait for a line that is full */
};

struct warden_out {
	unsigned orders; /* to be sent now, in this order: drive off, open or close, hold, release */
	int64_t wake_ns; /* step again then at the latest; INT64_MAX: when something comes */
	bool tell, end;  /* keep the account as it is now (twice in a stop); leave the process */
};

/* in->now_ns never goes back. */
struct warden warden_step(struct warden w, const struct warden_config *config, const struct warden_in *in,
			  struct warden_out *ret);

/* Has any line such an order? */
bool warden_has(const struct warden_config *config, unsigned order);

/* Bytes of one order for one line; buf holds WARDEN_BYTES * 2 + 8. 0: the line has none. */
size_t warden_put(const struct warden_line *line, unsigned order, int32_t brake_mA, char *buf);

/* What it did, for people, a few sentences without a line feed. "NOT SAFE" stands first when an order that takes the
 * drive's power, or the brake's, could not be written. */
void warden_tell(const struct warden *w, const struct warden_config *config, char *buf, size_t size);

#endif
