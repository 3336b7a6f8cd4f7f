/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calc/calc_option.h"
#include "command/carry_figure.h"
#include "command/command.h"
#include "command/offline.h"
#include "command/ripple_live.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdlib.h>

#define TURNING 10 /* usual steps of time: wider is a turning round */

struct wanted {
	const char *from, *ratio, *pole_pairs, *slots, *teeth, *belt, *orders, *cell_rate, *speed, *lag;
	double speed_rpm;
	struct ripple_wanted of;
	struct ripple_request rig;
};

struct found {
	const struct wanted *wanted;
	struct ripple_found of;
};

static enum rc lag_of(struct wanted *w, struct err *err)
{
	struct quantity q;
	enum rc rc = calc_option("lag", w->lag, "s", true, &q, err);

	if (rc)
		return rc;
	w->of.late_s = q.value;
	w->of.late_limit_s = sqrt(3) * q.u;
	return q.value >= 0 ? RC_OK : err_set(err, RC_ARG, 0, "--lag: found %g s, expected none below zero", q.value);
}

static enum rc options_of(struct wanted *w, struct err *err)
{
	const struct offline_option options[] = {
		{ "ratio", w->ratio, "1", &w->of.ratio_1, true },
		{ "pole-pairs", w->pole_pairs, "1", &w->of.pole_pairs_1, true },
		{ "slots", w->slots, "1", &w->of.slots_1, true },
		{ "teeth", w->teeth, "1", &w->of.teeth_1, true },
		{ "belt", w->belt, "1", &w->of.belt_1, true },
		{ "cell-rate", w->cell_rate, "1/s", &w->of.cell_rate_Hz, true },
		{ "speed", w->speed, "rpm", &w->speed_rpm, true },
	};
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);

	if (!rc && w->lag)
		rc = lag_of(w, err);
	if (!rc && w->of.means && !w->lag)
		rc = err_set(err, RC_ARG, 0, "--means needs --lag, how late a reading is told");
	if (!rc && w->orders)
		rc = offline_list("orders", w->orders, "1", w->of.list, RIPPLE_ORDERS, &w->of.n_list, err);
	return rc;
}

/* Turns of the output by what the table has: angle, speed and time, or --speed and time. */
static enum rc turns_of(const struct wanted *w, const struct offline *o, double *ret, struct err *err)
{
	double *angle = offline_column(o, "angle"), *time = offline_column(o, "time"),
	       *speed = offline_column(o, "speed");

	for (size_t i = 0; i < o->n; i++) {
		if (angle && i > 0 && fabs(angle[i] - angle[i - 1]) > 0.5)
			return err_set(
				err, RC_ARG, 0,
				"%s:%u: the angle jumps from %.4g to %.4g deg; expected one that goes on at a turn",
				o->table.name, o->table.line[i], 360 * angle[i - 1], 360 * angle[i]);
		if (angle)
			ret[i] = angle[i];
		else if (!time || !(speed || isfinite(w->speed_rpm)))
			return err_set(
				err, RC_ARG, 0,
				"%s: no angle; expected a column angle (deg), or time (s) with a column speed (rpm) or "
				"--speed",
				o->table.name);
		else if (i == 0)
			ret[i] = 0;
		else if (!(time[i] > time[i - 1]))
			return err_set(err, RC_ARG, 0, "%s:%u: the times do not rise", o->table.name, o->table.line[i]);
		else
			ret[i] = ret[i - 1] +
				 (time[i] - time[i - 1]) / 60 * (speed ? (speed[i] + speed[i - 1]) / 2 : w->speed_rpm);
	}
	return RC_OK;
}

/* Of the rows alone: a turning round that has no row is no part of it. */
static double span_of(const double *time, size_t n)
{
	double widest = 0, whole = time ? time[n - 1] - time[0] : NAN;

	for (size_t i = 1; time && i < n; i++)
		widest = fmax(widest, time[i] - time[i - 1]);
	return widest > TURNING * whole / (double)n ? whole - widest : whole;
}

static json_t *in_json(const void *state)
{
	return ripple_json(&((const struct found *)state)->of);
}

static void in_text(const void *state)
{
	ripple_print(&((const struct found *)state)->of);
}

static enum rc find(struct offline *o, void *state, struct err *err)
{
	struct procedure figure = { 0 };
	struct found *f = state;
	double *turn = calloc(o->n, sizeof *turn), *time = offline_column(o, "time");

	if (!turn)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", o->n);
	enum rc rc = turns_of(f->wanted, o, turn, err);
	if (!rc) {
		rc = ripple_find(&f->wanted->of, turn, offline_column(o, "torque"), o->n, span_of(time, o->n), &f->of,
				 err);
		if (rc)
			err_prefix(err, "%s: ", o->table.name);
		else if (f->wanted->rig.figure)
			rc = carry_figure_draw(carry_figure_ripple(&f->of, &figure, err), f->wanted->rig.figure,
					       &figure, err);
	}
	free(turn);
	return rc;
}

static int run(const struct cli *cli, void *wanted)
{
	static const struct offline_column columns[] = {
		{ "torque", "N.m", true, false, NULL },
		{ "angle", "turn", false, false, NULL },
		{ "time", "s", false, false, NULL },
		{ "speed", "rpm", false, false, NULL },
	};
	static const struct offline_work work = { columns, sizeof columns / sizeof columns[0], find, in_json, in_text };
	struct wanted *w = wanted;
	struct found f = { .wanted = w };
	struct err err = { 0 };
	enum rc rc = options_of(w, &err);

	if (!rc && w->rig.actuator && w->from)
		rc = err_set(&err, RC_ARG, 0, "--actuator turns the rig, --from reads a table: give one of them");
	if (!rc && w->rig.actuator && w->lag)
		rc = err_set(&err, RC_ARG, 0, "--lag is for a table; at the rig it is known: leave it out");
	if (rc)
		return cli_fail(cli, &err, NULL, NULL);
	w->rig.speed_rpm = w->speed_rpm;
	return w->rig.actuator ? ripple_live(cli, &w->rig, &w->of) : offline_run(cli, w->from, &work, &f);
}

int cmd_ripple(int argc, char **argv)
{
	struct wanted w = { .of = ripple_nothing_wanted(), .speed_rpm = NAN };
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "torque, and angle or time, see above", &w.from, NULL },
		{ "actuator", "NAME", "at the rig: actuators/NAME.ini, turned slowly there and back", &w.rig.actuator,
		  NULL },
		{ "speed", "SPEED", "of the output: at the rig (default 5 rpm), or where the table has time alone",
		  &w.speed, NULL },
		{ "torque", "TORQUE", "at the rig: of the brake meanwhile (default: none, the brake off)",
		  &w.rig.torque, NULL },
		{ "turns", "N", "at the rig: whole turns each way, 2 to 50 (default 6)", &w.rig.turns, NULL },
		{ "out", "FILE.csv", "at the rig: the record as a table for --from", &w.rig.out, NULL },
		{ "figure", "DIR", "draw it there: ripple.svg, with its table and script", &w.rig.figure, NULL },
		{ "answers", "yes",
		  "answer yes to every item of the checklist; on a virtual bench only: on a real rig a person types "
		  "them",
		  &w.rig.answers, NULL },
		LIVE_OPTIONS(w.rig.live),
		{ "ratio", "I", "rotor turns for one of the output; at the rig the actuator's", &w.ratio, NULL },
		{ "pole-pairs", "P", "of the rotor; at the rig the actuator's, as for the next three", &w.pole_pairs,
		  NULL },
		{ "slots", "S", "of the stator", &w.slots, NULL },
		{ "teeth", "Z", "of the gear at the output", &w.teeth, NULL },
		{ "belt", "ORDER", "turns of the belt for one of the output", &w.belt, NULL },
		{ "orders", "N,N,...", "further orders to be told in any case", &w.orders, NULL },
		{ "lag", "TIME",
		  "both ways from a table: how much later than its angle a torque is told, such as \"6 ms ± 6 ms\"; at "
		  "the rig half a conversion",
		  &w.lag, NULL },
		{ "means", NULL, "with --lag: each reading is a mean over the time since the one before", NULL,
		  &w.of.means },
		{ "cell-rate", "RATE", "conversions of the cell, where rows repeat them, in 1/s", &w.cell_rate, NULL },
	};
	const struct cli_spec spec = {
		.name = "ripple",
		.usage = "ripple --actuator NAME [options] | ripple --from FILE.csv",
		.about = "Which waves are in the torque over a turn of the output? At the rig (--actuator) the shaft "
			 "turns "
			 "slowly there and back, and each conversion of the cell is put to the angle by the pick-up. "
			 "From a table: columns \"torque (N.m)\" and "
			 "\"angle (deg)\", or "
			 "\"time (s)\" with \"speed (rpm)\" or --speed. Orders count waves in one turn of the output. "
			 "Over the same "
			 "angles both ways, there and back, cogging is told from friction.",
		.examples = "  bridle ripple --actuator paddle-winder --pole-pairs 7 --slots 12\n"
			    "  bridle ripple --from slow.csv --ratio 36 --pole-pairs 7 --slots 12\n"
			    "  bridle ripple --from slow.csv --cell-rate 80 --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
