/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BRIDLE_CHANNEL_LIMIT_H
#define BRIDLE_CHANNEL_LIMIT_H

/* What limited a point: the actuator itself unless something else came first. */
enum limit {
	LIMIT_NONE,     /* nothing: the set-point was reached */
	LIMIT_ACTUATOR, /* the actuator could not do more: speed fell off, with supply and drive not limiting */
	LIMIT_DRIVE,    /* the drive's current limit or derating */
	LIMIT_SUPPLY,   /* current limit reached, voltage sagging; or undervoltage drop-out */
	LIMIT_BRAKE,    /* brake at full current */
	LIMIT_CELL,     /* cell at full scale */
	LIMIT_HEAT,
	LIMIT_PLAN,  /* what the plan gives the drive: its own current was all there was */
	LIMIT_GUARD, /* a stated limit of rig or actuator, or a fault of the rig, stopped the run */
	LIMIT_OPERATOR,
	LIMIT_NOT_KNOWN, /* something fell short and no sample tells why: nobody's limit */
	LIMIT_UNKNOWN    /* readings taken by hand do not tell */
};

#endif
