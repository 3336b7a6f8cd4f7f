/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/tame_record.h"

#include "calib/number/number_json.h"
#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

static void scale(double *x, size_t n, double factor)
{
	for (size_t i = 0; x && i < n; i++)
		x[i] *= factor;
}

static enum rc identify(struct offline *o, double per_A, struct tame_identified *ret, struct err *err)
{
	double *torque = offline_column(o, "torque"), *current = offline_column(o, "current");
	double *speed = offline_column(o, "speed");

	if (!torque && !current)
		return err_set(err, RC_ARG, 0, "expected a column torque (N.m) or current (A)");
	if (!torque && !(per_A > 0))
		return err_set(err, RC_ARG, 0, "a current needs --torque-per-ampere, the torque at the output");
	scale(current, o->n, per_A);
	scale(speed, o->n, M_PI / 30);
	const struct tame_record record = { offline_column(o, "time"), torque ? torque : current, speed, o->n };
	return tame_identify(&record, ret, err);
}

enum rc tame_record_read(const char *path, double per_A, struct tame_identified *ret, struct mistakes *m,
			 struct err *err)
{
	static const struct offline_column columns[] = {
		{ "time", "s", true, false, NULL },
		{ "torque", "N.m", false, false, NULL },
		{ "current", "A", false, false, NULL },
		{ "speed", "rpm", true, false, NULL },
	};
	struct offline o;
	enum rc rc = offline_read(path, columns, sizeof columns / sizeof columns[0], &o, m, err);

	if (rc == RC_OK && (rc = identify(&o, per_A, ret, err)) != RC_OK)
		err_prefix(err, "%.100s: ", path);
	offline_free(&o);
	return rc;
}

static json_t *shape(struct tame_number x)
{
	return number_json(x.value, x.u, x.dof);
}

json_t *tame_record_json(const struct tame_identified *id)
{
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:b}", "rotor_inertia_kgm2",
			 shape(id->rotor_kgm2), "arm_inertia_kgm2", shape(id->arm_kgm2), "stiffness_Nm_per_rad",
			 shape(id->stiffness_Nm_per_rad), "damping_Nms_per_rad", shape(id->damping_Nms),
			 "viscous_Nms_per_rad", shape(id->viscous_Nms), "offset_Nm", shape(id->offset_Nm),
			 "resonance_Hz", shape(id->resonance_Hz), "coherence", cli_real(id->coherence),
			 "scatter_rad_per_s", cli_real(id->scatter), "fit_ended", id->ended);
}

static void line(const char *label, struct tame_number x, const char *unit)
{
	if (isfinite(x.value))
		offline_line(label, x.value, x.u, x.dof, unit);
}

void tame_record_print(const struct tame_identified *id)
{
	puts("From the record, at the output:");
	line(id->two ? "inertia, rotor" : "inertia, all as one", id->rotor_kgm2, "kg·m²");
	line("inertia, arm", id->arm_kgm2, "kg·m²");
	line("stiffness", id->stiffness_Nm_per_rad, "N·m/rad");
	line("damping of the gear", id->damping_Nms, "N·m·s/rad");
	line("viscous friction", id->viscous_Nms, "N·m·s/rad");
	line("torque without motion", id->offset_Nm, "N·m");
	line("resonance", id->resonance_Hz, "Hz");
	if (isfinite(id->coherence))
		printf("  %-26s %.3f%s\n", "coherence", id->coherence,
		       id->coherence < TAME_COHERENT ? ": noise, friction or play is in the record; excite more" : "");
	else
		puts("  The record is too short for its coherence. Record at least ten times as long.");
	if (!id->ended)
		puts("  The fit did not end: these figures and their intervals are not to be trusted. Record again:\n"
		     "  more torque, steps at a quarter of the resonance's period, at least 3000 rows.");
	if (!id->two)
		puts("  No resonance is in the record: excite faster, and record at ten times its frequency.");
}
