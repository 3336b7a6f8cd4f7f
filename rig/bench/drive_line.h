/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual end of a drive's own line: a microcontroller that reads commands and tells its values as rig.ini says
 * of it, in lines of text or in CAN frames behind an adapter (bench/can_line.h). It obeys the last command until its
 * lease ends, where rig.ini states one. Bytes in, bytes out, bench time; no physics and no sockets. */
#ifndef BRIDLE_BENCH_DRIVE_LINE_H
#define BRIDLE_BENCH_DRIVE_LINE_H

#include "bench/canopen_node.h"
#include "bench/node_side.h"
#include "channel/text_pattern.h"
#include "profile/instrument_profile.h"

#define DRIVE_LINE_OUT 512

/* What it tells, of the rotor. */
struct drive_line_senses {
	unsigned flags; /* BENCH_DRIVE_... */
	double rotor_rpm, current_A, winding_degC;
	double rotor_deg; /* within its turn, 0 to 360 */
	bool powered;     /* the contactor is closed */
};

struct drive_line;

/* What it speaks where that is not text. */
struct drive_speech {
	void (*receive)(struct drive_line *line, const char *bytes, size_t n, int64_t t_us);
	void (*tell)(struct drive_line *line, const struct drive_line_senses *senses); /* into out; NULL: never so */
	/* On a CAN bus: a frame has come for a drive whose electronics are up. */
	void (*obey)(struct drive_line *line, const struct can_message *message, int64_t t_us);
	void (*tick)(struct drive_line *line, int64_t t_us); /* once a millisecond; NULL: nothing */
};

struct drive_line {
	const struct drive_speech *speech;        /* NULL: lines of text */
	const struct instrument_profile *profile; /* borrowed */
	double gear_ratio;
	struct node_side_orders orders; /* mode and value in the units of the tether, as a node's */
	int64_t lease_us;               /* when it ends; INT64_MAX without */
	int64_t powered_us;             /* since then; -1: it has no power */
	int64_t tell_us;                /* next time, where it is not asked */
	bool silent, asked;             /* silent: a fault, the cable is out */
	bool on_bus;                    /* of a drive on a CAN bus: its adapter is open */
	struct canopen_node canopen;    /* of one after CiA 402 */
	struct drive_line_senses seen;  /* newest */
	bool was_up;                    /* of one after CiA 402: its electronics, a moment ago */
	char in[160];
	size_t n;
	char out[DRIVE_LINE_OUT];
	size_t out_n;
	int64_t out_us; /* when its last byte has left */
};

/* profile: of a drive, kept. */
void drive_line_init(struct drive_line *line, const struct instrument_profile *profile, double gear_ratio);
void drive_line_receive(struct drive_line *line, const char *bytes, size_t n, int64_t t_us);
/* Once a millisecond: its lease. */
void drive_line_tick(struct drive_line *line, bool powered, int64_t t_us);
/* Bytes that have left by t_us. */
size_t drive_line_take(struct drive_line *line, const struct drive_line_senses *senses, int64_t t_us, char *buf,
		       size_t size);

/* For bench/can_line.c: is its electronics up; its lease begins anew; a word in its own unit; rpm of the rotor for one
 * unit of its speed. */
bool drive_line_is_up(const struct drive_line *line, int64_t t_us);
void drive_line_renew(struct drive_line *line, int64_t t_us);
double drive_line_word(const struct drive_line *line, int word, const struct drive_line_senses *senses);
double drive_line_rpm(const struct drive_line *line);

#endif
