/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_spread.h"

#include "calib/number/mc_rng.h"

#include <math.h>

#define SEED 1
#define LEAST_SHARE 0.1 /* of its value: an inertia below 0 is none */

struct moments {
	double n, mean, square;
};

static void add(struct moments *m, double x)
{
	if (!isfinite(x))
		return;
	double by = x - m->mean;
	m->n++;
	m->mean += by / m->n;
	m->square += by * (x - m->mean);
}

static double deviation(const struct moments *m, size_t draws)
{
	return m->n >= 2 && m->n >= 0.1 * (double)draws ? sqrt(m->square / (m->n - 1)) : NAN;
}

/* Mean 0, standard deviation 1. */
static double deviate(struct mc_rng *rng, const struct ziggurat *z, enum dist dist)
{
	switch (dist) {
	case DIST_RECT: return sqrt(3) * (2 * mc_uniform(rng) - 1);
	case DIST_TRI: return sqrt(6) * (mc_uniform(rng) - mc_uniform(rng));
	case DIST_TWO: return mc_uniform(rng) < 0.5 ? -1 : 1;
	case DIST_NORMAL:
	case DIST_TRAPEZOID:
	case DIST_T: break;
	}
	return mc_normal(z, rng);
}

static struct tame_loop one_of(struct mc_rng *rng, const struct ziggurat *z, const struct tame_loop *loop,
			       const struct tame_inputs *inputs)
{
	struct tame_loop ret = *loop;
	double common[TAME_COMMON];

	for (size_t k = 0; k < TAME_COMMON; k++)
		common[k] = deviate(rng, z, k == TAME_RATIO ? inputs->ratio : DIST_NORMAL);
	for (size_t i = 0; i < inputs->n; i++) {
		const struct tame_input *in = &inputs->of[i];
		double *x = (double *)((char *)&ret + in->at), by = in->u * deviate(rng, z, in->dist);
		for (size_t k = 0; k < TAME_COMMON; k++)
			by += in->by[k] * common[k];
		*x = fmax(*x + by, LEAST_SHARE * *x);
	}
	return ret;
}

/* Where the loop is unstable and friction alone holds it, the describing function's word is not enough: a knock may be
 * larger than what it looks at (tests/published/tame_onset.py). */
static void judge(struct tame_found *f)
{
	bool no = f->probability <= 1 - TAME_SURE && f->margins.stable;

	f->oscillates = f->probability >= TAME_SURE ? TAME_YES : no ? TAME_NO : TAME_NOT_KNOWN;
}

void tame_find(const struct tame_loop *loop, const struct tame_inputs *inputs, size_t draws, struct tame_found *ret)
{
	struct moments gain = { 0, 0, 0 }, phase = gain, arm = gain, torque = gain, hertz = gain;
	double yes = 0;
	struct mc_rng rng;
	struct ziggurat z;

	*ret = (struct tame_found){ .margins = tame_margins(loop, &TAME_LINEAR), .cycle = tame_cycle(loop) };
	ret->probability = ret->cycle.oscillates ? 1 : 0;
	judge(ret);
	if (inputs->n == 0 || draws == 0)
		return;
	mc_rng_seed(&rng, SEED, 0);
	ziggurat_init(&z);
	for (size_t i = 0; i < draws; i++) {
		struct tame_loop one = one_of(&rng, &z, loop, inputs);
		struct tame_margins m = tame_margins(&one, &TAME_LINEAR);
		struct tame_cycle c = tame_cycle(&one);
		add(&gain, m.gain_dB);
		add(&phase, m.phase_deg);
		add(&arm, c.arm_rad);
		add(&torque, c.torque_Nm);
		add(&hertz, c.hertz);
		yes += c.oscillates;
	}
	ret->u_gain_dB = deviation(&gain, draws);
	ret->u_phase_deg = deviation(&phase, draws);
	ret->u_arm_rad = deviation(&arm, draws);
	ret->u_torque_Nm = deviation(&torque, draws);
	ret->u_hertz = deviation(&hertz, draws);
	ret->probability = yes / (double)draws;
	judge(ret);
}
