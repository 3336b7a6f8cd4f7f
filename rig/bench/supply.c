/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/supply.h"

#include "bench/bounded.h"

#include <math.h>
#include <string.h>

void supply_init(struct supply *supply, const struct supply_params *params, double step_s)
{
	memset(supply, 0, sizeof *supply);
	supply->params = *params;
	supply->step_s = step_s;
	supply->decay = exp(-step_s / ((params->inner_ohm + params->cable_ohm) * params->farad));
}

static double fed_V(struct supply *s, double drive_A)
{
	const struct supply_params *p = &s->params;
	double final_V = p->set_V - drive_A * (p->inner_ohm + p->cable_ohm);
	double next_V = final_V + (s->bus_V - final_V) * s->decay;

	s->current_A = drive_A + p->farad * (next_V - s->bus_V) / s->step_s;
	s->limiting = s->current_A > p->limit_A;
	if (s->limiting || s->current_A < 0) {
		s->current_A = s->limiting ? p->limit_A : 0;
		next_V = s->bus_V + (s->current_A - drive_A) * s->step_s / p->farad;
	}
	return next_V;
}

void supply_step(struct supply *s, bool closed, double drive_A)
{
	const struct supply_params *p = &s->params;
	double next_V;

	if (closed) {
		next_V = fed_V(s, drive_A);
	} else {
		s->current_A = 0;
		s->limiting = false;
		next_V = s->bus_V - drive_A * s->step_s / p->farad;
	}
	if (next_V > p->chopper_V) {
		s->burnt_J += 0.5 * p->farad * (next_V * next_V - p->chopper_V * p->chopper_V);
		next_V = p->chopper_V;
	}
	s->bus_V = at_least(next_V, 0);
}

double supply_terminal_V(const struct supply *s, bool closed)
{
	return closed ? s->bus_V + s->params.cable_ohm * s->current_A : s->params.set_V;
}
