/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/ripple/order_spectrum_private.h"

#include <math.h>
#include <string.h>

#define HANN_FLOORS 3.0     /* floors of all bins over the noise's square: 6/m each, m/2 of them */
#define RECTANGLE (2.0 / 3) /* variance of a wave by the bare mean square over that under Hann's window */
#define BY_MEDIAN 2.0       /* variance of the floors' sum by medians, in that of as many exponentials; rounded up */
#define UNEXPLAINED 3.0

/* The noise's square, and the variance of that. One floor stands for the bins around it; beyond what is in sight all is
 * noise. */
static double noise_square(const struct order_grid *g, double *ret_variance)
{
	size_t each = 2 * ORDER_NEIGHBOURS;
	double sum = 0, squares = 0;

	for (size_t k = g->seen; k < g->m / 2; k++) {
		sum += g->power[k];
		squares += g->power[k] * g->power[k] / BY_MEDIAN;
	}
	for (size_t from = 1; from < g->seen; from += each) {
		size_t n = from + each < g->seen ? each : g->seen - from;
		double floor = order_floor(g, from + n / 2);
		if (!isfinite(floor))
			continue;
		sum += floor * (double)n;
		squares += floor * floor * (double)n;
	}
	*ret_variance = BY_MEDIAN * squares / (HANN_FLOORS * HANN_FLOORS);
	return sum / HANN_FLOORS;
}

static bool counts(const struct order_spectrum *s, const struct order_wave *w)
{
	return w->stands_out && w->order < s->highest_order;
}

/* Adds a wave to the steps, turned on step by step. */
static void add_wave(const struct order_grid *g, const struct order_wave *w)
{
	double cycles = w->order * g->turns / (double)g->m;
	double turn_c = cos(2 * M_PI * cycles), turn_s = sin(2 * M_PI * cycles), c = 1, s = 0;

	for (size_t k = 0; k < g->m; k++) {
		if (k % 1024 == 0) {
			c = w->amplitude_Nm * cos(2 * M_PI * fmod(cycles * (double)k, 1) + w->phase_rad);
			s = w->amplitude_Nm * sin(2 * M_PI * fmod(cycles * (double)k, 1) + w->phase_rad);
		}
		g->y[k] += c;
		double next = c * turn_c - s * turn_s;
		s = s * turn_c + c * turn_s;
		c = next;
	}
}

/* Peak to peak, and the turns between the two peaks. */
static double span(const struct order_grid *g, double *ret_apart)
{
	size_t low = 0, high = 0;

	for (size_t k = 1; k < g->m; k++) {
		low = g->y[k] < g->y[low] ? k : low;
		high = g->y[k] > g->y[high] ? k : high;
	}
	*ret_apart = ((double)high - (double)low) * g->turns / (double)g->m;
	return g->y[high] - g->y[low];
}

/* The noise along each wave, at one peak less at the other: of opposite sign where they lie half a wave apart. */
static double noise_of_span(const struct order_spectrum *s, double apart)
{
	double square = 0;

	for (size_t i = 0; i < s->n_waves; i++)
		if (counts(s, &s->wave[i]))
			square +=
				s->wave[i].u_Nm * s->wave[i].u_Nm * (2 - 2 * cos(2 * M_PI * s->wave[i].order * apart));
	return sqrt(square);
}

void order_sizes(const struct order_grid *g, struct order_spectrum *s)
{
	double variance, noise = noise_square(g, &variance), explained = 0, apart;

	memset(g->y, 0, g->m * sizeof *g->y);
	for (size_t i = 0; i < s->n_waves; i++) {
		const struct order_wave *w = &s->wave[i];
		if (!counts(s, w))
			continue;
		explained += w->amplitude_Nm * w->amplitude_Nm / 2;
		variance += RECTANGLE * w->amplitude_Nm * w->amplitude_Nm * w->u_Nm * w->u_Nm;
		add_wave(g, w);
	}
	double square = fmax(s->varies_Nm * s->varies_Nm - noise, 0), rest = square - explained;
	s->noise_Nm = sqrt(noise);
	s->rms_Nm = sqrt(square);
	/* Where next to nothing is left a root of the variance's own size stands for it. */
	s->u_rms_Nm = sqrt(variance) / (2 * fmax(s->rms_Nm, sqrt(sqrt(variance)) / 2));
	s->peak_to_peak_Nm = span(g, &apart);
	s->u_peak_to_peak_Nm =
		hypot(noise_of_span(s, apart), rest > UNEXPLAINED * sqrt(variance) ? sqrt(8 * rest / 3) : 0);
}
