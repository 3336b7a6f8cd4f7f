/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/strays.h"
#include "bench/draw.h"
#include "calib/number/units.h"

#include <math.h>

void strays_init(struct strays *s, const struct physics *physics, gsl_rng *rng)
{
	*s = (struct strays){ .cable_keep = exp(-STRAYS_TICK_S / physics->lever.cable_s),
			      .once_phase_rad = 2 * UNITS_PI * gsl_rng_uniform(rng),
			      .cable = draw_normal(rng) };
}

void strays_tick(struct strays *s, const struct physics *physics, double angle_rad, gsl_rng *rng)
{
	s->cable = s->cable * s->cable_keep + sqrt(1 - s->cable_keep * s->cable_keep) * draw_normal(rng);
	s->cradle_Nm =
		physics->lever.cable_Nm * s->cable + physics->coupling.once_Nm * sin(angle_rad + s->once_phase_rad);
}
