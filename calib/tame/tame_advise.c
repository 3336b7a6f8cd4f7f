/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_advise.h"

#include <math.h>

#define LESS 0.88
#define STEPS 90 /* 0.88^90 = 1e-5 */
#define APART 4.0
#define MEET_SHARE 0.1

static struct tame_loop with(const struct tame_loop *l, struct tame_gains g)
{
	struct tame_loop ret = *l;

	ret.drive.gains = g;
	return ret;
}

static struct tame_gains lesser(const struct tame_loop *l, double factor)
{
	const struct tame_gains *g = &l->drive.gains;
	double speed = factor * g->speed_Nms, omega = speed / (l->joint.rotor_kgm2 + l->joint.arm_kgm2);
	double integral = factor * g->integral_Nm_per_rad;

	if (!(speed > 0)) /* an integral alone */
		return (struct tame_gains){ 0, integral, factor * g->position_per_s };
	return (struct tame_gains){ speed, fmin(integral, speed * omega / APART),
				    fmin(g->position_per_s, omega / APART) };
}

static bool reaches(const struct tame_loop *l, struct tame_target t)
{
	struct tame_margins m = tame_margins(l, &TAME_LINEAR);
	struct tame_gains more = l->drive.gains;
	double factor = pow(10, t.gain_dB / 20);

	if (!m.stable || !(m.gain_dB >= t.gain_dB) || !(m.phase_deg >= t.phase_deg))
		return false;
	more.speed_Nms *= factor;
	more.integral_Nm_per_rad *= factor;
	struct tame_loop harder = with(l, more);
	return !tame_cycle(l).oscillates && !tame_cycle(&harder).oscillates;
}

void tame_advise(const struct tame_loop *loop, const struct tame_inputs *inputs, size_t draws,
		 struct tame_target target, struct tame_advice *ret)
{
	double factor = 1;

	*ret = (struct tame_advice){ .found = false };
	for (int i = 0; i < STEPS; i++, factor *= LESS) {
		struct tame_gains g = i == 0 ? loop->drive.gains : lesser(loop, factor);
		struct tame_loop l = with(loop, g);
		if (!reaches(&l, target))
			continue;
		tame_find(&l, inputs, draws, &ret->with);
		if (ret->with.oscillates != TAME_NO)
			continue;
		ret->found = true;
		ret->keep = i == 0;
		ret->gains = g;
		return;
	}
}

struct tame_start tame_start(const struct tame_loop *l)
{
	const struct tame_joint *j = &l->joint;

	if (!(j->arm_kgm2 > 0))
		return (struct tame_start){ NAN, NAN };
	double reduced_kgm2 = j->rotor_kgm2 * j->arm_kgm2 / (j->rotor_kgm2 + j->arm_kgm2);
	double limit_Nm = isfinite(l->drive.limit_Nm) ? l->drive.limit_Nm : NAN;
	return (struct tame_start){ 2 * M_PI / tame_resonance(j),
				    MEET_SHARE * limit_Nm / sqrt(j->stiffness_Nm_per_rad * reduced_kgm2) };
}
