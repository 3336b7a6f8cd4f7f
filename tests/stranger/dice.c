/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "stranger.h"

#include <math.h>

static uint64_t mixed(uint64_t *x)
{
	uint64_t z = *x += 0x9e3779b97f4a7c15u;
	z = (z ^ z >> 30) * 0xbf58476d1ce4e5b9u;
	z = (z ^ z >> 27) * 0x94d049bb133111ebu;
	return z ^ z >> 31;
}

void dice_seed(struct dice *d, uint64_t seed)
{
	for (int i = 0; i < 4; i++)
		d->s[i] = mixed(&seed);
	d->has_spare = false;
}

static uint64_t turned(uint64_t x, int k)
{
	return x << k | x >> (64 - k);
}

static double unit(struct dice *d)
{
	uint64_t *s = d->s, out = turned(s[1] * 5, 7) * 9, t = s[1] << 17;

	s[2] ^= s[0];
	s[3] ^= s[1];
	s[1] ^= s[2];
	s[0] ^= s[3];
	s[2] ^= t;
	s[3] = turned(s[3], 45);
	return (double)(out >> 11) * 0x1p-53;
}

double dice_even(struct dice *d, double low, double high)
{
	return low + (high - low) * unit(d);
}

double dice_normal(struct dice *d, double sigma)
{
	double x, y, r;

	if (d->has_spare) {
		d->has_spare = false;
		return sigma * d->spare;
	}
	do {
		x = 2 * unit(d) - 1;
		y = 2 * unit(d) - 1;
		r = x * x + y * y;
	} while (r >= 1 || !(r > 0));
	r = sqrt(-2 * log(r) / r);
	d->spare = y * r;
	d->has_spare = true;
	return sigma * x * r;
}
