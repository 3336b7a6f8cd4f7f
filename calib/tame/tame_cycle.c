/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_cycle.h"

#include <math.h>
#include <stddef.h>

#define STEPS 72 /* of amplitude */
#define ROUNDS 8
#define HALVINGS 30
#define LEAST 1.002 /* of half the play: the flanks just meet */
#define MOST 100.0
#define TURN (2 * M_PI) /* of the arm: a swing beyond it is none */

/* A swing of the twist, and what goes with it at its frequency. */
struct swing {
	double growth, omega, arm_rad, rotor_rad;
};

static void amplitudes(const struct tame_loop *l, const struct tame_quasi *q, double twist_rad, struct swing *w)
{
	struct tame_answer a = tame_answer(&l->joint, q, w->omega);
	double twist = l->joint.arm_kgm2 > 0 ? cabs(a.rotor - a.arm) : cabs(a.rotor);

	w->arm_rad = twist_rad * cabs(a.arm) / twist;
	w->rotor_rad = twist_rad * cabs(a.rotor) / twist;
}

/* Torque that the controllers ask for at that motion, before the limit. */
static double asked_Nm(const struct tame_loop *l, const struct tame_quasi *q, double omega, double rotor_rad)
{
	struct tame_quasi whole = *q;

	whole.gain = 1;
	return rotor_rad * cabs(tame_open(l, &whole, omega)) / cabs(tame_answer(&l->joint, q, omega).rotor);
}

/* Friction and limit depend on the motion and the motion on them: in turn until they agree. *gain: of the next smaller
 * amplitude, so that the same motion is followed. */
static struct swing swing(const struct tame_loop *l, double twist_rad, double *gain)
{
	const struct tame_joint *j = &l->joint;
	struct tame_quasi q = TAME_LINEAR;
	struct swing w;

	q.gain = *gain;
	q.flank = tame_flank(j->play_rad, twist_rad);
	w.growth = tame_growth(l, &q, &w.omega);
	for (int i = 0; i < ROUNDS && w.growth > 0 && w.omega > 0; i++) {
		amplitudes(l, &q, twist_rad, &w);
		q.rotor_Nms = 0.5 * (q.rotor_Nms + tame_rubbed(j->rotor_dry_Nm, w.omega * w.rotor_rad));
		q.arm_Nms = 0.5 * (q.arm_Nms + tame_rubbed(j->arm_dry_Nm, w.omega * w.arm_rad));
		q.gain = 0.5 * (q.gain + tame_limited(l->drive.limit_Nm, asked_Nm(l, &q, w.omega, w.rotor_rad)));
		w.growth = tame_growth(l, &q, &w.omega);
	}
	if (w.omega > 0)
		amplitudes(l, &q, twist_rad, &w);
	*gain = q.gain;
	return w;
}

static bool grows(const struct swing *w)
{
	return w->growth > TAME_SLOW * w->omega;
}

/* The amplitude between two at which growth begins or ends. gain: of the lesser. */
static double edge(const struct tame_loop *l, double from_rad, double to_rad, bool from_grows, double gain)
{
	for (int i = 0; i < HALVINGS; i++) {
		double middle = sqrt(from_rad * to_rad), own = gain;
		struct swing w = swing(l, middle, &own);
		if (grows(&w) == from_grows)
			from_rad = middle;
		else
			to_rad = middle;
	}
	return sqrt(from_rad * to_rad);
}

static double limit_twist_rad(const struct tame_loop *l)
{
	const struct tame_joint *j = &l->joint;

	if (!isfinite(l->drive.limit_Nm) || !(j->stiffness_Nm_per_rad > 0))
		return 0;
	return l->drive.limit_Nm / j->stiffness_Nm_per_rad;
}

static void tell(const struct tame_loop *l, double twist_rad, double gain, struct tame_cycle *ret)
{
	const struct tame_joint *j = &l->joint;
	struct swing w = swing(l, twist_rad * 0.999, &gain); /* on the side that grows: the mode that is meant */

	ret->bounded = true;
	ret->twist_rad = twist_rad;
	ret->arm_rad = w.arm_rad;
	ret->rotor_rad = w.rotor_rad;
	ret->hertz = w.omega / (2 * M_PI);
	ret->torque_Nm = j->stiffness_Nm_per_rad * fmax(0, twist_rad - j->play_rad / 2);
}

struct tame_cycle tame_cycle(const struct tame_loop *l)
{
	struct tame_cycle ret = { false, false, NAN, NAN, NAN, NAN, NAN, 0 };
	double half = l->joint.play_rad / 2, limit = limit_twist_rad(l);
	double least = half > 0 ? LEAST * half : limit > 0 ? 1e-3 * limit : 1e-6;
	double most = MOST * (half + limit > 0 ? half + limit : 1e-6), before = least, gain = 1, last = 1,
	       first_hertz = NAN;
	bool grew = false;

	for (int i = 0; i <= STEPS; i++) {
		double twist = least * pow(most / least, (double)i / STEPS);
		struct swing w = swing(l, twist, &gain);
		bool now = grows(&w);
		if (now && !ret.oscillates) {
			ret.oscillates = true;
			first_hertz = w.omega / (2 * M_PI);
			if (i > 0) {
				struct swing first =
					swing(l, edge(l, before, twist, false, last) * 1.001, &(double){ last });
				ret.from_rad = first.arm_rad;
			}
		}
		if (grew && !now)
			tell(l, edge(l, before, twist, true, last), last, &ret);
		grew = now;
		before = twist;
		last = gain;
	}
	if (grew || (ret.bounded && !(ret.arm_rad < TURN)))
		return (struct tame_cycle){ ret.oscillates, false, first_hertz, NAN, NAN, NAN, NAN, ret.from_rad };
	return ret;
}
