/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/draw.h"

#include <gsl/gsl_randist.h>
#include <math.h>

/* FNV-1a, 64 bit (draft-eastlake-fnv), then folded: gsl's generator takes 32 bits of seed. */
static unsigned long stream_seed(uint64_t seed, const char *stream)
{
	uint64_t hash = 0xcbf29ce484222325u;

	for (unsigned i = 0; i < 8; i++)
		hash = (hash ^ ((seed >> (8 * i)) & 0xff)) * 0x100000001b3u;
	for (; *stream != '\0'; stream++)
		hash = (hash ^ (unsigned char)*stream) * 0x100000001b3u;
	return (unsigned long)((hash >> 32) ^ (hash & 0xffffffffu));
}

gsl_rng *draw_new(uint64_t seed, const char *stream)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	if (rng != NULL)
		gsl_rng_set(rng, stream_seed(seed, stream));
	return rng;
}

double draw_normal(gsl_rng *rng)
{
	return gsl_ran_gaussian_ziggurat(rng, 1.0);
}

static double deviate(gsl_rng *rng, struct quantity q)
{
	double a = gsl_rng_uniform(rng) - 0.5, b = gsl_rng_uniform(rng) - 0.5;

	switch (q.dist) {
	case DIST_RECT:
		return a * sqrt(12.0);
	case DIST_TRI:
		return (a + b) * sqrt(6.0);
	case DIST_TRAPEZOID: /* the sum of two rectangles: JCGM 101:2008, 6.4.4 */
		return (a * (1 + q.beta) + b * (1 - q.beta)) * sqrt(6 / (1 + q.beta * q.beta));
	case DIST_NORMAL:
	case DIST_T:
		break;
	}
	if (isfinite(q.dof) && q.dof > 0)
		return gsl_ran_tdist(rng, q.dof);
	return draw_normal(rng);
}

double draw_quantity(uint64_t seed, const char *name, struct quantity q)
{
	gsl_rng *rng;
	double value;

	if (!(q.u > 0))
		return q.value;
	rng = draw_new(seed, name);
	if (rng == NULL)
		return q.value;
	value = q.value + q.u * deviate(rng, q);
	gsl_rng_free(rng);
	return value;
}
