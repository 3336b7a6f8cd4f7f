/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Geared actuator: winding, torque, losses, gear. Steps with the physics.
 *
 * Rotor-side equations of a motor in torque-producing (q axis) quantities, in the scale in which
 * electrical power is v i: v = R i + L di/dt + k_t(i) w, T = k_t(i) i, k_t(i) = k_t0 / (1 + (i/i_s)^2);
 * the same k_t makes torque and counter-voltage, so that energy balances by itself. The gear is a spring with play
 * between rotor and output; its friction, dry, viscous and growing with the transmitted torque, acts on the rotor.
 * Beside the spring, between rotor and output, is dry friction of its own that builds up over a short twist (Dahl
 * 1976): what makes a loop of torque and twist.
 * Cogging of slots and poles and the ripple of gear mesh are torques of the rotor's angle alone, - A sin(order angle):
 * what they take on one half of a wave they give back on the other.
 * Output torque is positive when the actuator drives in the positive direction. */
#ifndef BRIDLE_BENCH_ACTUATOR_H
#define BRIDLE_BENCH_ACTUATOR_H

#include "bench/physics.h"

#include <stdbool.h>

struct actuator_energy {
	double copper_J, inverter_J, iron_J, gear_J;
}; /* lost, in all */

struct actuator {
	const struct physics *physics; /* borrowed */
	double step_s;
	double current_keep, winding_keep; /* of the current loop and of L/R over a step */
	double ohm;                        /* at the present heat */
	double current_A;
	double rotor_rad_per_s;
	double rotor_rad;  /* its angle */
	double twist_rad;  /* rotor angle over ratio less output angle */
	double rub_Nm;     /* dry friction between the gear's two sides: of the output's torque */
	double cogs;       /* waves of the cogging in a turn of the rotor */
	bool stuck;        /* rotor held by its own friction */
	double bus_A;      /* what the last step drew */
	double output_Nm;  /* torque on the output shaft in the last step */
	double damping_Nm; /* the part of it that is lost in the gear's spring */
	struct actuator_energy lost;
};

/* What the drive wants of the current loop. */
struct actuator_demand {
	bool enabled;
	double wanted_A;
	double reach_factor; /* 1; more when a fault lets it go past the voltage */
	bool standby;        /* the bus is alive */
};

void actuator_init(struct actuator *actuator, const struct physics *physics, double step_s);
/* Resistance at the winding's heat (copper, 1/(234.5 + 20) per kelvin from 20 degC). */
void actuator_warm(struct actuator *actuator, double winding_degC);
/* Waves of the cogging in a turn of the output: the least common multiple of slots and poles, times the ratio. */
double actuator_cogging_order(const struct physics *physics);
double actuator_kt(const struct actuator *actuator, double current_A);

/* Velocities of one step against an output that turns at output_rad_per_s. coupled false: the flange is free. */
void actuator_step(struct actuator *actuator, const struct actuator_demand *demand, double bus_V,
		   double output_rad_per_s, bool coupled);

/* The twist after that step, with the output's new speed: positions after velocities keeps the spring's
 * energy over any number of steps (semi-implicit Euler is symplectic). GSL's integrators would have to stop at each
 * change between sticking, sliding, play and contact, several thousand times a second. */
void actuator_turn(struct actuator *actuator, double output_rad_per_s);

/* Kinetic, magnetic and spring energy, and that of cogging and mesh. */
double actuator_stored_J(const struct actuator *actuator);

#endif
