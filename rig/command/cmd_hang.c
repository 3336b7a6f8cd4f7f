/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle hang: calibrate the torque cell with dead weights, guided or from a table. Nothing is ever energised. */
#include "command/command.h"
#include "command/hang.h"

#include <stdio.h>
#include <stdlib.h>

static enum rc read_options(struct hang_options *o, struct err *err)
{
	double value;
	enum rc rc = hang_model_parse(o->model, &o->fit, err);

	if (rc == RC_OK)
		rc = live_number("series", o->series, 1, HANG_SERIES, &value, err);
	if (rc == RC_OK)
		o->n_series = (int)value;
	value = 0;
	if (rc == RC_OK && o->steps)
		rc = live_number("steps", o->steps, 2, HANG_LOADS, &value, err);
	if (rc == RC_OK)
		o->n_steps = (size_t)value;
	return rc;
}

/* The classes: --classes, else torque_classes.csv of the bench folder, else the program's own. */
static enum rc read_classes(const struct cli *cli, struct hang_options *o, struct mistakes *m, struct err *err)
{
	const struct torque_table *own = torque_table_builtin(o->guide);
	char path[PROFILE_PATH * 2];
	double value;

	if (o->resolution) {
		enum rc rc = live_number("resolution", o->resolution, 1e-300, 1e300, &value, err);
		if (rc != RC_OK)
			return rc;
		if (!o->from)
			return err_set(err, RC_ARG, 0,
				       "--resolution goes with --from; a guided series reads whole counts");
		o->resolution_read = value;
	}
	if (o->classes)
		return torque_table_read(o->classes, o->guide, &o->table, m, err);
	enum rc rc = cli_path(cli, "torque_classes.csv", path, sizeof path, err);
	if (rc != RC_OK)
		return rc;
	FILE *there = fopen(path, "r");
	if (there) {
		fclose(there);
		return torque_table_read(path, o->guide, &o->table, m, err);
	}
	if (!own)
		return err_set(err, RC_ARG, 0,
			       "--guide: found \"%s\", expected torque or force, or a table of your own with --classes",
			       o->guide);
	o->table = *own;
	return RC_OK;
}

enum rc hang_place_options(const struct hang_options *o, struct hang_place *place, struct err *err)
{
	enum rc rc = RC_OK;

	if (o->arm && (rc = quantity_parse(o->arm, "m", &place->arm_m, err)) != RC_OK)
		err_prefix(err, "--arm: ");
	if (rc == RC_OK && o->gravity &&
	    (rc = quantity_parse(o->gravity, "m/s2", &place->gravity_m_per_s2, err)) != RC_OK)
		err_prefix(err, "--gravity: ");
	return rc;
}

enum rc hang_store(struct logbook *lb, int64_t run_id, int64_t wall_ns, struct hang_result *r, struct err *err)
{
	char *json = record_from_cellcal(&r->cal);
	json_t *doc = json ? json_loads(json, 0, NULL) : NULL;

	free(json);
	/* the cell's gain moves with temperature: later runs ask at which it was calibrated */
	json_object_set_new(doc, "ambient_degC", cli_real(r->ambient_degC));
	json_object_set_new(doc, "cell_degC", cli_real(r->cell_degC));
	/* a check weight on the same arm does not see the arm's error */
	if (r->arm_m > 0) {
		json_object_set_new(doc, "arm_m", cli_real(r->arm_m));
		json_object_set_new(doc, "gravity_m_per_s2", cli_real(r->gravity_m_per_s2));
	}
	/* and reports draw its residuals */
	json_object_set_new(doc, "points", hang_points_json(r));
	json_object_set_new(doc, "evaluation", hang_evaluation_json(r));
	if (r->gate.doubt[0])
		json_object_set_new(doc, "doubt", cli_text(r->gate.doubt));
	bool usable = r->gate.found.usable;
	if (!usable) {
		json_object_set_new(doc, "not_usable", cli_text(r->gate.text[0]));
		json_object_set_new(doc, "gate", hang_gate_json(&r->gate));
	}
	json = doc ? json_dumps(doc, JSON_REAL_PRECISION(17) | JSON_COMPACT) : NULL;
	json_decref(doc);
	if (!json)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = logbook_record(lb, run_id, wall_ns, usable ? "calibration" : SESSION_UNUSABLE, json, &r->record_id,
				    err);
	free(json);
	return rc;
}

enum rc hang_verdict(const struct hang_result *r, struct err *err)
{
	if (r->gate.found.usable)
		return RC_OK;
	return err_set(err, RC_SAYS_NO, 0, "not usable as a calibration: %s", r->gate.text[0]);
}

static int show_unusable(const struct cli *cli, const struct hang_result *r)
{
	struct err err;
	struct mistakes more = { 0 };

	for (size_t i = 1; i < r->gate.found.n; i++)
		snprintf(more.line[more.n++], sizeof more.line[0], "%s", r->gate.text[i]);
	if (r->gate.next[0])
		snprintf(more.line[more.n++], sizeof more.line[0], "%s", r->gate.next);
	if (r->record_id)
		snprintf(more.line[more.n++], sizeof more.line[0],
			 "Kept as record %lld, which no command uses. Next: bridle hang", (long long)r->record_id);
	else
		snprintf(more.line[more.n++], sizeof more.line[0], "Not kept.");
	return cli_fail(cli, (hang_verdict(r, &err) == RC_OK ? NULL : &err), HANG_NOT_USABLE, &more);
}

int hang_show(const struct cli *cli, const struct hang_result *r)
{
	struct err err;
	json_t *doc;

	if (!cli->json && !r->gate.found.usable)
		return show_unusable(cli, r);
	if (!cli->json) {
		hang_result_print(r);
		return 0;
	}
	doc = hang_result_json(r);
	enum rc rc = hang_verdict(r, &err);
	if (rc != RC_OK) {
		json_object_set_new(doc, "cause", cli_text(HANG_NOT_USABLE));
		json_object_set_new(doc, "message", cli_text(err.what));
	}
	int printed = cli_print_json(doc);
	return rc == RC_OK || printed ? printed : err_exit_status(rc);
}

int cmd_hang(int argc, char **argv)
{
	struct hang_options o = { .live = { .still = true }, .series = "3", .model = "auto", .guide = "torque" };
	const struct cli_option options[] = {
		{ "series", "N", "series; 1 and 2 in one mounting, each later one after re-mounting (default 3)",
		  &o.series, NULL },
		{ "steps", "N", "rising steps; the pieces are shared out among them (default: a step for each piece)",
		  &o.steps, NULL },
		{ "model", "NAME", "auto, origin, line, quadratic or cubic (default auto)", &o.model, NULL },
		{ "from", "FILE", "readings taken by hand (CSV) instead of a guided series", &o.from, NULL },
		{ "arm", "LENGTH", "arm instead of rig.ini's, e.g. \"500 mm \u00b1 0.4 mm\"", &o.arm, NULL },
		{ "gravity", "G", "local gravity instead of rig.ini's, e.g. \"9.8125 m/s2\"", &o.gravity, NULL },
		{ "guide", "NAME",
		  "table of classes: torque (in the shape of cg-14 and DIN 51309) or force (ISO 376) (default torque)",
		  &o.guide, NULL },
		{ "classes", "FILE",
		  "classes of your own (CSV) instead of the bench folder's torque_classes.csv or the program's",
		  &o.classes, NULL },
		{ "resolution", "R", "with --from: resolution of the indication, in its unit", &o.resolution, NULL },
		{ "type", "COLUMNS",
		  "with --from: ask for the readings, one after the other, and put them into the table first", &o.type,
		  NULL },
		{ "resume", NULL, "continue the last calibration that was stopped; its complete series are kept", NULL,
		  &o.resume },
		{ "dry-run", NULL, "show the result, keep no calibration", NULL, &o.dry_run },
		LIVE_OPTIONS(o.live),
	};
	const struct cli_spec spec = {
		.name = "hang",
		.usage = "hang [options]",
		.about = "Calibrates the torque cell with dead weights: preload, then series of rising and falling "
			 "loads. Asks for each weight, waits "
			 "until the reading is still, averages, shows residuals as they come. Nothing is energised. "
			 "With --from it "
			 "takes a table of readings: columns series, mounting, direction (up, down), torque (N.m) with "
			 "u_torque (N.m, standard uncertainty) or mass (kg), indication.",
		.examples = "  bridle hang\n  bridle hang --hands            (virtual bench)\n"
			    "  bridle hang --from readings.csv --model quadratic --json\n"
			    "  bridle hang --from cal.csv --type \"direction, mass (kg), indication (mV/V)\"\n",
		CLI_TAKES(options),
	};
	struct cli cli;
	struct err err = { 0 };
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	struct mistakes m = { 0 };

	if (rc == RC_OK && o.resume && o.from)
		rc = err_set(&err, RC_ARG, 0, "--resume goes with a guided series, not with --from");
	if (rc == RC_OK && o.type && !o.from)
		rc = err_set(&err, RC_ARG, 0, "--type goes with --from FILE, the table that the readings are put into");
	if (rc == RC_OK && !cli.help_shown)
		rc = read_options(&o, &err);
	if (rc == RC_OK && !cli.help_shown)
		rc = read_classes(&cli, &o, &m, &err);
	if (rc != RC_OK)
		return cli_fail(&cli, &err, NULL, &m);
	if (cli.help_shown)
		return 0;
	return o.from ? hang_by_table(&cli, &o) : hang_guided(&cli, &o);
}
