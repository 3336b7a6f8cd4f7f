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
