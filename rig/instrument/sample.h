/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tokens of the node's lines (docs/tether.md) to plain numbers in the units of the line. Pure. */
#ifndef BRIDLE_INSTRUMENT_SAMPLE_H
#define BRIDLE_INSTRUMENT_SAMPLE_H

#include "channel/rigio.h"
#include "node/tether.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SAMPLE_AGE_FULL 999999 /* AGE: longer than this, or no pulse yet */
#define SAMPLE_TEMPS 4
#define SAMPLE_NO_TEMP INT32_MIN

struct fast_sample {
	uint8_t number;
	uint32_t t_us;
	int32_t cell_count;
	uint8_t conversion;
	uint16_t pulses;
	uint32_t age_us;
	int32_t brake_mA, volt_mV, amp_mA;
	uint8_t ack;
};

struct slow_sample {
	uint8_t number;
	unsigned lines; /* bits in the order of `info lines` */
	enum node_state state;
	char reason[12];
	unsigned drive_flags;
	int32_t rotor_drpm, drive_mA;     /* tenths of rev/min */
	int32_t temp_ddegC[SAMPLE_TEMPS]; /* tenths of a degree; SAMPLE_NO_TEMP */
	bool has_ripple;
	int32_t ripple_mW;
	bool has_angle;
	int32_t rotor_cdeg; /* hundredths of a degree within its turn */
};

enum event_word { EVENT_UNKNOWN = -1, EVENT_ESTOP, EVENT_CAGE, EVENT_CONTACTOR, EVENT_STATE, EVENT_DRIVE };

struct node_event {
	uint8_t number;
	enum event_word word;
	unsigned value; /* 0 or 1, enum node_state, or drive flags */
	uint32_t t_us;
};

/* token[0] is the line's first. False (and *ret untouched) on anything that the page does not allow. Fields after those
 * that are known here are a newer node's and are passed over (docs/tether.md, Growth). */
bool sample_fast(char *const token[], size_t n, struct fast_sample *ret);
bool sample_slow(char *const token[], size_t n, struct slow_sample *ret);
bool sample_event(char *const token[], size_t n, struct node_event *ret);

#endif
