/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/ripple/order_spectrum_private.h"

#include <math.h>

#define BEYOND 3.0 /* sigmas by which a wave is more than what leaks into it */

/* Hann's window so many bins beside a wave: 1 at it, 1/2 a bin beside, 0 at whole numbers from 2 on. */
static double hann(double bins)
{
	double d = fabs(bins), x = M_PI * d;

	if (fabs(d - 1) < 1e-6)
		return 0.5;
	return d < 1e-6 ? 1 : fabs(sin(x) / x / (1 - d * d));
}

/* What the waves that are real, other than i, bring to the place of wave i at most. */
static double leak_into(const struct order_spectrum *s, const bool *real, size_t i)
{
	double sum = 0;

	for (size_t k = 0; k < s->n_waves; k++)
		if (real[k] && k != i)
			sum += s->wave[k].amplitude_Nm * hann((s->wave[k].order - s->wave[i].order) * s->turns);
	return sum;
}

static bool larger(const struct order_spectrum *s, size_t a, size_t b)
{
	return b == s->n_waves || s->wave[a].amplitude_Nm > s->wave[b].amplitude_Nm;
}

/* The largest first: what is more than the leaks of larger ones is real itself. */
static void find_real(const struct order_spectrum *s, bool *real)
{
	bool seen[ORDER_WAVES] = { false };

	for (size_t n = 0; n < s->n_waves; n++) {
		size_t at = s->n_waves;
		for (size_t i = 0; i < s->n_waves; i++)
			if (!seen[i] && isfinite(s->wave[i].amplitude_Nm) && larger(s, i, at))
				at = i;
		if (at == s->n_waves)
			return;
		const struct order_wave *w = &s->wave[at];
		seen[at] = true;
		real[at] = w->stands_out && w->amplitude_Nm > leak_into(s, real, at) + BEYOND * w->u_Nm;
	}
}

void order_leaks(struct order_spectrum *s)
{
	bool real[ORDER_WAVES] = { false };

	find_real(s, real);
	for (size_t i = 0; i < s->n_waves; i++) {
		struct order_wave *w = &s->wave[i];
		double leak = leak_into(s, real, i), u = hypot(w->u_Nm, leak / sqrt(3));
		w->stands_out = w->stands_out && (real[i] || !(leak > w->u_Nm));
		w->beside = leak > w->u_Nm;
		if (!(w->u_Nm > 0) || !(leak > 0.01 * w->u_Nm))
			continue;
		w->dof *= pow(u / w->u_Nm, 4);
		w->u_Nm = u;
	}
}
