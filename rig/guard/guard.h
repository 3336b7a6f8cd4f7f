/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The guard: a pure step function with the last word on every tick. It sees the
 * snapshot and what the sequence wants, and answers what may go out. A cause
 * latches: a stopped guard stays so. A person's deliberate act lets the next run begin with a fresh one
 * (cause_latches). The stop keeps the order of a brake rig: the drive's torque off and the contactor open, the brake
 * held until the shaft stands, then released. Software is not the emergency stop.
 *
 * Pure: no I/O, no clock, no allocation, no globals. NaN falls on the safe side. */
#ifndef BRIDLE_GUARD_GUARD_H
#define BRIDLE_GUARD_GUARD_H

#include "channel/cause.h"
#include "channel/rigio.h"

#include <stdbool.h>
#include <stddef.h>

/* INFINITY switches a limit off; NaN in a limit allows nothing. */
struct guard_limits {
	double tick_s;
	double torque_Nm, speed_rpm; /* absolute limits of rig and actuator, the smaller */
	double drive_A;              /* largest torque-producing current that may be asked for */
	double slow_rpm;             /* largest speed in position mode */
	/* How far the shaft may turn either way from where it stood when drive or brake were first let out, in any
	 * mode. 0 = as far as it likes; position mode is then not let out. */
	double travel_deg;
	double brake_A;      /* largest current */
	double hold_brake_A; /* most that the stop may hold: coupling, cell and brake allow it */
	/* Slip power is |torque * speed|. short: its mean over 0.1 s. energy: what came above slip_power_W, less what
	 * cooled away below it. Where no energy is stated (0 or not finite) the mean over 10 s must stay below
	 * slip_power_W; where one is, it says how long more may go on (with both, the mean would always come first). */
	double slip_power_W, slip_power_short_W, slip_energy_J;
	double brake_hot_degC, actuator_hot_degC, winding_hot_degC;
	double voltage_min_V, voltage_max_V; /* while the contactor is closed; below for 0.5 s, above for 0.05 s */
	double stall_s;                      /* longest time below standstill speed with torque above stall_torque */
	double stand_s;                      /* the same in torque mode, where standing may be the purpose */
	double stall_torque_Nm, standstill_rpm;
	/* A brake only ever takes power: with current in it the torque has the sign of the motion. One that reads more
	 * than this the other way for 0.1 s is wrong_sign, and so is one that falls by more than twice this while the
	 * current only rises (guard/slope.h). INFINITY = not watched. */
	double sign_Nm;
	bool pick_no_direction; /* the pick-up counts up whichever way the shaft turns */
	double gear_ratio;      /* rotor turns per output turn, to tell a rotor that turns; 0 = unknown */
	double silent_s;
	double warden_s; /* longest time that the warden may leave a proof unanswered; INFINITY: there is none */
	/* Each channel is believed no longer than this after its newest reading, by the period of its instrument.
	 * INFINITY where the node's fast samples tell it: silent_s watches those. */
	double stale_s[CHANNEL_COUNT];
	/* The same count in fresh conversions for so long, while loaded or turning; 0 = not watched. Longer where equal
	 * neighbours are common (a coarse or quiet converter): never before the row is less likely than 1e-12. */
	double cell_frozen_s;
	double brake_follow_A, brake_follow_s; /* tolerance and time allowed */
	double late_s;                         /* a tick later than this, or late_n in a row later than a period */
	unsigned late_n;                       /* 0 = not watched */
	double contactor_s;                    /* time a contactor may take */
	double stop_hold_s; /* longest the brake is held in a stop, unless the shaft is seen to turn or may be driven */
	double inertia_kgm2; /* the least of all that turns with the shaft; 0 = not known */
	/* A person sets the drive: nothing but this watch keeps it near what was asked for, and at 0 while it has power
	 * and no mode. */
	bool by_person;
	/* Peak-to-peak swing that counts as oscillation, and how many full cycles in a row; a swing of less than half
	 * of the largest begins the count anew: a step that rings down does not count. Half a cycle takes at most 1 s:
	 * a sequence that goes to and fro on purpose stays slower. 0 cycles = not watched. One that grows is stopped
	 * after two cycles. A drive whose rotor jumps by more than osc_rpm against the shaft from word to word, three
	 * times in five words, oscillates too fast for cell and pick-up. */
	double osc_rpm, osc_Nm;
	unsigned osc_cycles;
	int expect_direction; /* sign of speed while driven: +1, -1; 0 = that of the commanded speed; by hand either */
	/* What the rig has and the run rests on. Where expected, an unknown value (NaN) stops a run once drive or brake
	 * have had or want current; where not expected it is ignored, and a known one beyond its limit still stops. A
	 * run that never wants anything energised (weights hung, channels looked at) is stopped only by the node
	 * (silent, reset), the logbook, the operator, the sequence and a contactor closed against the wish. */
	bool at_rest; /* a person is at the shaft: nothing may be energised, and nothing that is wanted goes out */
	bool expect_cell, expect_pick, expect_meter;
	bool expect_brake;     /* the brake's current is told by an instrument of its own */
	unsigned expect_lines; /* LINE_...: those that the node senses; what it does not sense is never a cause */
};

/* What a stop did not see when it ended, as bits; 0 = the stop is safe. */
#define GUARD_NO_DATA 0x01u    /* nothing is known: no fresh samples */
#define GUARD_CONTACTOR 0x02u  /* not seen open */
#define GUARD_DRIVE 0x04u      /* neither the drive nor the contactor shows that it is off */
#define GUARD_TURNS 0x08u      /* the shaft is seen to turn */
#define GUARD_STANDSTILL 0x10u /* the shaft was not seen to stand */

/* Why the brake is still held although stop_hold_s is over, or why it was let go of a shaft that was not seen to stand.
 */
enum guard_release {
	GUARD_HOLDS,        /* not released */
	GUARD_IN_ORDER,     /* the shaft stood, or nothing was ever energised */
	GUARD_TIME,         /* stop_hold_s is over; no sign that anything turns the shaft */
	GUARD_NODE,         /* the node did, by its own rule (docs/tether.md) */
	GUARD_HEAT,         /* the brake can take no more heat */
	GUARD_HEAT_UNKNOWN, /* it may turn, and nobody knows how much heat the brake takes */
	GUARD_TOO_LONG      /* held for GUARD_HOLD_MOST_S: a program that nobody looks at must end */
};
#define GUARD_HOLD_MOST_S 600.0

enum guard_phase { GUARD_RUN, GUARD_STOP_HOLD, GUARD_STOPPED };

#define GUARD_POWER_BINS 10 /* of 1 s */
#define GUARD_SLOPE_BINS 10 /* of 0.1 s */

/* Zeroed = fresh. The contents are the guard's own. */
struct guard {
	enum guard_phase phase;
	enum cause cause;
	bool started, energised, loaded,
		drove; /* something was energised; drive or brake was; the drive: at any time since fresh */
	struct mono last_now, cause_at, stand_at;
	bool seen_closed;     /* the contact, since it was last commanded to close */
	bool standing, clear; /* the shaft is seen to stand; and nothing else is missing either */
	struct mono clear_at;
	enum guard_release release;
	unsigned missing; /* GUARD_... as it is now, in a stop */
	/* Was the shaft seen to slow down? When the newest pulse came, how fast the shaft was then, and how fast when
	 * the stop began. The largest of late, fading within a second, and whether it was slow when the stop began. */
	int64_t pulses;
	double edge_time_s, turned_rpm, stop_rpm, lately_rpm;
	struct mono turned_at;
	bool was_slow;
	/* The drive's rotor in the newest slow sample; the same number twice with the contactor open is a drive without
	 * power. Its word that the rotor stands counts when it agreed with the pick-up while the shaft turned
	 * (rotor_true) and was said anew in the stop (rotor_anew). */
	uint32_t drive_fresh;
	double rotor_rpm;
	bool rotor_same, rotor_true, rotor_anew;
	bool drive_was_up; /* seen with voltage enough since it has power */
	bool pick_doubted; /* pick-up and drive contradict each other: no standstill is believed */
	double held_brake_A;
	struct wish last;            /* what was allowed on the tick before */
	struct guard_mode {          /* guard/modes.c */
		enum drive_mode was; /* the last one that went out */
		struct mono out_at;  /* when it did last */
		double begin_deg;    /* angle where it began */
		double origin_deg;   /* and where drive or brake were first let out */
		bool has_origin;
		double fast_s;
	} drive;
	double found, allowed_value; /* value and limit of the cause */
	int channel;                 /* of the cause, enum channel_id; -1 */
	/* running sums of the individual watches */
	double run_s, blocked_s;
	double energy_J, power_short_W;
	double power_bin_J[GUARD_POWER_BINS], power_bin_s;
	unsigned power_bin;
	double follow_low_A, follow_high_A, follow_bad_s;
	double contactor_bad_s, powered_s, low_s, high_s, stall_time_s, no_pulse_s, slip_s, safe_s, unrest_s;
	double wrong_time_s, against_s, wrong_least_rpm, sign_bad_s;
	uint32_t sign_fresh;    /* of the cell, at the tick before */
	unsigned sign_readings; /* of the cell that had the wrong sign, in a row */
	double temp_gone_s[TEMP_COUNT];
	bool temp_seen[TEMP_COUNT];
	unsigned late_run;
	struct guard_osc {
		bool known;
		int sense;                 /* direction of the swing under way; 0 before the first */
		double extreme, turned_at; /* of the swing under way; the value where it began */
		double largest;            /* of the swings that were counted */
		double swing_s, size;      /* how long the swing under way has lasted; size of the one before */
		unsigned halves, beyond;   /* swings that count; those in a row that were large enough */
		unsigned grown;            /* swings in a row, each larger by a tenth than the one before */
	} osc[2];                          /* of speed and torque */
	double load_A;                     /* the brake's set-point a tick before last.brake_A */
	struct guard_slope {               /* guard/slope.c: means of each tenth of a second, the oldest first */
		struct guard_slope_bin {
			double A, Nm, rpm;
		} bin[GUARD_SLOPE_BINS], sum;
		double sum_s, fell_Nm;
		unsigned bins;
	} slope;
	struct guard_rattle { /* the drive's words of its rotor and the shaft's speed when each came */
		uint32_t fresh;
		double rotor_rpm, speed_rpm; /* both at the output */
		double jump_rpm;             /* of the newest word, beyond what the shaft's speed changed */
		unsigned jumped;             /* a bit for each of the newest words, the newest the lowest */
	} rattle;
};

struct guard_verdict {
	struct wish allowed; /* to be sent, whatever the sequence wanted */
	enum cause cause;    /* latched cause, CAUSE_NONE while running */
	bool newly;          /* the cause came on this tick */
	bool clamped;        /* something wanted was cut to a limit */
	bool stopped;        /* the stop is over, the brake released: safe when nothing is missing */
	bool holds_on;    /* a stop beyond stop_hold_s: the brake is held against a shaft that turns or may be driven */
	unsigned missing; /* GUARD_...; of a stop that is under way, what it still waits for */
	enum guard_release release;
	double held_brake_A, held_s;
	bool energised, sensed; /* anything was; the node senses the contactor */
	int channel; /* enum channel_id: its instrument is the first to look at (channel/cause.h); of a silence the one
		      * that is silent; -1 */
	double value, limit; /* what was found and what was allowed, for the message; NaN when it does not apply */
};

/* One tick. Before the contactor closes for the first time the guard waits up to 1.5 s for first sample, lines and
 * node's state, before drive or brake get their first current also for torque, speed and voltage: meanwhile the wish is
 * held off and clamped is set; after that what is missing is a cause. A drive mode is let through only with the
 * contactor on and, where lines are sensed, seen closed. */
struct guard guard_step(struct guard g, const struct guard_limits *limits, const struct snapshot *snap,
			const struct wish *want, struct guard_verdict *ret);

/* The brake's heat above its continuous power after dt_s more at this torque and speed; unknown ones are no heat, and
 * so is a gap beyond 1 s (the node has gone safe in it), which only cools. */
double guard_heat_J(double energy_J, double torque_Nm, double speed_rpm, double dt_s, double slip_power_W);
/* A fresh guard whose brake had this heat at that moment: what an earlier run left. */
struct guard guard_warm(double energy_J, struct mono at);

/* The end of a stop for people: what was seen, or large and first what was not and what to do. v->stopped. */
void guard_end_message(const struct guard_verdict *v, char *buf, size_t size);
/* What a stop that is under way waits for, a few words. */
void guard_hold_message(const struct guard_verdict *v, char *buf, size_t size);

/* "brake slip power 512 W, limit 400 W: ..." */
void guard_message(const struct guard_verdict *v, char *buf, size_t size);

#endif
