/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "calib/play/play.h"
#include "command/command.h"
#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

struct wanted {
	const char *from, *rated, *u_radius, *u_travel;
	double rated_Nm, u_radius_mm, u_travel_mm;
};

struct found {
	const struct wanted *wanted;
	bool loop_done, any;
	struct play_number lever, back[2][2], coulomb, viscous, ratio; /* back: forward, backward; breakaway, running */
	struct play_loop loop;
};

static json_t *shape(struct play_number x)
{
	return number_json(x.value, x.u, x.dof);
}

static json_t *in_json(const void *state)
{
	const struct found *f = state;
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

static void in_text(const void *state)
{
	const struct found *f = state;
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
	line("back-drive, forward, off", f->back[0][0], "N·m");
	line("back-drive, forward, on", f->back[0][1], "N·m");
	line("back-drive, backward, off", f->back[1][0], "N·m");
	line("back-drive, backward, on", f->back[1][1], "N·m");
	line("Coulomb friction", f->coulomb, "N·m");
	line("viscous friction", f->viscous, "N·m/rpm");
	line("ratio", f->ratio, "");
	puts("  Uncertainties are from the scatter of the readings; what cell and sensor are off by comes on top.");
}

static enum rc find(struct offline *o, void *state, struct err *err)
{
	struct found *f = state;
	const struct wanted *w = f->wanted;
	double *torque = offline_column(o, "torque"), *angle = offline_column(o, "angle"),
	       *speed = offline_column(o, "speed");
	double *radius = offline_column(o, "radius"), *travel = offline_column(o, "travel");
	double *back = offline_column(o, "back-drive"), *rotor = offline_column(o, "rotor angle");
	double *output = offline_column(o, "output angle");
	enum rc rc = RC_OK;

	if (radius && travel) {
		rc = play_lever(radius, travel, o->n, w->u_radius_mm, w->u_travel_mm, &f->lever, err);
		f->any = true;
	}
	if (!rc && torque && angle) {
		rc = play_loop(torque, angle, o->n, w->rated_Nm, &f->loop, err);
		f->any = f->loop_done = true;
	}
	if (!rc && torque && speed) {
		rc = play_friction(torque, speed, o->n, &f->coulomb, &f->viscous, err);
		f->any = true;
	}
	if (!rc && back && speed) {
		for (int k = 0; k < 2; k++)
			play_back_drive(back, speed, o->n, k ? -1 : 1, &f->back[k][0], &f->back[k][1]);
		f->any = true;
	}
	if (!rc && rotor && output) {
		rc = play_ratio(rotor, output, o->n, &f->ratio, err);
		f->any = true;
	}
	if (rc)
		err_prefix(err, "%s: ", o->table.name);
	else if (!f->any)
		rc = err_set(err, RC_ARG, 0,
			     "%s: no pair of columns; expected radius and travel, torque and angle, torque and speed, "
			     "back-drive and "
			     "speed, or rotor angle and output angle",
			     o->table.name);
	return rc;
}

static int run(const struct cli *cli, void *wanted)
{
	static const struct offline_column columns[] = {
		{ "torque", "N.m", false, NULL },      { "angle", "arcmin", false, NULL },
		{ "radius", "mm", false, NULL },       { "travel", "mm", false, NULL },
		{ "speed", "rpm", false, NULL },       { "back-drive", "N.m", false, NULL },
		{ "rotor angle", "deg", false, NULL }, { "output angle", "deg", false, NULL },
	};
	static const struct offline_work work = { columns, sizeof columns / sizeof columns[0], find, in_json, in_text };
	struct wanted *w = wanted;
	const struct offline_option options[] = {
		{ "rated", w->rated, "N.m", &w->rated_Nm, false },
		{ "u-radius", w->u_radius, "mm", &w->u_radius_mm, false },
		{ "u-travel", w->u_travel, "mm", &w->u_travel_mm, false },
	};
	struct play_number none = { NAN, NAN, NAN };
	struct found f = { .wanted = w,
			   .lever = none,
			   .back = { { none, none }, { none, none } },
			   .coulomb = none,
			   .viscous = none,
			   .ratio = none,
			   .loop = { none, none, none, none, none, none, NAN } };
	struct err err = { 0 };

	if (offline_options(options, sizeof options / sizeof options[0], &err))
		return cli_fail(cli, &err, NULL, NULL);
	return offline_run(cli, w->from, &work, &f);
}

int cmd_play(int argc, char **argv)
{
	struct wanted w = { .rated_Nm = NAN };
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "the readings, see above", &w.from, NULL },
		{ "rated", "TORQUE", "of the loop; default: the largest that it reaches on both sides", &w.rated,
		  NULL },
		{ "u-radius", "LENGTH", "standard uncertainty of the radius, common to all rows", &w.u_radius, NULL },
		{ "u-travel", "LENGTH", "of the travel, likewise", &w.u_travel, NULL },
	};
	const struct cli_spec spec = {
		.name = "play",
		.usage = "play --from FILE.csv [options]",
		.about = "How much does a gear give way? From pairs of columns: \"radius (mm)\" and \"travel (mm)\" of "
			 "a lever "
			 "moved by hand; \"torque (N.m)\" and \"angle (arcmin)\" of a loop to + rated, - rated and "
			 "back; "
			 "\"torque (N.m)\" and \"speed (rpm)\" without load; \"back-drive (N.m)\" and \"speed (rpm)\" "
			 "of the "
			 "output turned by hand, unpowered; \"rotor angle (deg)\" and \"output angle (deg)\".",
		.examples = "  bridle play --from lever.csv --u-travel \"0.05 mm\"\n"
			    "  bridle play --from loop.csv --rated \"40 N.m\" --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
