/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/tame_tell.h"

#include "calib/number/number_json.h"
#include "calib/play/play.h"
#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

#define DEG (180 / M_PI)

static json_t *verdict_json(enum tame_verdict v)
{
	return v == TAME_NOT_KNOWN ? json_null() : json_boolean(v == TAME_YES);
}

/* Where it does not oscillate there is no amplitude. */
static double if_bounded(const struct tame_found *f, double x)
{
	return f->cycle.oscillates && f->cycle.bounded ? x : NAN;
}

static void put_found(json_t *doc, const struct tame_found *f)
{
	const struct tame_margins *m = &f->margins;
	const struct tame_cycle *c = &f->cycle;
	double amplitude_deg = if_bounded(f, c->arm_rad) * DEG;

	json_object_set_new(doc, "gain_margin_dB", number_json(m->gain_dB, f->u_gain_dB, 0));
	json_object_set_new(doc, "phase_margin_deg", number_json(m->phase_deg, f->u_phase_deg, 0));
	json_object_set_new(doc, "gain_reduction_dB", cli_real(m->lower_dB));
	json_object_set_new(doc, "peak_sensitivity", cli_real(m->peak));
	json_object_set_new(doc, "stable", json_boolean(m->stable));
	json_object_set_new(doc, "oscillates", verdict_json(f->oscillates));
	json_object_set_new(doc, "probability", cli_real(f->probability));
	json_object_set_new(doc, "amplitude", number_json(amplitude_deg, f->u_arm_rad * DEG, 0));
	json_object_set_new(doc, "amplitude_deg", number_json(amplitude_deg, f->u_arm_rad * DEG, 0));
	json_object_set_new(doc, "amplitude_rotor_deg", cli_real(if_bounded(f, c->rotor_rad) * DEG));
	json_object_set_new(doc, "amplitude_Nm", number_json(if_bounded(f, c->torque_Nm), f->u_torque_Nm, 0));
	json_object_set_new(doc, "frequency_Hz", number_json(c->hertz, f->u_hertz, 0));
	json_object_set_new(doc, "knock_deg", cli_real(c->oscillates ? c->from_rad * DEG : NAN));
}

/* Gains in the rotor's unit that they were typed in. */
static double of_rotor(const struct tame_typed *t, double at_output)
{
	return at_output / (t->ratio * t->ratio);
}

static json_t *gains_json(const struct tame_told *t)
{
	const struct tame_advice *a = &t->advice;
	const struct tame_typed *y = &t->typed;
	double speed = of_rotor(y, a->gains.speed_Nms), integral = of_rotor(y, a->gains.integral_Nm_per_rad);

	if (!a->found)
		return json_null();
	json_t *doc = json_pack("{s:b, s:o, s:o, s:o, s:o, s:o}", "keep", a->keep, "speed_gain_Nms_per_rad",
				cli_real(speed), "speed_integral_Nm_per_rad", cli_real(integral),
				"speed_gain_As_per_rad", cli_real(speed / y->k_t_Nm_per_A), "speed_integral_A_per_rad",
				cli_real(integral / y->k_t_Nm_per_A), "position_gain_per_s",
				cli_real(a->gains.position_per_s));
	put_found(doc, &a->with);
	return doc;
}

json_t *tame_json(const struct tame_told *t)
{
	json_t *doc = json_object();
	const struct tame_joint *j = &t->typed.loop.joint;

	json_object_set_new(doc, "identified", t->recorded ? tame_record_json(&t->id) : json_null());
	if (!t->reckoned) { /* others read these: always there */
		static const char *const keys[] = { "gain_margin_dB", "phase_margin_deg", "oscillates", "amplitude" };
		for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
			json_object_set_new(doc, keys[i], json_null());
		return doc;
	}
	put_found(doc, &t->found);
	json_object_set_new(doc, "resonance_Hz", cli_real(tame_resonance(j) / (2 * M_PI)));
	json_object_set_new(doc, "antiresonance_Hz", cli_real(tame_antiresonance(j) / (2 * M_PI)));
	json_object_set_new(doc, "damping_assumed", json_boolean(t->typed.damping_assumed));
	json_object_set_new(
		doc, "target",
		json_pack("{s:f, s:f}", "gain_margin_dB", t->target.gain_dB, "phase_margin_deg", t->target.phase_deg));
	json_object_set_new(doc, "advised", gains_json(t));
	json_object_set_new(doc, "advice_withheld", json_boolean(t->withheld));
	json_object_set_new(doc, "soft_start",
			    json_pack("{s:o, s:o}", "ramp_s", cli_real(t->start.ramp_s), "meet_rpm",
				      cli_real(t->start.meet_rad_per_s * 30 / M_PI)));
	return doc;
}

static void margin_line(const char *label, double value, double u, const char *unit, const char *without)
{
	if (isinf(value))
		printf("  %-26s %s\n", label, without);
	else
		offline_line(label, value, u, 0, unit);
}

static void print_margins(const struct tame_found *f)
{
	const struct tame_margins *m = &f->margins;

	if (!m->stable && isnan(m->gain_dB))
		printf("  %-26s none: no lower gain alone makes the loop stable\n", "gain margin");
	else
		margin_line("gain margin", m->gain_dB, f->u_gain_dB, "dB", "no gain makes it unstable");
	margin_line("phase margin", m->phase_deg, f->u_phase_deg, "°", "the gain never crosses 1");
	if (isfinite(m->lower_dB))
		offline_line("gain may fall by", -m->lower_dB, 0, 0, "dB");
}

static void print_cycle(const struct tame_found *f)
{
	const struct tame_cycle *c = &f->cycle;

	if (f->oscillates == TAME_NO)
		puts("  It does not oscillate.");
	else if (f->oscillates == TAME_YES)
		puts("  It oscillates.");
	else if (f->probability > 1 - TAME_SURE)
		printf("  Whether it oscillates is not known: probability %.2f.\n", f->probability);
	else
		puts("  Whether it oscillates is not known: it is unstable, and friction alone holds it.");
	if (!c->oscillates)
		return;
	offline_line("frequency", c->hertz, f->u_hertz, 0, "Hz");
	if (!c->bounded) {
		puts("  Nothing in the model bounds it. It grows until a limit, a stop or the guard ends it.");
		return;
	}
	offline_line("amplitude, arm", c->arm_rad * DEG, f->u_arm_rad * DEG, 0, "°");
	offline_line("amplitude, gear", c->torque_Nm, f->u_torque_Nm, 0, "N·m");
	if (c->from_rad > 0)
		printf("  Friction holds it until a knock of more than %.3g° at the arm.\n", c->from_rad * DEG);
}

static void print_gain(const struct tame_typed *y, const char *label, double at_output, const char *rest)
{
	double value = of_rotor(y, at_output);

	if (isfinite(y->k_t_Nm_per_A))
		printf("  %-26s %.4g A%s (%.4g N·m%s), of the rotor\n", label, value / y->k_t_Nm_per_A, rest, value,
		       rest);
	else
		printf("  %-26s %.4g N·m%s, of the rotor\n", label, value, rest);
}

static void print_advice(const struct tame_told *t)
{
	const struct tame_advice *a = &t->advice;

	if (t->withheld) {
		printf("No advice: the record does not tell this joint (%s). Record again, or type the joint's "
		       "values.\n",
		       !t->id.ended ? "its fit did not end" : "its coherence is below 0.8");
		return;
	}
	printf("Advice, for %.3g dB and %.3g°:\n", t->target.gain_dB, t->target.phase_deg);
	if (!a->found) {
		puts("  No gains reach it. Less play or delay, more friction, or the sensor at the rotor would have to "
		     "come "
		     "first.");
		return;
	}
	if (a->keep) {
		puts("  Keep the gains.");
		return;
	}
	puts("  Set these gains in the drive by its own program, without load first:");
	print_gain(&t->typed, "speed gain", a->gains.speed_Nms, "·s/rad");
	print_gain(&t->typed, "speed integral", a->gains.integral_Nm_per_rad, "/rad");
	if (a->gains.position_per_s > 0)
		printf("  %-26s %.4g 1/s\n", "position gain", a->gains.position_per_s);
	print_margins(&a->with);
	print_cycle(&a->with);
}

void tame_print(const struct tame_told *t)
{
	const struct tame_joint *j = &t->typed.loop.joint;

	if (t->recorded)
		tame_record_print(&t->id);
	if (!t->reckoned)
		return;
	puts("Loop with the given gains:");
	print_margins(&t->found);
	print_cycle(&t->found);
	if (j->arm_kgm2 > 0)
		printf("  Resonance at %.3g Hz; the arm alone swings at %.3g Hz.\n", tame_resonance(j) / (2 * M_PI),
		       tame_antiresonance(j) / (2 * M_PI));
	print_advice(t);
	if (isfinite(t->start.ramp_s))
		printf("Soft start: let the torque rise over %.3g s or more", t->start.ramp_s);
	if (isfinite(t->start.meet_rad_per_s))
		printf(", and cross the play below %.3g rpm", t->start.meet_rad_per_s * 30 / M_PI);
	if (isfinite(t->start.ramp_s))
		puts(".");
	if (t->typed.damping_assumed)
		printf("The gear's damping was not typed: %.0f %% of the critical one is assumed.\n",
		       100 * TAME_DAMPING_ASSUMED);
}
