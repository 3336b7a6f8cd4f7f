/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The guard: a pure step function with the last word on every tick. It sees the
 * snapshot and what the sequence wants, and answers what may go out. A cause
 * latches; only guard_reset, a deliberate act, ends it. The stop keeps the order
 * of a brake rig: the drive's torque off and the contactor open, the brake held until the shaft
 * stands, then released. Software is not the emergency stop.
 *
 * Pure: no I/O, no clock, no allocation, no globals. NaN falls on the safe side. */
#ifndef BRIDLE_GUARD_GUARD_H
#define BRIDLE_GUARD_GUARD_H

#include "instrument/rigio.h"

#include <stdbool.h>
#include <stddef.h>

enum cause {
	CAUSE_NONE,
	CAUSE_ESTOP,             /* emergency stop pulled */
	CAUSE_GUARD_OPEN,
	CAUSE_CONTACTOR,         /* contactor not where it should be */
	CAUSE_NODE_SILENT,
	CAUSE_NODE_RESET,
	CAUSE_NODE_SAFE,         /* the node went safe by itself (lease, its own senses) */
	CAUSE_CELL_STALE,        /* no fresh conversion */
	CAUSE_CELL_FROZEN,       /* fresh conversions that never change while torque should */
	CAUSE_CELL_SATURATED,
	CAUSE_OVERSPEED,
	CAUSE_OVERTORQUE,
	CAUSE_BRAKE_NOT_FOLLOWING,
	CAUSE_BRAKE_POWER,
	CAUSE_BRAKE_ENERGY,
	CAUSE_BRAKE_HOT,
	CAUSE_ACTUATOR_HOT,
	CAUSE_SUPPLY_RANGE,
	CAUSE_DRIVE_DROPOUT,     /* undervoltage: the drive stopped, the actuator is not to blame */
	CAUSE_DRIVE_FAULT,
	CAUSE_WRONG_DIRECTION,
	CAUSE_STALL,             /* stalled under torque for too long */
	CAUSE_OSCILLATION,
	CAUSE_LATE_TICK,
	CAUSE_LOGBOOK,
	CAUSE_OPERATOR,
	CAUSE_SEQUENCE,          /* the sequence itself asked to stop */
	CAUSE_COUNT
};

/* snake_case word for JSON and logbook ("drive_dropout"), and a sentence for people with what to do. */
const char *cause_word(enum cause cause);
const char *cause_sentence(enum cause cause);

struct guard_limits {
	double tick_s;
	double torque_Nm, speed_rpm;          /* absolute limits of rig and actuator, the smaller */
	double brake_A;                       /* largest current */
	double hold_brake_A;                  /* most that the stop may hold: coupling, cell and brake allow it */
	double slip_power_W, slip_power_short_W, slip_energy_J; /* short: at once; power: mean over 10 s;
								   energy: above continuous power, leaky */
	double brake_hot_degC, actuator_hot_degC, winding_hot_degC;
	double voltage_min_V, voltage_max_V;  /* while the contactor is closed */
	double stall_s;                       /* longest time below standstill speed with torque above stall_torque */
	double stall_torque_Nm, standstill_rpm;
	double silent_s, cell_stale_s;
	unsigned cell_frozen_n;               /* fresh equal conversions in a row */
	double brake_follow_A, brake_follow_s; /* tolerance and time allowed */
	double late_s;                        /* a tick later than this, or late_n in a row later than a period */
	unsigned late_n;
	double contactor_s;                   /* time a contactor may take */
	double stop_hold_s;                   /* longest the brake is held in a stop */
	double osc_rpm, osc_Nm;               /* amplitude that counts as oscillation */
	unsigned osc_cycles;                  /* sustained or growing cycles in a row */
	int expect_direction;                 /* sign of speed while driven: +1, -1; 0 = either (run by hand) */
	bool expect_cell, expect_pick, expect_lines, expect_meter; /* what the rig has */
};

enum guard_phase { GUARD_RUN, GUARD_STOP_HOLD, GUARD_STOPPED };

/* Zeroed = fresh. The contents are the guard's own. */
struct guard {
	enum guard_phase phase;
	enum cause cause;
	struct mono cause_at, phase_at;
	double held_brake_A;
	/* running sums of the individual watches */
	double energy_J, power_mean_W;
	double follow_bad_s, contactor_bad_s, stall_time_s, wrong_time_s;
	double last_wish_brake_A, expected_brake_A;
	unsigned late_run;
	struct guard_osc { double last, extreme, prev_amp; int sense; unsigned cycles; struct mono turned; } osc[2];
	struct mono last_now;
	bool started;
	bool was_power;
};

struct guard_verdict {
	struct wish allowed;  /* to be sent, whatever the sequence wanted */
	enum cause cause;     /* latched cause, CAUSE_NONE while running */
	bool newly;           /* the cause came on this tick */
	bool clamped;         /* something wanted was cut to a limit */
	bool stopped;         /* shaft stands, brake released: the stop is complete */
	double value, limit;  /* what was found and what was allowed, for the message; NaN when it does not apply */
};

struct guard guard_step(struct guard g, const struct guard_limits *limits, const struct snapshot *snap,
			const struct wish *want, struct guard_verdict *ret);

/* A deliberate reset: only from GUARD_STOPPED; anything else is unchanged. */
struct guard guard_reset(struct guard g);

/* "brake slip power 512 W, limit 400 W: ..." */
void guard_message(const struct guard_verdict *v, char *buf, size_t size);

#endif
