/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/mc_rng.h"

#include <math.h>

#define EDGE 3.6541528853610088 /* where the tail begins, for 256 layers of equal area */

void ziggurat_init(struct ziggurat *z)
{
	double area = EDGE * exp(-0.5 * EDGE * EDGE) + sqrt(acos(0.0)) * erfc(EDGE / sqrt(2.0));

	z->x[0] = area / exp(-0.5 * EDGE * EDGE);
	z->x[1] = EDGE;
	for (int i = 1; i < ZIGGURAT - 1; i++)
		z->x[i + 1] = sqrt(-2.0 * log(area / z->x[i] + exp(-0.5 * z->x[i] * z->x[i])));
	z->x[ZIGGURAT] = 0;
	for (int i = 0; i <= ZIGGURAT; i++)
		z->f[i] = exp(-0.5 * z->x[i] * z->x[i]);
	for (int i = 0; i < ZIGGURAT; i++) {
		z->width[i] = z->x[i] * 0x1p-53;
		z->sure[i] = (uint64_t)(z->x[i + 1] / z->x[i] * 0x1p53);
	}
}

double ziggurat_edge(const struct ziggurat *z, struct mc_rng *r, unsigned layer, double x)
{
	if (layer == 0) {
		double past, y;
		do {
			past = -log1p(-mc_uniform(r)) / EDGE;
			y = -log1p(-mc_uniform(r));
		} while (y + y < past * past);
		return EDGE + past;
	}
	double height = z->f[layer] + mc_uniform(r) * (z->f[layer + 1] - z->f[layer]);
	return height < exp(-0.5 * x * x) ? x : -1.0;
}

/* SplitMix64: Steele, Lea and Flood, OOPSLA 2014. */
static uint64_t split_mix(uint64_t *state)
{
	uint64_t z = *state += UINT64_C(0x9e3779b97f4a7c15);

	z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
	z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
	return z ^ (z >> 31);
}

void mc_rng_seed(struct mc_rng *r, uint64_t seed, uint64_t group)
{
	/* Twice, so that neighbouring seeds and neighbouring groups share nothing. */
	uint64_t state = split_mix(&seed) ^ (group * UINT64_C(0xd1342543de82ef95));

	for (int i = 0; i < 4; i++)
		r->s[i] = split_mix(&state);
}

static void type_set(void *state, unsigned long seed)
{
	mc_rng_seed(state, seed, 0);
}

static unsigned long type_get(void *state)
{
	return (unsigned long)(mc_next(state) >> 32);
}

static double type_get_double(void *state)
{
	return mc_uniform(state);
}

const gsl_rng_type mc_rng_type = {
	"xoshiro256++", 0xffffffffUL, 0, sizeof(struct mc_rng), type_set, type_get, type_get_double,
};
