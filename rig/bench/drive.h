/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The actuator's drive above its current loop: modes, speed loop, limits, derating, faults. Steps once a
 * millisecond, as a drive's own firmware does, whatever the step of the physics. Rotor side, SI units. */
#ifndef BRIDLE_BENCH_DRIVE_H
#define BRIDLE_BENCH_DRIVE_H

#include "bench/physics.h"

#include <stdbool.h>

#define DRIVE_TICK_S 1e-3

/* Bits of the DRIVE field of docs/tether.md. */
enum {
	BENCH_DRIVE_ENABLED = 1,
	BENCH_DRIVE_LIMITED = 2,
	BENCH_DRIVE_DERATING = 4,
	BENCH_DRIVE_UNDERVOLTAGE = 8,
	BENCH_DRIVE_FAULT = 16,
	BENCH_DRIVE_OVERSPEED = 32
};
#define BENCH_DRIVE_FAULTS (BENCH_DRIVE_UNDERVOLTAGE | BENCH_DRIVE_FAULT | BENCH_DRIVE_OVERSPEED)

enum bench_mode { BENCH_OFF, BENCH_SPEED, BENCH_CURRENT, BENCH_TORQUE, BENCH_POSITION };

struct drive_inputs {
	enum bench_mode mode;
	double value;           /* rad/s of the rotor, A (torque too), or rad of the rotor from where the mode began */
	double limit_rad_per_s; /* of the rotor, in torque and position mode */
	double bus_V, rotor_rad_per_s, kt_Nm_per_A, ohm, winding_degC;
};

/* What hands can spoil in it; zeroed = healthy. */
struct drive_tampering {
	bool reversed;
	double runaway_rad_per_s; /* > 0: goes for this speed, whatever it is told, and past the voltage's reach */
	double gain_factor;       /* > 0: speed loop's integral times this, its gain divided by it */
};

struct drive {
	double limit_now_A;
	enum bench_mode mode; /* that it runs in; each begins anew */
	double integral_A, ramp_rad_per_s, turned_rad;
	double ready_s;  /* time with a good bus and a mode */
	unsigned flags;  /* enum above; fault bits stay until drive_restart */
	double wanted_A; /* of the current loop */
	bool enabled;
};

void drive_step(struct drive *drive, const struct physics *physics, const struct drive_inputs *in,
		const struct drive_tampering *tampering);
void drive_restart(struct drive *drive);
void drive_trip(struct drive *drive, unsigned fault);

#endif
