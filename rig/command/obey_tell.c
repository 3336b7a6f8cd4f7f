/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "command/obey_tell.h"

#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

static json_t *shape(struct obey_number x)
{
	return number_json(x.value, x.u, x.dof);
}

json_t *obey_json(const struct obey_slow *s, const struct obey_fast *f)
{
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:i, s:o, s:o, s:o}", "gain", shape(s->gain), "offset_Nm",
			 shape(s->offset_Nm), "dead_band_Nm", shape(s->dead_band_Nm), "hysteresis_Nm",
			 shape(s->hysteresis_Nm), "hysteresis_growth", shape(s->hysteresis_growth), "linearity_Nm",
			 cli_real(s->linearity_Nm), "scatter_Nm", cli_real(s->scatter_Nm), "left_out", (int)s->left_out,
			 "bandwidth_Hz", shape(f->bandwidth_Hz), "lowest_coherence", cli_real(f->lowest_coherence),
			 "highest_Hz", cli_real(f->highest_Hz));
}

void obey_print_slow(const struct obey_slow *s)
{
	offline_line("gain", s->gain.value, s->gain.u, s->gain.dof, "");
	offline_line("offset", s->offset_Nm.value, s->offset_Nm.u, s->offset_Nm.dof, "N·m");
	offline_line("dead band", s->dead_band_Nm.value, s->dead_band_Nm.u, s->dead_band_Nm.dof, "N·m");
	offline_line(isnan(s->hysteresis_growth.value) ? "hysteresis, mean" : "hysteresis at half command",
		     s->hysteresis_Nm.value, s->hysteresis_Nm.u, s->hysteresis_Nm.dof, "N·m");
	offline_line("growth with the command", s->hysteresis_growth.value, s->hysteresis_growth.u,
		     s->hysteresis_growth.dof, "N·m/N·m");
	offline_line("largest deviation", s->linearity_Nm, NAN, NAN, "N·m");
	offline_line("scatter of a reading", s->scatter_Nm, NAN, NAN, "N·m");
	if (s->left_out > 0)
		printf("  After turns of the command %zu %s not moved yet and %s left out.\n", s->left_out,
		       s->left_out == 1 ? "reading had" : "readings had", s->left_out == 1 ? "is" : "are");
	if (isnan(s->dead_band_Nm.value))
		puts("  A dead band shows only with commands of both signs.");
	if (isnan(s->hysteresis_Nm.value))
		puts("  A hysteresis shows only with commands up and down.");
}

void obey_print_fast(const struct obey_fast *f)
{
	offline_line("gain at low frequency", f->gain, NAN, NAN, "");
	if (isfinite(f->bandwidth_Hz.value))
		offline_line("bandwidth", f->bandwidth_Hz.value, f->bandwidth_Hz.u, INFINITY, "Hz");
	else
		printf("  The response does not fall to 71 %% up to %.4g Hz, where command and torque cease to go "
		       "together.\n",
		       f->highest_Hz);
	printf("  Lowest coherence on the way: %.3f; %zu windows.\n", f->lowest_coherence, f->windows);
}

struct obey_slow obey_slow_none(void)
{
	const struct obey_number none = { NAN, NAN, NAN };

	return (struct obey_slow){ none, none, none, none, none, NAN, NAN, 0 };
}

struct obey_fast obey_fast_none(void)
{
	return (struct obey_fast){ { NAN, NAN, NAN }, NAN, NAN, NAN, 0 };
}
