/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Random numbers of the virtual bench. Each purpose has a stream of its own, started from the bench's
 * seed and the purpose's name, so that a new draw never shifts another and noise does not depend on
 * the order of the physics. */
#ifndef BRIDLE_BENCH_DRAW_H
#define BRIDLE_BENCH_DRAW_H

#include <gsl/gsl_rng.h>
#include <stdint.h>

/* A stream; given to the caller, ended by gsl_rng_free. NULL when out of memory. */
gsl_rng *draw_new(uint64_t seed, const char *stream);

/* Standard normal deviate. */
double draw_normal(gsl_rng *rng);

#endif
