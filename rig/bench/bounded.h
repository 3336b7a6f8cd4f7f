/* SPDX-License-Identifier: GPL-3.0-or-later */
/* In every step of the physics, so inline: the library's fmin and fmax are calls. */
#ifndef BRIDLE_BENCH_BOUNDED_H
#define BRIDLE_BENCH_BOUNDED_H

/* x held within least..most; NaN stays NaN. */
static inline double bounded(double x, double least, double most)
{
	return x < least ? least : x > most ? most : x;
}

static inline double at_least(double x, double least)
{
	return x < least ? least : x;
}

#endif
