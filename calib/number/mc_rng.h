/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Random numbers of calib/number/montecarlo.c: xoshiro256++ (Blackman and Vigna, ACM
 * Trans. Math. Softw. 47 (2021) 36), seeded by SplitMix64, and normal deviates by
 * the ziggurat (Marsaglia and Tsang, J. Stat. Softw. 5 (2000) 8) with 256 layers
 * and 53 bits. Inline, because drawing is what a run does most; GSL's own
 * generators sit behind a call for each number and its ziggurat keeps 24 bits. */
#ifndef BRIDLE_CALIB_NUMBER_MC_RNG_H
#define BRIDLE_CALIB_NUMBER_MC_RNG_H

#include <gsl/gsl_rng.h>
#include <stdint.h>

struct mc_rng {
	uint64_t s[4];
};

#define ZIGGURAT 256

/* Made once for a run: layer i reaches from x[i+1] to x[i], x[0] being the width of the base layer's rectangle. */
struct ziggurat {
	double width[ZIGGURAT];  /* x[i] 2^-53 */
	uint64_t sure[ZIGGURAT]; /* 2^53 x[i+1]/x[i]: below it the deviate is inside the next layer too */
	double x[ZIGGURAT + 1], f[ZIGGURAT + 1]; /* f = exp(-x^2/2) */
};

void ziggurat_init(struct ziggurat *z);

/* Streams of different (seed, group) are unrelated: 256 bits of state make a meeting of two streams impossible in
 * practice. */
void mc_rng_seed(struct mc_rng *r, uint64_t seed, uint64_t group);

static inline uint64_t mc_rotate(uint64_t x, int k)
{
	return (x << k) | (x >> (64 - k));
}

static inline uint64_t mc_next(struct mc_rng *r)
{
	uint64_t *s = r->s, out = mc_rotate(s[0] + s[3], 23) + s[0], t = s[1] << 17;

	s[2] ^= s[0];
	s[3] ^= s[1];
	s[1] ^= s[2];
	s[0] ^= s[3];
	s[2] ^= t;
	s[3] = mc_rotate(s[3], 45);
	return out;
}

/* [0, 1), 53 bits. */
static inline double mc_uniform(struct mc_rng *r)
{
	return (double)(mc_next(r) >> 11) * 0x1p-53;
}

/* The rare part: the tail and the slopes between the layers. Returns a positive deviate or a negative number when it
 * was not accepted. */
double ziggurat_edge(const struct ziggurat *z, struct mc_rng *r, unsigned layer, double x);

static inline double mc_normal(const struct ziggurat *z, struct mc_rng *r)
{
	for (;;) {
		/* Layer and sign from the low bits, the place inside the layer from the high 53. */
		uint64_t bits = mc_next(r), place = bits >> 11;
		unsigned layer = bits & (ZIGGURAT - 1);
		double x = (double)place * z->width[layer];
		if (place >= z->sure[layer])
			x = ziggurat_edge(z, r, layer, x);
		if (x >= 0)
			return bits & ZIGGURAT ? -x : x;
	}
}

/* The same stream as a generator of GSL, for its distributions: state is a struct mc_rng. */
extern const gsl_rng_type mc_rng_type;

#endif
