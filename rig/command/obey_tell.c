/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "calib/number/uncertain.h"
#include "command/obey_tell.h"

#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

static json_t *shape(struct obey_number x)
{
	return number_json(x.value, x.u, x.dof);
}

static json_t *drift(const struct obey_slow *s)
{
	if (isnan(s->at_degC))
		return json_null();
	return json_pack("{s:o, s:o, s:o}", "gain_per_K", shape(s->gain_per_K), "offset_Nm_per_K",
			 shape(s->offset_Nm_per_K), "at_degC", cli_real(s->at_degC));
}

json_t *obey_json(const struct obey_slow *s, const struct obey_fast *f)
{
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:i, s:o, s:o, s:o}", "gain", shape(s->gain),
			 "offset_Nm", shape(s->offset_Nm), "dead_band_Nm", shape(s->dead_band_Nm), "hysteresis_Nm",
			 shape(s->hysteresis_Nm), "hysteresis_growth", shape(s->hysteresis_growth), "linearity_Nm",
			 cli_real(s->linearity_Nm), "scatter_Nm", cli_real(s->scatter_Nm), "drift", drift(s),
			 "left_out", (int)s->left_out, "bandwidth_Hz", shape(f->bandwidth_Hz), "lowest_coherence",
			 cli_real(f->lowest_coherence), "highest_Hz", cli_real(f->highest_Hz));
}

/* A scatter is itself known to some tenths: two digits. */
static void print_rough(const char *label, double Nm)
{
	if (isfinite(Nm))
		printf(fabs(Nm) < 99.5 ? "  %-26s %.2g N\u00b7m\n" : "  %-26s %.0f N\u00b7m\n", label, Nm);
	else
		offline_line(label, NAN, NAN, NAN, "N·m");
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
	print_rough("largest deviation", s->linearity_Nm);
	print_rough("scatter of a reading", s->scatter_Nm);
	if (isfinite(s->at_degC)) {
		offline_line("gain, for each kelvin", s->gain_per_K.value, s->gain_per_K.u, s->gain_per_K.dof, "1/K");
		offline_line("offset, for each kelvin", s->offset_Nm_per_K.value, s->offset_Nm_per_K.u,
			     s->offset_Nm_per_K.dof, "N·m/K");
		printf("  Gain and offset are those at %.3g °C, the mean of the table.\n", s->at_degC);
	}
	if (s->left_out > 0)
		printf("  After turns of the command %zu %s not moved yet and %s left out.\n", s->left_out,
		       s->left_out == 1 ? "reading had" : "readings had", s->left_out == 1 ? "is" : "are");
	if (s->gain.value < 0)
		puts("  The measured torque has the other sign than the commanded one: check the signs of drive and "
		     "cell.");
	if (isnan(s->dead_band_Nm.value))
		puts("  A dead band shows only with commands of both signs.");
	if (isnan(s->hysteresis_Nm.value))
		puts("  A hysteresis shows only with commands up and down.");
}

static struct obey_number new_constant(const struct obey_slow *s, double k, double u)
{
	double value = k > 0 ? k * s->gain.value : NAN;

	return (struct obey_number){ value, value * hypot(s->gain.u / s->gain.value, u / k), s->gain.dof };
}

void obey_put_constant(json_t *doc, const struct obey_slow *s, double constant_Nm_per_A, double u)
{
	struct obey_number k = new_constant(s, constant_Nm_per_A, u);

	json_object_set_new(doc, "torque_constant_Nm_per_A", k.value > 0 ? shape(k) : json_null());
}

void obey_print_constant(const struct obey_slow *s, double constant_Nm_per_A, double u)
{
	struct obey_number k = new_constant(s, constant_Nm_per_A, u);

	if (k.value > 0)
		offline_line("constant to write", k.value, k.u, k.dof, "N·m/A");
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

	return (struct obey_slow){ none, none, none, none, none, none, none, NAN, NAN, NAN, 0 };
}

struct obey_fast obey_fast_none(void)
{
	return (struct obey_fast){ { NAN, NAN, NAN }, NAN, NAN, NAN, 0 };
}

void obey_put_speeds(json_t *doc, const struct obey_speeds *s)
{
	json_t *list = json_array();

	for (size_t i = 0; i < s->n; i++) {
		const struct obey_speed *v = &s->list[i];
		const struct obey_slow none = obey_slow_none(), *slow = v->known ? &v->slow : &none;
		json_array_append_new(list,
				      json_pack("{s:o, s:i, s:o, s:o, s:o, s:o, s:o}", "speed_rpm",
						cli_real(v->speed_rpm), "rows", (int)v->rows, "gain", shape(slow->gain),
						"offset_Nm", shape(slow->offset_Nm), "dead_band_Nm",
						shape(slow->dead_band_Nm), "hysteresis_Nm", shape(slow->hysteresis_Nm),
						"linearity_Nm", cli_real(slow->linearity_Nm)));
	}
	json_object_set_new(doc, "speeds", list);
	json_object_set_new(doc, "repeatability_Nm", shape(s->repeatability_Nm));
}

void obey_put_step(json_t *doc, const struct obey_step *s)
{
	json_object_set_new(doc, "step",
			    s->steps ? json_pack("{s:i, s:o, s:o, s:o}", "steps", (int)s->steps, "delay_s",
						 shape(s->delay_s), "rise_s", shape(s->rise_s), "overshoot",
						 shape(s->overshoot_1))
				     : json_null());
}

static void print_pair(struct obey_number x, int digits)
{
	if (isfinite(x.value))
		printf(" %9.*f ± %-7.*f", digits, x.value, digits,
		       x.u * unc_coverage_factor(x.dof >= 1 ? x.dof : INFINITY, 0.95));
	else
		printf(" %9s   %-7s", "-", "");
}

void obey_print_speeds(const struct obey_speeds *s)
{
	offline_line("repeatability", s->repeatability_Nm.value, s->repeatability_Nm.u, s->repeatability_Nm.dof, "N·m");
	if (s->n < 2)
		return;
	printf("\nThe lines above are those of %.4g rpm. Each speed, with the interval of 95 %%:\n",
	       s->list[s->slowest].speed_rpm);
	printf("  %9s %5s %19s %19s %19s\n", "rpm", "rows", "gain", "offset, N·m", "hysteresis, N·m");
	for (size_t i = 0; i < s->n; i++) {
		const struct obey_speed *v = &s->list[i];
		printf("  %9.4g %5zu", v->speed_rpm, v->rows);
		if (v->known) {
			print_pair(v->slow.gain, 4);
			print_pair(v->slow.offset_Nm, 3);
			print_pair(v->slow.hysteresis_Nm, 3);
			putchar('\n');
		} else {
			puts("  too few rows, or no command up and down");
		}
	}
}

void obey_print_step(const struct obey_step *s)
{
	printf("  Means over %zu step%s of the command:\n", s->steps, s->steps == 1 ? "" : "s");
	offline_line("delay, to half of the way", 1000 * s->delay_s.value, 1000 * s->delay_s.u, s->delay_s.dof, "ms");
	offline_line("rise, 10 % to 90 %", 1000 * s->rise_s.value, 1000 * s->rise_s.u, s->rise_s.dof, "ms");
	if (s->rise_s.value < 2 * s->row_s || s->delay_s.value < s->row_s)
		printf("  A row comes each %.3g ms: times as short as that are not told apart.\n", 1000 * s->row_s);
	offline_line("overshoot", 100 * s->overshoot_1.value, 100 * s->overshoot_1.u, s->overshoot_1.dof, "%");
}
