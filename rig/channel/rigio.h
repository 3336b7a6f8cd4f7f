/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the rig says and what it is told, as plain data: the snapshot that the
 * guard and every sequence see, and the wish that goes back.
 *
 * Sides and signs: everything at the output shaft unless the name says rotor. Torque
 * is positive when the actuator drives the shaft in the positive direction;
 * speed is positive in that direction; brake current is never negative. */
#ifndef BRIDLE_CHANNEL_RIGIO_H
#define BRIDLE_CHANNEL_RIGIO_H

#include "channel/channel.h"

#include <math.h>
#include <stdbool.h>
#include <stdint.h>

/* The numbers stand in logbooks: a new mode comes at the end. */
enum drive_mode { DRIVE_OFF, DRIVE_SPEED, DRIVE_CURRENT, DRIVE_TORQUE, DRIVE_POSITION };
enum node_state { NODE_IDLE, NODE_LIVE, NODE_STOPPING, NODE_SAFE, NODE_UNKNOWN };

#define DRIVE_ENABLED 0x01u
#define DRIVE_CURRENT_LIMITED 0x02u
#define DRIVE_DERATING 0x04u
#define DRIVE_UNDERVOLTAGE 0x08u
#define DRIVE_FAULT 0x10u
#define DRIVE_OVERSPEED 0x20u
#define DRIVE_VOLTAGE_LIMITED 0x40u
#define DRIVE_UNHEARD 0x80u /* the drive itself does not answer the node: the other bits mean nothing */

/* Lines: emergency stop, guard switch, contactor. */
#define LINE_ESTOP 0x1u
#define LINE_CAGE 0x2u
#define LINE_CONTACTOR 0x4u
#define LINES_ALL (LINE_ESTOP | LINE_CAGE | LINE_CONTACTOR)

/* One look at the rig. How fresh a value is, and who tells it, stands in its channel. Values that were never received
 * are NaN (or as stated). "age" is measured on the host's clock from the moment the sample was taken (node time mapped
 * to host time) to now. */
struct snapshot {
	struct mono now;  /* when this tick looked */
	int64_t late_ns;  /* how late the tick was against its deadline */
	int64_t slept_ns; /* this machine was suspended for so long since the tick before (no clock of this page counts
			     it) */
	bool node_reset;  /* the node restarted since node_open; stays true */
	bool node_lost;   /* link gone (hang-up); stays true */
	uint32_t sample_total;                          /* fast samples received since start */
	uint32_t sample_lost, sample_doubled, line_bad; /* totals */
	uint32_t sample_missed;                         /* total: lost while this program itself did not look */
	uint32_t sample_late; /* total: came more than two periods after it was taken, or after a newer one (then it is
				 not used) */
	double sample_age_s; /* since the newest fast sample, or, when longer than the lease, since the oldest set-point
			      * that the node did not acknowledge; INFINITY before the first sample. Time in which this
			      * program itself did not look is not counted, here and in a channel's age_s */
	struct channel channel[CHANNEL_COUNT];
	uint64_t node_us; /* node's clock of that sample, unwrapped */

	int32_t cell_count;
	uint32_t cell_same;       /* how many fresh conversions in a row had exactly this count */
	double cell_same_s;       /* and for how long, from the first of them to the newest */
	double cell_equal_chance; /* that a fresh conversion equals the one before it, by those before this row; 0 = not
				     known */
	double indication;        /* counts less tare; the count itself until tared */
	double torque_Nm;         /* NaN without a calibration */
	bool torque_extrapolated; /* beyond the calibration's range */

	int64_t pulses;     /* unwrapped */
	double angle_rev;   /* pulses / pulses per revolution of the output */
	double edge_age_s;  /* since the last pulse at the sample's time; saturates at 0.999999 */
	double edge_time_s; /* node time of the last pulse, s */
	double speed_rpm;   /* from pulses and edge times, 0 when no pulse for longer than 0.5 s */
	double edge_rpm;    /* the speed when the last pulse came */

	double brake_A; /* read back */
	double voltage_V, current_A;
	bool supply_limited; /* the supply itself says that its current limit acted since the reading before */
	double ripple_W;     /* mean of v i less the product of both means, of late; NaN: the node does not tell */
	bool estop_ok, cage_closed,
		contactor_closed; /* cage: the guard over the shaft, by its switch. False until seen;
						       * where the node does not sense the contactor, closed is what it
						       * was told and has answered */
	enum node_state node_state;
	char node_reason[12];
	unsigned drive_flags;
	double drive_rotor_rpm, drive_A; /* NaN too while the drive does not answer the node */
	double rotor_deg; /* the rotor's angle within its turn by the drive's own sensor, 0 to 360; NaN: not told */
	double temp_degC[TEMP_COUNT];

	double warden_age_s; /* how long the warden has left a proof of life unanswered; INFINITY when it is gone, has
			      * stopped the rig or lost a line; 0 without a warden */
	bool log_failed;     /* the logbook cannot be written or its ring is full */
	bool operator_stop;  /* key press or Ctrl-C */
	bool sequence_stop;  /* the sequence asked to stop (CAUSE_SEQUENCE) */
	/* A person sets the drive to what the sequence wants (run/hand_set.h): what waits for its speed begins when
	 * that is done. False with every other drive. */
	bool drive_waits;
};

/* Was the value ever told? What a line says before is false and means nothing. */
static inline bool is_told(const struct snapshot *snap, enum channel_id channel)
{
	return snap->channel[channel].fresh > 0;
}

/* A snapshot before the first look: nothing was told, every age is INFINITY. */
static inline struct snapshot snapshot_blank(void)
{
	struct snapshot snap = {
		.sample_age_s = INFINITY,
		.indication = NAN,
		.torque_Nm = NAN,
		.angle_rev = NAN,
		.edge_age_s = NAN,
		.edge_time_s = NAN,
		.speed_rpm = NAN,
		.edge_rpm = NAN,
		.brake_A = NAN,
		.voltage_V = NAN,
		.current_A = NAN,
		.ripple_W = NAN,
		.drive_rotor_rpm = NAN,
		.drive_A = NAN,
		.rotor_deg = NAN,
		.node_state = NODE_UNKNOWN,
	};

	for (int i = 0; i < TEMP_COUNT; i++)
		snap.temp_degC[i] = NAN;
	for (int i = 0; i < CHANNEL_COUNT; i++)
		snap.channel[i].age_s = INFINITY;
	return snap;
}

/* What a sequence wants; what the guard lets through has the same shape. Zeroed = everything off. */
struct wish {
	enum drive_mode mode;
	/* Of the output. Speed mode: the set-point. Torque and position mode: the most that the drive may turn it,
	 * either way and above 0; without it neither goes out. */
	double speed_rpm;
	double drive_A;   /* torque-producing current, in current mode */
	double torque_Nm; /* at the output, in torque mode */
	double angle_deg; /* of the output, in position mode: from where it stood when that mode began */
	double brake_A;
	bool power; /* contactor */
};

/* The number that belongs to the mode: rpm, A, N.m or degrees; 0 without a drive. */
static inline double wish_set_point(const struct wish *w)
{
	switch (w->mode) {
	case DRIVE_SPEED: return w->speed_rpm;
	case DRIVE_CURRENT: return w->drive_A;
	case DRIVE_TORQUE: return w->torque_Nm;
	case DRIVE_POSITION: return w->angle_deg;
	case DRIVE_OFF: return 0;
	}
	return 0; /* not a mode at all */
}

#endif
