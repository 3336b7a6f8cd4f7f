/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The control loop of a joint: two masses, the rotor and the arm, joined by a gear that is a damped spring with play,
 * and the drive's cascade of controllers. Everything at the output: angles in rad, torque positive when the actuator
 * drives in the positive direction.
 *
 *     rotor  J_r q_r'' + b_r q_r' + S = T      arm  J_a q_a'' + b_a q_a' = S      S = k x + c x' beyond the play
 *     T = e^(-s delay)/(1 + s lag) (K_p + K_i/s) (K_x (q_wanted - q) - q')        x = q_r - q_a
 *
 * Play, dry friction and the drive's torque limit are not linear. They come in by their describing functions: for a
 * swing of one amplitude each acts like a gain or a damping of its own (A. Gelb, W. E. Vander Velde, Multiple-Input
 * Describing Functions and Nonlinear System Design, McGraw-Hill 1968; formulas from memory, checked in the tests by
 * simulation in time). The play as a dead zone of the spring is the usual model; a flank pushes and never pulls, which
 * matters where the damping is large (M. Nordin, J. Galic, P.-O. Gutman, Int. J. Adapt. Control Signal Process. 11
 * (1997) 49). A standing load that presses the flanks together is left out: with it play does less.
 *
 * Pure: no I/O, no clock, no globals; tame_growth allocates for its call. */
#ifndef BRIDLE_CALIB_TAME_TAME_LOOP_H
#define BRIDLE_CALIB_TAME_TAME_LOOP_H

#include <complex.h>
#include <stdbool.h>

/* None below 0. */
struct tame_joint {
	double rotor_kgm2;           /* above 0; a rotor's own inertia times the ratio squared */
	double arm_kgm2;             /* 0: no arm, the rotor alone */
	double stiffness_Nm_per_rad; /* above 0 with an arm */
	double damping_Nms;          /* of that spring */
	double play_rad;             /* whole width */
	double rotor_viscous_Nms, arm_viscous_Nms;
	double rotor_dry_Nm, arm_dry_Nm;
};

struct tame_gains {
	double speed_Nms;           /* K_p: torque for each rad/s */
	double integral_Nm_per_rad; /* K_i: torque per second for each rad/s */
	double position_per_s;      /* K_x: rad/s for each rad; 0: a speed loop alone */
};

struct tame_drive {
	struct tame_gains gains;
	double torque_scale;                /* torque that comes for 1 N.m commanded; 1: a drive without fault */
	double torque_lag_s;                /* of the torque or current loop, first order: 1/(2 pi bandwidth) */
	double delay_s;                     /* of computing, sampling and sensors, in all */
	double limit_Nm;                    /* largest torque; INFINITY: none */
	bool speed_at_arm, position_at_arm; /* where the sensor is; else at the rotor */
};

struct tame_loop {
	struct tame_joint joint;
	struct tame_drive drive;
};

/* What play, friction and torque limit do to one amplitude. */
struct tame_quasi {
	double flank; /* of the spring that acts, 0 to 1 */
	double gain;  /* of the controllers that acts, 0 to 1; of the integral its square: limited, it stands */
	double rotor_Nms, arm_Nms; /* damping by dry friction */
};
#define TAME_LINEAR ((struct tame_quasi){ 1, 1, 0, 0 })

/* Gain from the twist x to the torque of the spring at a swing of amplitude_rad about the middle of the play:
 * 1 - (2/pi)(asin r + r sqrt(1 - r^2)), r = (play/2)/amplitude; 0 within the play. */
double tame_flank(double play_rad, double amplitude_rad);
/* Gain of a limit at that amplitude in front of it: (2/pi)(asin r + r sqrt(1 - r^2)), r = limit/amplitude, 1 below. */
double tame_limited(double limit, double amplitude);
/* Damping by dry friction at that amplitude of the speed: 4 F/(pi amplitude). */
double tame_rubbed(double dry, double amplitude);

/* What a torque of 1 N.m moves, at omega > 0. */
struct tame_answer {
	double complex rotor, arm; /* rad/(N.m) */
};
struct tame_answer tame_answer(const struct tame_joint *joint, const struct tame_quasi *quasi, double omega);

/* The opened loop at the torque command: closed, it is stable as by Nyquist about -1. */
double complex tame_open(const struct tame_loop *loop, const struct tame_quasi *quasi, double omega);

/* The closed loop's least stable motion: growth in 1/s (below 0: it dies out), *ret_omega its angular frequency. From
 * the roots of the characteristic equation, the delay as a Padé fraction of order 4. What no controller holds (the
 * angle of a speed loop) is left out. NaN: no roots were found. */
double tame_growth(const struct tame_loop *loop, const struct tame_quasi *quasi, double *ret_omega);

/* Of the free joint, the arm against the rotor, and of the arm at a rotor that is held; 0 without an arm. rad/s. */
double tame_resonance(const struct tame_joint *joint);
double tame_antiresonance(const struct tame_joint *joint);

#endif
