/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/meter.h"
#include "bench/draw.h"

#include <string.h>

void meter_init(struct meter *m, const struct meter_truth *truth, gsl_rng *rng)
{
	memset(m, 0, sizeof *m);
	m->truth = *truth;
	m->rng = rng;
}

void meter_read(struct meter *m, double *ret_V, double *ret_A, double *ret_ripple_W)
{
	if (m->n > 0) {
		m->last_V = m->sum_V / m->n * m->truth.volt_gain + m->truth.volt_offset_V;
		m->last_A = m->sum_A / m->n * m->truth.amp_gain + m->truth.amp_offset_A;
		m->last_ripple_W = (m->sum_W / m->n - m->sum_V / m->n * (m->sum_A / m->n)) * m->truth.volt_gain *
				   m->truth.amp_gain;
		m->sum_V = m->sum_A = m->sum_W = 0;
		m->n = 0;
	}
	*ret_V = m->last_V + m->truth.noise_V * draw_normal(m->rng);
	*ret_A = m->last_A + m->truth.noise_A * draw_normal(m->rng);
	*ret_ripple_W = m->last_ripple_W;
}
