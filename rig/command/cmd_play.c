/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/carry_figure.h"
#include "command/command.h"
#include "command/offline.h"
#include "command/play_figure.h"
#include "command/play_live.h"
#include "command/type_table.h"
#include "reports/page/procedure_files.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

struct wanted {
	const char *from, *type, *rated, *u_radius, *u_travel;
	double rated_Nm, u_radius_mm, u_travel_mm;
	struct play_request rig;
};

struct found {
	const struct wanted *wanted;
	struct play_found of;
};

static json_t *in_json(const void *state)
{
	return play_json(&((const struct found *)state)->of);
}

static void in_text(const void *state)
{
	play_print(&((const struct found *)state)->of);
	puts("  Uncertainties are from the scatter of the readings; what cell and sensor are off by comes on top.");
}

/* Rows of a table that have both of a pair; of one table several pairs may stand below each other. */
struct pair {
	double *a, *b, *off; /* room for as many rows as the table has */
	size_t n;
};

/* without: rows that have this one belong to another pair; NULL: none. */
static bool take(struct pair *p, const struct offline *o, const char *a, const char *b, const char *without)
{
	const double *x = offline_column(o, a), *y = offline_column(o, b),
		     *z = without ? offline_column(o, without) : NULL;

	p->n = 0;
	for (size_t i = 0; x && y && i < o->n; i++) {
		if (!isfinite(x[i]) || !isfinite(y[i]) || (z && isfinite(z[i])))
			continue;
		p->a[p->n] = x[i];
		p->b[p->n++] = y[i];
	}
	return p->n > 0;
}

static enum rc find_lever(struct found *f, struct pair *p, struct procedure *figure, struct err *err)
{
	const struct wanted *w = f->wanted;
	enum rc rc = play_lever(p->a, p->b, p->n, w->u_radius_mm, w->u_travel_mm, &f->of.lever, err);

	return rc ? rc : play_figure_lever(p->a, p->b, p->n, f->of.lever, figure, err);
}

static enum rc find_loop(struct found *f, struct pair *p, struct procedure *figure, struct err *err)
{
	enum rc rc = play_loop(p->a, p->b, p->n, f->wanted->rated_Nm, &f->of.loop, err);

	f->of.loop_done = true;
	return rc ? rc : carry_figure_play(p->a, p->b, p->n, &f->of.loop, figure, err);
}

static enum rc find_friction(struct found *f, struct pair *p, struct procedure *figure, struct err *err)
{
	enum rc rc = play_friction(p->a, p->b, p->n, &f->of.coulomb, &f->of.viscous, err);

	return rc ? rc : play_figure_friction("play", p->a, p->b, p->n, f->of.coulomb, f->of.viscous, figure, err);
}

static enum rc find_back_drive(struct found *f, struct pair *p, struct procedure *figure, struct err *err)
{
	bool moves = false;

	for (int k = 0; k < 2; k++) {
		play_back_drive(p->a, p->b, p->n, k ? -1 : 1, &f->of.back[k][0], &f->of.back[k][1]);
		moves = moves || isfinite(f->of.back[k][0].value) || isfinite(f->of.back[k][1].value);
	}
	if (!moves)
		return err_set(
			err, RC_ARG, 0,
			"back-drive: the output never begins to move; expected rows of standstill, then of speed");
	return play_figure_back_drive(p->a, p->b, p->n, f->of.back, figure, err);
}

static enum rc find_ratio(struct found *f, struct pair *p, struct procedure *figure, struct err *err)
{
	enum rc rc = play_ratio(p->b, p->a, p->n, &f->of.ratio, p->off, err);

	return rc ? rc : play_figure_ratio(p->a, p->off, p->n, f->of.ratio, figure, err);
}

static enum rc find_all(struct found *f, const struct offline *o, struct pair *p, struct procedure *figure,
			struct err *err)
{
	static const struct {
		const char *a, *b, *without;
		enum rc (*find)(struct found *f, struct pair *p, struct procedure *figure, struct err *err);
	} list[] = { { "radius", "travel", NULL, find_lever },
		     { "torque", "angle", NULL, find_loop },
		     { "torque", "speed", "angle", find_friction },
		     { "back-drive", "speed", NULL, find_back_drive },
		     { "output angle", "rotor angle", NULL, find_ratio } };
	bool any = false;
	enum rc rc = RC_OK;

	for (size_t i = 0; i < sizeof list / sizeof list[0] && rc == RC_OK; i++) {
		if (!take(p, o, list[i].a, list[i].b, list[i].without))
			continue;
		any = true;
		rc = list[i].find(f, p, figure, err);
	}
	if (rc == RC_OK && !any)
		rc = err_set(err, RC_ARG, 0,
			     "no pair of columns; expected radius and travel, torque and angle, torque and speed, "
			     "back-drive and speed, or rotor angle and output angle");
	return rc;
}

static enum rc find(struct offline *o, void *state, struct err *err)
{
	struct procedure figure = { 0 };
	struct found *f = state;
	double *room = calloc(3 * o->n + 1, sizeof *room);
	struct pair p = { room, room + o->n, room + 2 * o->n, 0 };

	if (!room)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", o->n);
	enum rc rc = find_all(f, o, &p, &figure, err);
	if (rc)
		err_prefix(err, "%s: ", o->table.name);
	else if (f->wanted->rig.figure)
		rc = procedure_draw(&figure, f->wanted->rig.figure, err);
	procedure_clear(&figure);
	free(room);
	return rc;
}

static int run(const struct cli *cli, void *wanted)
{
	static const struct offline_column columns[] = {
		{ "torque", "N.m", false, true, NULL },      { "angle", "arcmin", false, true, NULL },
		{ "radius", "mm", false, true, NULL },       { "travel", "mm", false, true, NULL },
		{ "speed", "rpm", false, true, NULL },       { "back-drive", "N.m", false, true, NULL },
		{ "rotor angle", "deg", false, true, NULL }, { "output angle", "deg", false, true, NULL },
	};
	static const struct offline_work work = { columns, sizeof columns / sizeof columns[0], find, in_json, in_text };
	struct wanted *w = wanted;
	const struct offline_option options[] = {
		{ "rated", w->rated, "N.m", &w->rated_Nm, false },
		{ "u-radius", w->u_radius, "mm", &w->u_radius_mm, false },
		{ "u-travel", w->u_travel, "mm", &w->u_travel_mm, false },
	};
	struct found f = { .wanted = w, .of = play_none() };
	struct err err = { 0 };

	if (offline_options(options, sizeof options / sizeof options[0], &err))
		return cli_fail(cli, &err, NULL, NULL);
	if (w->rig.actuator && w->from) {
		err_set(&err, RC_ARG, 0, "--actuator measures at the rig, --from reads a table: give one of them");
		return cli_fail(cli, &err, NULL, NULL);
	}
	if (w->type && !w->from) {
		err_set(&err, RC_ARG, 0, "--type asks for the rows of a table: name it with --from");
		return cli_fail(cli, &err, NULL, NULL);
	}
	if (w->type && type_table(w->from, w->type, &err) != RC_OK)
		return cli_fail(cli, &err, NULL, NULL);
	return w->rig.actuator ? play_live(cli, &w->rig) : offline_run(cli, w->from, &work, &f);
}

int cmd_play(int argc, char **argv)
{
	struct wanted w = { .rated_Nm = NAN };
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "the readings, see above", &w.from, NULL },
		{ "type", "COLUMNS",
		  "ask for the readings first and keep each row in the table, such as \"back-drive (N m), speed "
		  "(rpm)\"",
		  &w.type, NULL },
		{ "rated", "TORQUE", "of the loop; default: the largest that it reaches on both sides", &w.rated,
		  NULL },
		{ "u-radius", "LENGTH", "standard uncertainty of the radius, common to all rows", &w.u_radius, NULL },
		{ "u-travel", "LENGTH", "of the travel, likewise", &w.u_travel, NULL },
		{ "actuator", "NAME", "at the rig: actuators/NAME.ini, a loop against the locked brake",
		  &w.rig.actuator, NULL },
		{ "torque", "TORQUE",
		  "at the rig: the largest that is commanded (default: rated, or what rig and cell "
		  "carry)",
		  &w.rig.torque, NULL },
		{ "loops", "N", "at the rig: so many loops, 1 to 20 (default 2)", &w.rig.loops, NULL },
		{ "rig-stiffness", "STIFFNESS",
		  "at the rig: of brake, cell and lever together, such as \"3000 N.m/rad ± 100 N.m/rad\"; it is "
		  "taken off",
		  &w.rig.stiffness, NULL },
		{ "u-angle", "ANGLE",
		  "at the rig: standard uncertainty of an angle, at the output (default 0.02 degrees of the rotor)",
		  &w.rig.u_angle, NULL },
		{ "out", "FILE.csv", "at the rig: the loop as a table for --from", &w.rig.out, NULL },
		{ "figure", "DIR",
		  "draw it there: play.svg, from a table lever, friction, back-drive and ratio too; each with its "
		  "table and "
		  "script",
		  &w.rig.figure, NULL },
		{ "answers", "yes",
		  "answer yes to every item of the checklist; on a virtual bench only: on a real rig a person types "
		  "them",
		  &w.rig.answers, NULL },
		LIVE_OPTIONS(w.rig.live),
	};
	const struct cli_spec spec = {
		.name = "play",
		.usage = "play --actuator NAME [options] | play --from FILE.csv [options]",
		.about = "How much does a gear give way? At the rig (--actuator) the brake locks the shaft and the "
			 "torque goes slowly to + and - the largest; the drive tells the angle of its rotor. The gear "
			 "is wound up: stand clear. From a table (--from) with pairs of columns: \"radius (mm)\" and "
			 "\"travel (mm)\" of "
			 "a lever "
			 "moved by hand; \"torque (N.m)\" and \"angle (arcmin)\" of a loop to + rated, - rated and "
			 "back; "
			 "\"torque (N.m)\" and \"speed (rpm)\" without load; \"back-drive (N.m)\" and \"speed (rpm)\" "
			 "of the "
			 "output turned by hand, unpowered; \"rotor angle (deg)\" and \"output angle (deg)\". "
			 "Several pairs may stand in one table, each below the other; other cells stay empty.",
		.examples = "  bridle play --actuator paddle-winder --torque \"20 N.m\"\n"
			    "  bridle play --from back.csv --type \"back-drive (N m), speed (rpm)\"\n"
			    "  bridle play --from lever.csv --u-travel \"0.05 mm\"\n"
			    "  bridle play --from loop.csv --rated \"40 N.m\" --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
