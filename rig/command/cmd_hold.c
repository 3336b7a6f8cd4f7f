/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/carry_figure.h"
#include "command/command.h"
#include "command/hold_find.h"
#include "command/hold_live.h"
#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct wanted {
	const char *from, *limit, *ambient, *rated_ambient, *equilibrium, *window, *torque, *torques, *cold_ohm,
		*cold_degC, *copper, *u_loss, *u_torque, *u_sensor[HOLD_SENSORS];
	double ambient_degC, torque_Nm, cold_R, cold_T, k;
	struct hold_wanted of;
	struct hold_request rig;
};

static enum rc options_of(struct wanted *w, struct err *err)
{
	const struct offline_option options[] = {
		{ "limit", w->limit, "degC", &w->of.limit_degC, false },
		{ "ambient", w->ambient, "degC", &w->ambient_degC, false },
		{ "rated-ambient", w->rated_ambient, "degC", &w->of.rated_degC, false },
		{ "equilibrium", w->equilibrium, "K/h", &w->of.K_per_h, true },
		{ "window", w->window, "s", &w->of.window_s, true },
		{ "torque", w->torque, "N.m", &w->torque_Nm, false },
		{ "cold-resistance", w->cold_ohm, "ohm", &w->cold_R, false },
		{ "cold-temperature", w->cold_degC, "degC", &w->cold_T, false },
		{ "copper", w->copper, "1", &w->k, false },
		{ "u-loss", w->u_loss, "1", &w->of.u_loss_1, true },
		{ "u-torque", w->u_torque, "1", &w->of.u_torque_1, true },
		{ "u-winding", w->u_sensor[HOLD_WINDING], "K", &w->of.u_sensor_K[HOLD_WINDING], true },
		{ "u-case", w->u_sensor[HOLD_CASE], "K", &w->of.u_sensor_K[HOLD_CASE], true },
		{ "u-ambient", w->u_sensor[HOLD_AMBIENT], "K", &w->of.u_sensor_K[HOLD_AMBIENT], true },
	};
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);

	if (!rc && w->torques)
		rc = offline_list("torques", w->torques, "N.m", w->of.list, HOLD_TORQUES, &w->of.n_list, err);
	for (size_t i = 0; !rc && i < w->of.n_list; i++)
		if (!(w->of.list[i] > 0))
			rc = err_set(err, RC_ARG, 0, "--torques: found %g, expected positive numbers", w->of.list[i]);
	return rc;
}

struct state {
	const struct wanted *wanted;
	struct hold_found *found;
};

/* A column of its own of one value, where the table has none. */
static double *filled(struct offline *o, const char *name, double value)
{
	for (size_t i = 0; i < o->n_columns; i++)
		if (strcmp(o->column[i].name, name) == 0 && !o->column[i].value) {
			o->column[i].value = calloc(o->n, sizeof(double));
			for (size_t k = 0; o->column[i].value && k < o->n; k++)
				o->column[i].value[k] = value;
		}
	return offline_column(o, name);
}

static enum rc by_resistance(const struct wanted *w, struct offline *o, struct hold_found *h, struct err *err)
{
	double *volt = offline_column(o, "voltage"), *ampere = offline_column(o, "current");

	if (!volt || !ampere || offline_column(o, "winding"))
		return RC_OK;
	if (!(w->cold_R > 0) || !isfinite(w->cold_T))
		return err_set(err, RC_ARG, 0,
			       "%s: volts and amperes tell the winding's temperature only with --cold-resistance and "
			       "--cold-temperature",
			       o->table.name);
	double *winding = filled(o, "winding", 0);
	if (!winding)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	for (size_t i = 0; i < o->n; i++) {
		if (!(fabs(ampere[i]) > 0))
			return err_set(err, RC_ARG, 0, "%s:%u: the current is %g A, so the resistance is not known",
				       o->table.name, o->table.line[i], ampere[i]);
		winding[i] = thermal_by_resistance_degC(volt[i] / ampere[i], w->cold_R, w->cold_T, w->k);
	}
	h->by_resistance = true;
	return RC_OK;
}

static double lowest(const double *y, size_t n)
{
	double low = INFINITY;

	for (size_t i = 0; y && i < n; i++)
		low = fmin(low, y[i]);
	return low;
}

static enum rc record_of(const struct wanted *w, struct offline *o, struct hold_found *h, struct thermal_record *ret,
			 struct err *err)
{
	enum rc rc = by_resistance(w, o, h, err);

	if (rc)
		return rc;
	double *winding = offline_column(o, "winding"), *box = offline_column(o, "case");
	if (!winding && !box)
		return err_set(err, RC_ARG, 0,
			       "%s: no temperature; expected a column winding (degC), case (degC), or voltage (V) and "
			       "current (A)",
			       o->table.name);
	h->store = winding ? "winding" : "case";
	if (!offline_column(o, "ambient")) {
		h->ambient_assumed = !isfinite(w->ambient_degC);
		filled(o, "ambient",
		       h->ambient_assumed ? fmin(lowest(winding, o->n), lowest(box, o->n)) : w->ambient_degC);
	}
	if (isfinite(w->torque_Nm))
		filled(o, "torque", w->torque_Nm);
	*ret = (struct thermal_record){ .n = o->n,
					.time_s = offline_column(o, "time"),
					.winding_degC = winding,
					.case_degC = box,
					.ambient_degC = offline_column(o, "ambient"),
					.torque_Nm = offline_column(o, "torque"),
					.loss_W = offline_column(o, "loss"),
					.hold = offline_column(o, "hold") };
	return ret->ambient_degC ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory");
}

static enum rc find(struct offline *o, void *state, struct err *err)
{
	struct procedure figure = { 0 };
	struct state *s = state;
	struct thermal_record r;
	enum rc rc = record_of(s->wanted, o, s->found, &r, err);

	if (rc)
		return rc;
	if ((rc = hold_find(&s->wanted->of, &r, s->found, err)))
		err_prefix(err, "%s: ", o->table.name);
	if (rc || !s->wanted->rig.figure)
		return rc;
	rc = carry_figure_hold(&r, s->found, &figure, err);
	if (!rc)
		rc = carry_figure_holding(s->found, &figure, err);
	return carry_figure_draw(rc, s->wanted->rig.figure, &figure, err);
}

static json_t *in_json(const void *state)
{
	return hold_json(((const struct state *)state)->found);
}

static void in_text(const void *state)
{
	hold_print(((const struct state *)state)->found);
}

static int run(const struct cli *cli, void *wanted)
{
	static const struct offline_column columns[] = {
		{ "time", "s", true, false, NULL },      { "winding", "degC", false, false, NULL },
		{ "case", "degC", false, false, NULL },  { "ambient", "degC", false, false, NULL },
		{ "torque", "N.m", false, false, NULL }, { "loss", "W", false, false, NULL },
		{ "voltage", "V", false, false, NULL },  { "current", "A", false, false, NULL },
		{ "hold", NULL, false, false, NULL },
	};
	static const struct offline_work work = { columns, sizeof columns / sizeof columns[0], find, in_json, in_text };
	struct wanted *w = wanted;
	struct hold_found found = hold_none();
	struct state s = { w, &found };
	struct err err = { 0 };
	enum rc rc = options_of(w, &err);

	if (!rc && w->rig.actuator && w->from)
		rc = err_set(&err, RC_ARG, 0, "--actuator holds at the rig, --from reads a table: give one of them");
	if (rc)
		return cli_fail(cli, &err, NULL, NULL);
	if (w->rig.actuator) {
		w->rig.torque = w->torque;
		return hold_live(cli, &w->rig, &w->of, w->ambient_degC);
	}
	return offline_run(cli, w->from, &work, &s);
}

int cmd_hold(int argc, char **argv)
{
	struct wanted w = {
		.of = hold_wanted_usual(), .ambient_degC = NAN, .torque_Nm = NAN, .cold_R = NAN, .cold_T = NAN, .k = 235
	};
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "the record, see above", &w.from, NULL },
		{ "actuator", "NAME", "at the rig: actuators/NAME.ini", &w.rig.actuator, NULL },
		{ "speed", "SPEED", "at the rig: turn slowly meanwhile; default: standstill", &w.rig.speed, NULL },
		{ "time", "TIME", "at the rig: the longest hold (default 2 h)", &w.rig.time, NULL },
		{ "cool", "TIME", "at the rig: how long the cooling is recorded (default 15 min)", &w.rig.cool, NULL },
		{ "out", "FILE.csv", "at the rig: the record as a table for --from", &w.rig.out, NULL },
		{ "figure", "DIR", "draw hold.svg and holding.svg there, with tables and scripts", &w.rig.figure,
		  NULL },
		{ "answers", "yes",
		  "answer yes to every item of the checklist; on a virtual bench only: on a real rig a person types "
		  "them",
		  &w.rig.answers, NULL },
		LIVE_OPTIONS(w.rig.live),
		{ "limit", "TEMP",
		  "the winding's limit, such as \"120 degC\" (the case's where only that is told); at the rig: 3 K "
		  "below "
		  "the guard's",
		  &w.limit, NULL },
		{ "ambient", "TEMP", "where the table has no ambient; default: its lowest temperature", &w.ambient,
		  NULL },
		{ "rated-ambient", "TEMP", "for holding times and ratings; default: the record's", &w.rated_ambient,
		  NULL },
		{ "torque", "TORQUE", "to hold at the rig; that was held, where the table has no torque", &w.torque,
		  NULL },
		{ "torques", "T,T,...", "for the holding times; default: 1.1 to 3 times continuous", &w.torques, NULL },
		{ "equilibrium", "SLOPE", "default: 2 K/h, as IEC 60034-1", &w.equilibrium, NULL },
		{ "window", "TIME", "for the slope; default: 1800 s, at most a quarter of it", &w.window, NULL },
		{ "cold-resistance", "R", "of the winding, for its temperature by resistance", &w.cold_ohm, NULL },
		{ "cold-temperature", "TEMP", "at which that was measured", &w.cold_degC, NULL },
		{ "u-loss", "SHARE",
		  "from a table: standard uncertainty of all watts together, such as \"1 %\"; at the rig from rig.ini",
		  &w.u_loss, NULL },
		{ "u-torque", "SHARE", "of all torques together, likewise", &w.u_torque, NULL },
		{ "u-winding", "KELVIN",
		  "likewise of the winding's sensor in all rows, such as \"1 K\"; at the rig from rig.ini "
		  "[temperature]",
		  &w.u_sensor[HOLD_WINDING], NULL },
		{ "u-case", "KELVIN", "of the case's sensor", &w.u_sensor[HOLD_CASE], NULL },
		{ "u-ambient", "KELVIN", "of the ambient's sensor", &w.u_sensor[HOLD_AMBIENT], NULL },
		{ "copper", "K", "235 (IEC 60034-1, default), 234.5 (IEEE 112), 225 aluminium", &w.copper, NULL },
	};
	const struct cli_spec spec = {
		.name = "hold",
		.usage = "hold --actuator NAME [options] | hold --from FILE.csv [options]",
		.about = "How long can a torque be held? At the rig (--actuator) the brake locks the shaft, or brakes "
			 "it at a slow speed, and the torque is held until equilibrium, limit or time; then the "
			 "cooling is recorded. The case gets hot and the gear is wound up: stand clear, stay with it. "
			 "Finds the two heat stores, winding and case, from a record of "
			 "a "
			 "hold or of its cooling: equilibrium, time to the limit, holding times and ratings. The table "
			 "has "
			 "the columns \"time (s)\" and, as far as they were measured, \"winding (degC)\", \"case "
			 "(degC)\", "
			 "\"ambient (degC)\", \"torque (N.m)\", \"loss (W)\", or \"voltage (V)\" and \"current (A)\" "
			 "of the "
			 "winding at standstill. A column \"hold\" numbers several holds in one table.",
		.examples = "  bridle hold --actuator paddle-winder --torque \"20 N.m\" --time \"1 h\"\n"
			    "  bridle hold --from hold.csv --limit \"120 degC\"\n"
			    "  bridle hold --from hold.csv --limit \"120 degC\" --torques 10,20,30 --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
