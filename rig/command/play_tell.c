/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/play_tell.h"

#include "calib/number/number_json.h"
#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

struct play_found play_none(void)
{
	const struct play_number none = { NAN, NAN, NAN };

	return (struct play_found){ .lever = none,
				    .back = { { none, none }, { none, none } },
				    .coulomb = none,
				    .viscous = none,
				    .ratio = none,
				    .loop = { none, none, none, none, none, none, NAN } };
}

static json_t *shape(struct play_number x)
{
	return number_json(x.value, x.u, x.dof);
}

json_t *play_json(const struct play_found *f)
{
	const struct play_loop *l = &f->loop;

	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:{s:{s:o, s:o}, s:{s:o, s:o}}, s:o, s:o, s:o}",
			 "lever_play_arcmin", shape(f->lever), "lost_motion_arcmin", shape(l->lost_motion_arcmin),
			 "stiffness_Nm_per_arcmin", shape(l->stiffness_Nm_per_arcmin),
			 "stiffness_near_zero_Nm_per_arcmin", shape(l->stiffness_zero_Nm_per_arcmin),
			 "hysteresis_loss_J", shape(l->hysteresis_loss_J), "hysteresis_arcmin",
			 shape(l->hysteresis_arcmin), "wind_up_arcmin", shape(l->wind_up_arcmin), "rated_Nm",
			 cli_real(l->rated_Nm), "back_drive_Nm", "forward", "breakaway", shape(f->back[0][0]),
			 "running", shape(f->back[0][1]), "backward", "breakaway", shape(f->back[1][0]), "running",
			 shape(f->back[1][1]), "coulomb_Nm", shape(f->coulomb), "viscous_Nm_per_rpm", shape(f->viscous),
			 "ratio", shape(f->ratio));
}

static void line(const char *label, struct play_number x, const char *unit)
{
	if (isfinite(x.value))
		offline_line(label, x.value, x.u, x.dof, unit);
}

void play_print(const struct play_found *f)
{
	const struct play_loop *l = &f->loop;

	if (isfinite(f->lever.value)) {
		line("lever play", f->lever, "arcmin");
		printf("  that is \u00b1 %.3g arcmin about the middle\n", f->lever.value / 2);
	}
	if (f->loop_done) {
		printf("Loop to \u00b1 %.4g N\u00b7m:\n", l->rated_Nm);
		line("lost motion at \u00b1 3 %", l->lost_motion_arcmin, "arcmin");
		line("stiffness, 50 to 100 %", l->stiffness_Nm_per_arcmin, "N·m/arcmin");
		line("stiffness, 3 to 15 %", l->stiffness_zero_Nm_per_arcmin, "N·m/arcmin");
		line("hysteresis, at no torque", l->hysteresis_arcmin, "arcmin");
		line("hysteresis loss, a loop", l->hysteresis_loss_J, "J");
		line("wind-up, - to + rated", l->wind_up_arcmin, "arcmin");
	}
	if (isfinite(f->back[0][0].value) || isfinite(f->back[0][1].value) || isfinite(f->back[1][0].value) ||
	    isfinite(f->back[1][1].value))
		printf("Back-driven, torque on the output:\n");
	line("breakaway, forward", f->back[0][0], "N·m");
	line("running, forward", f->back[0][1], "N·m");
	line("breakaway, backward", f->back[1][0], "N·m");
	line("running, backward", f->back[1][1], "N·m");
	line("Coulomb friction", f->coulomb, "N·m");
	line("viscous friction", f->viscous, "N·m/rpm");
	line("ratio", f->ratio, "");
}
