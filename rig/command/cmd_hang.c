/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle hang: calibrate the torque cell with dead weights, guided or from a table. Nothing is ever energised. */
#include "command/command.h"
#include "command/hang_from.h"
#include "command/hang_loads.h"
#include "command/hang_result.h"
#include "command/live.h"
#include "profile/torque_table.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PRELOAD_AVERAGE_S 1.0
#define SWING 2.0            /* times the scatter of the empty arm is still still */
#define AUTO_RESIDUAL_FROM 4 /* readings before residuals are shown */

struct options {
	const char *series, *steps, *from, *model, *arm, *gravity, *guide, *classes, *resolution;
	bool dry_run;
	struct live_options live;
	int n_series;
	size_t n_steps;
	enum cellcal_model fit;
	struct torque_table table;
	double resolution_read; /* --resolution; 0 not given */
};

struct hanging {
	struct live live;
	struct session s;
	const struct options *o;
	struct hang_loads loads;
	struct hang_item item[HANG_ITEMS];
	size_t n_items, hung; /* hung: load that is on the arm now */
	struct stats_run ambient_degC;
	double quiet_sd;      /* of the empty arm: what scatters more still swings */
	struct cellcal_reading *reading;
	size_t n;
};

static enum rc read_options(struct options *o, struct err *err)
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
static enum rc read_classes(const struct cli *cli, struct options *o, struct mistakes *m, struct err *err)
{
	const struct torque_table *own = torque_table_builtin(o->guide);
	char path[PROFILE_PATH * 2];
	double value;

	if (o->resolution) {
		enum rc rc = live_number("resolution", o->resolution, 1e-300, 1e300, &value, err);
		if (rc != RC_OK)
			return rc;
		if (!o->from)
			return err_set(err, RC_ARG, 0, "--resolution goes with --from; a guided series reads whole counts");
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
		return err_set(err, RC_ARG, 0, "--guide: found \"%s\", expected torque or force, or a table of your own with --classes",
			       o->guide);
	o->table = *own;
	return RC_OK;
}

static enum rc place_from_options(const struct options *o, struct hang_place *place, struct err *err)
{
	enum rc rc = RC_OK;

	if (o->arm && (rc = quantity_parse(o->arm, "m", &place->arm_m, err)) != RC_OK)
		err_prefix(err, "--arm: ");
	if (rc == RC_OK && o->gravity && (rc = quantity_parse(o->gravity, "m/s2", &place->gravity_m_per_s2, err)) != RC_OK)
		err_prefix(err, "--gravity: ");
	return rc;
}

static enum rc store(struct logbook *lb, int64_t run_id, int64_t wall_ns, struct hang_result *r, struct err *err)
{
	char *json = record_from_cellcal(&r->cal);
	json_t *doc = json ? json_loads(json, 0, NULL) : NULL;

	free(json);
	/* the cell's gain moves with temperature: later runs ask at which it was calibrated */
	json_object_set_new(doc, "ambient_degC", cli_real(r->ambient_degC));
	/* and reports draw its residuals */
	json_object_set_new(doc, "points", hang_points_json(r));
	json_object_set_new(doc, "evaluation", hang_evaluation_json(r));
	json = doc ? json_dumps(doc, JSON_REAL_PRECISION(17) | JSON_COMPACT) : NULL;
	json_decref(doc);
	if (!json)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = logbook_record(lb, run_id, wall_ns, "calibration", json, &r->record_id, err);
	free(json);
	return rc;
}

static int show(const struct cli *cli, const struct hang_result *r)
{
	if (cli->json)
		return cli_print_json(hang_result_json(r));
	hang_result_print(r);
	return 0;
}

/* --- readings taken by hand --- */

static enum rc keep_table(const struct cli *cli, struct hang_result *r, struct err *err)
{
	const struct session_want want = { .bench = cli->bench, .logbook_write = true };
	struct mistakes m = { 0 };
	struct session s;
	enum rc rc = session_open(&want, &s, &m, err);

	if (rc != RC_OK)
		return rc;
	s.clock = clock_machine();
	rc = session_run_begin(&s, "hang", 0, err);
	if (rc == RC_OK) {
		r->run_id = s.run_id;
		rc = store(s.logbook, s.run_id, s.clock.wall(s.clock.ctx).ns, r, err);
		struct err end_err;
		enum rc end_rc = session_run_end(&s, rc == RC_OK ? "done" : "failed", "", "readings taken by hand", rc ? &end_err : err);
		rc = rc ? rc : end_rc;
	}
	session_close(&s);
	return rc;
}

/* The bench folder's arm and gravity, when there is a bench folder; options go before. */
static enum rc place_for_table(const struct cli *cli, const struct options *o, struct hang_place *place, bool *ret_known,
			       bool *ret_bench, struct mistakes *m, struct err *err)
{
	const struct session_want want = { .bench = cli->bench };
	struct session s;
	struct err none = { 0 };
	char path[PROFILE_PATH * 2];
	enum rc rc = cli_path(cli, "rig.ini", path, sizeof path, err);

	if (rc != RC_OK)
		return rc;
	FILE *there = fopen(path, "r");
	*ret_bench = there != NULL;
	*place = (struct hang_place){ .air_kg_per_m3 = { 1.2, 0.06, INFINITY, DIST_RECT, true }, .level_deg = { .dof = INFINITY } };
	if (there) {
		fclose(there);
		rc = session_open(&want, &s, m, err);
		if (rc != RC_OK)
			return rc;
		*place = hang_place_of(&s.rig);
		session_close(&s);
	}
	(void)none;
	*ret_known = *ret_bench || (o->arm && o->gravity);
	return place_from_options(o, place, err);
}

static int hang_table(const struct cli *cli, const struct options *o)
{
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct hang_place place;
	struct hang_table table = { 0 };
	struct hang_result r = { .dry_run = o->dry_run, .ambient_degC = NAN };
	struct cellcal_point *points = NULL;
	bool known, bench;
	int status = 0;
	enum rc rc = place_for_table(cli, o, &place, &known, &bench, &m, &err);

	if (rc == RC_OK)
		rc = hang_table_read(o->from, known ? &place : NULL, &table, &m, &err);
	if (rc == RC_OK) {
		const struct cellcal_input in = { .readings = table.reading, .n = table.n, .sources = table.source,
			.n_sources = table.n_sources, .model = o->fit, .resolution = o->resolution_read, .table = &o->table };
		rc = hang_fit(&in, &r, &points, &err);
		if (rc == RC_OK)
			rc = hang_evaluate(&in, &r, &err);
	}
	r.unit = table.unit;
	/* Only counts of this rig's own converter can calibrate its readings. */
	bool counts = strncmp(table.unit, "count", 5) == 0;
	if (rc == RC_OK && bench && counts && !o->dry_run)
		rc = keep_table(cli, &r, &err);
	if (rc != RC_OK)
		status = cli_fail(cli, &err, NULL, &m);
	else
		status = show(cli, &r);
	if (rc == RC_OK && !cli->json && !r.record_id && !o->dry_run)
		printf("Not kept: %s.\n", bench ? "the indication's unit is not count, so it is not this rig's converter" :
			"there is no bench folder here");
	free(points);
	hang_table_free(&table);
	return status;
}

/* --- guided --- */

static void list_pieces(const struct hanging *h, size_t from, size_t to, char *buf, size_t size)
{
	size_t used = 0;

	buf[0] = '\0';
	for (size_t i = from; i < to && used < size; i++)
		used += (size_t)snprintf(buf + used, size - used, "%s%s", i > from ? ", " : "",
			h->s.weights.piece[h->loads.order[i]].name);
}

static enum rc hands_hang(struct hanging *h, size_t load, struct err *err)
{
	size_t from = h->loads.upto[h->hung], to = h->loads.upto[load];
	enum rc rc = RC_OK;

	if (load == 0)
		return live_hand(&h->live, err, "unhang all");
	for (size_t i = from; i < to && rc == RC_OK; i++)
		rc = live_hand(&h->live, err, "hang %s", h->s.weights.piece[h->loads.order[i]].name);
	for (size_t i = from; i > to && rc == RC_OK; i--)
		rc = live_hand(&h->live, err, "unhang %s", h->s.weights.piece[h->loads.order[i - 1]].name);
	return rc;
}

static enum rc hang_load(struct hanging *h, size_t load, bool preload, struct err *err)
{
	char names[300], text[420];
	size_t from = h->loads.upto[h->hung], to = h->loads.upto[load];
	enum rc rc = RC_OK;

	if (load == h->hung)
		return RC_OK;
	if (h->live.hands) {
		rc = hands_hang(h, load, err);
	} else {
		list_pieces(h, from < to ? from : to, from < to ? to : from, names, sizeof names);
		if (load == 0)
			snprintf(text, sizeof text, "Take everything off the arm, the hanger too; let it come to rest.");
		else
			snprintf(text, sizeof text, "%s%s %s: %.3f kg hang then, %.2f N\u00b7m, load %zu of %zu.",
				 preload ? "Preload. " : "", from < to ? "Hang" : "Take off", names, h->loads.mass_kg[load],
				 h->loads.load[load].torque_Nm, load, h->loads.n);
		rc = live_ask(&h->live, text, NULL, err);
	}
	if (rc == RC_OK)
		h->hung = load;
	return rc;
}

/* The residual of the newest reading against a fit of all so far. */
static double residual_now_Nm(const struct hanging *h)
{
	struct cellcal_input in = { .readings = h->reading, .n = h->n, .sources = h->loads.source,
		.n_sources = h->loads.n_sources, .model = CELLCAL_LINE, .resolution = 1 };
	struct hang_result r = { 0 };
	struct cellcal_point *points = NULL;
	double residual = NAN;

	if (h->n >= AUTO_RESIDUAL_FROM && hang_fit(&in, &r, &points, NULL) == RC_OK)
		residual = points[h->n - 1].residual * cellcal_slope_Nm(&r.cal, 0);
	free(points);
	return residual;
}

static void show_reading(struct hanging *h, const struct hang_item *item, const struct reading *r)
{
	struct stats_mean mean = stats_run_result(&r->raw);
	double residual = residual_now_Nm(h);
	char tail[60] = "";

	if (item->load > 0 && isfinite(residual))
		snprintf(tail, sizeof tail, "  residual %+.4f N\u00b7m", residual);
	progress_line(h->live.progress, "series %d %-7s %8.3f N\u00b7m  %12.1f counts \u00b1 %-5.1f%s%s", item->series,
		      item->load == 0 ? "zero" : item->direction > 0 ? "rising" : "falling", h->loads.load[item->load].torque_Nm,
		      mean.mean, mean.u_mean, tail, r->still ? "" : "  NOT STILL");
}

static enum rc take_reading(struct hanging *h, const struct hang_item *item, struct err *err)
{
	struct reading r;
	struct reading_config config = live_reading_config(&h->live);
	const struct sequence sequence = { reading_step, &r };
	bool preload = item->act == HANG_PRELOAD || item->act == HANG_PRELOAD_OFF;

	config.step = (int)item->load;
	config.direction = item->direction;
	config.flags = item->load == 0 ? POINT_TARE : 0;
	config.setpoint_Nm = h->loads.load[item->load].torque_Nm;
	config.most_rpm = INFINITY;
	config.still_sd = SWING * h->quiet_sd;
	if (preload) {
		config.average_s = PRELOAD_AVERAGE_S;
		config.still_sd = INFINITY;
	}
	reading_begin(&r, &config);
	enum rc rc = live_run(&h->live, &sequence, err);
	if (rc != RC_OK || preload)
		return rc;
	struct stats_mean mean = stats_run_result(&r.raw);
	if (isfinite(r.temp_degC[TEMP_AMBIENT]))
		stats_run_add(&h->ambient_degC, r.temp_degC[TEMP_AMBIENT]);
	if (item->load == 0 && !isfinite(h->quiet_sd))
		h->quiet_sd = fmax(mean.sd, 1);
	h->reading[h->n++] = (struct cellcal_reading){
		.series = item->series, .position = item->position,
		.direction = item->direction < 0 ? CELLCAL_DOWN : CELLCAL_UP, .load = h->loads.load[item->load],
		.indication = mean.mean, .u_indication = isfinite(mean.u_mean) ? mean.u_mean : 0,
	};
	show_reading(h, item, &r);
	return RC_OK;
}

static enum rc do_item(struct hanging *h, size_t i, struct err *err)
{
	static const char *const remount[] = { "remount", NULL };
	const struct hang_item *item = &h->item[i];
	enum rc rc = RC_OK;

	h->live.frac_from = (double)i / (double)h->n_items;
	h->live.frac_to = (double)(i + 1) / (double)h->n_items;
	h->live.remaining_after_s = (double)(h->n_items - i - 1) * 6;
	if (item->remount)
		rc = live_ask(&h->live, "Take the cell out and mount it again, turned if it can be: the next series shows what mounting does.",
			      remount, err);
	if (rc == RC_OK)
		rc = hang_load(h, item->load, item->act == HANG_PRELOAD, err);
	return rc == RC_OK ? take_reading(h, item, err) : rc;
}

static enum rc set_up(struct hanging *h, struct err *err)
{
	static const char *const cradle[] = { "uncouple", "arm on", NULL };
	static const char *const shaft[] = { "uncouple", "arm on", NULL };
	bool is_cradle = h->s.rig.mounting == MOUNT_CRADLE;

	enum rc rc = live_arm(&h->live, true, err); /* first: who is left in between may have fitted it */

	return rc ? rc : live_ask(&h->live, is_cradle ?
		"Uncouple the actuator; the brake stays without current. Fit the calibration arm to the cradle, level it, nothing hung. "
		"Stand clear of falling weights and of a lever that springs back." :
		"Uncouple the actuator and lock the brake's rotor to its housing with a pin, so that no current is needed to hold. "
		"Fit the calibration arm to the shaft, level it, nothing hung. Stand clear of falling weights.",
		is_cradle ? cradle : shaft, err);
}

static enum rc take_down(struct hanging *h, struct err *err)
{
	static const char *const hand[] = { "unhang all", "arm off", "couple", NULL };

	h->hung = 0;
	enum rc rc = live_ask(&h->live, "Take off weights, hanger and arm, take out any pin, couple the actuator again.", hand, err);
	return rc == RC_OK ? live_arm(&h->live, false, err) : rc;
}

static enum rc guided_series(struct hanging *h, struct hang_result *r, struct cellcal_point **points, struct err *err)
{
	enum rc rc = set_up(h, err);

	for (size_t i = 0; i < h->n_items && rc == RC_OK; i++)
		rc = do_item(h, i, err);
	struct err down_err = { 0 };
	enum rc down_rc = take_down(h, rc == RC_OK ? err : &down_err);
	rc = rc ? rc : down_rc;
	if (rc != RC_OK)
		return rc;
	const struct cellcal_input in = { .readings = h->reading, .n = h->n, .sources = h->loads.source,
		.n_sources = h->loads.n_sources, .model = h->o->fit, .resolution = 1, .table = &h->o->table };
	rc = hang_fit(&in, r, points, err);
	if (rc == RC_OK)
		rc = hang_evaluate(&in, r, err);
	r->ambient_degC = h->ambient_degC.n ? stats_run_result(&h->ambient_degC).mean : NAN;
	if (rc == RC_OK && !h->o->dry_run)
		rc = store(h->s.logbook, h->s.run_id, h->s.clock.wall(h->s.clock.ctx).ns, r, err);
	r->run_id = h->s.run_id;
	return rc;
}

static enum rc plan_series(struct hanging *h, struct err *err)
{
	struct hang_place place = hang_place_of(&h->s.rig);
	enum rc rc = place_from_options(h->o, &place, err);

	if (rc == RC_OK)
		rc = hang_loads_make(&place, &h->s.weights, h->o->n_steps, &h->loads, err);
	if (rc != RC_OK)
		return rc;
	double most = h->loads.load[h->loads.n].torque_Nm;
	if (!(most <= h->s.rig.cell_full_scale_Nm))
		return err_set(err, RC_ARG, 0, "all weights together make %.4g N\u00b7m, the cell is full at %.4g N\u00b7m (rig.ini); "
			"take pieces out of weights.ini", most, h->s.rig.cell_full_scale_Nm);
	h->n_items = hang_plan(h->loads.n, h->o->n_series, h->item);
	h->reading = calloc(h->n_items, sizeof *h->reading);
	if (!h->reading)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	live_limits_for_weights(&h->live);
	return RC_OK;
}

static int hang_guided(const struct cli *cli, const struct options *o)
{
	const struct session_want want = { .bench = cli->bench, .rig_link = true, .logbook_write = true };
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct hang_result r = { .unit = "count", .dry_run = o->dry_run };
	struct cellcal_point *points = NULL;
	struct hanging *h = calloc(1, sizeof *h);

	if (!h) {
		err_set(&err, RC_NOMEM, 0, "out of memory");
		return cli_fail(cli, &err, NULL, NULL);
	}
	h->o = o;
	h->quiet_sd = INFINITY;
	stats_run_begin(&h->ambient_degC);
	enum rc rc = live_open(&h->live, cli, &h->s, &want, "hang", &o->live, &m, &err);
	if (rc == RC_OK) {
		rc = plan_series(h, &err);
		if (rc == RC_OK)
			rc = live_begin(&h->live, "hang", 0, &err);
		if (rc == RC_OK)
			rc = guided_series(h, &r, &points, &err);
		rc = live_end(&h->live, rc, NULL, &err);
	}
	int status = rc == RC_OK ? show(cli, &r) : cli_fail(cli, &err, live_cause(&h->live), &m);
	free(points);
	free(h->reading);
	free(h);
	return status;
}

int cmd_hang(int argc, char **argv)
{
	struct options o = { .series = "3", .model = "auto", .guide = "torque" };
	const struct cli_option options[] = {
		{ "series", "N", "series; 1 and 2 in one mounting, each later one after re-mounting (default 3)", &o.series, NULL },
		{ "steps", "N", "rising steps; the pieces are shared out among them (default: a step for each piece)", &o.steps, NULL },
		{ "model", "NAME", "auto, origin, line, quadratic or cubic (default auto)", &o.model, NULL },
		{ "from", "FILE", "readings taken by hand (CSV) instead of a guided series", &o.from, NULL },
		{ "arm", "LENGTH", "arm instead of rig.ini's, e.g. \"500 mm \u00b1 0.4 mm\"", &o.arm, NULL },
		{ "gravity", "G", "local gravity instead of rig.ini's, e.g. \"9.8125 m/s2\"", &o.gravity, NULL },
		{ "guide", "NAME", "table of classes: torque (in the shape of cg-14 and DIN 51309) or force (ISO 376) (default torque)", &o.guide, NULL },
		{ "classes", "FILE", "classes of your own (CSV) instead of the bench folder's torque_classes.csv or the program's", &o.classes, NULL },
		{ "resolution", "R", "with --from: resolution of the indication, in its unit", &o.resolution, NULL },
		{ "dry-run", NULL, "show the result, keep no calibration", NULL, &o.dry_run },
		LIVE_OPTION_HANDS(o.live),
		LIVE_OPTION_CLEAR(o.live),
	};
	const struct cli_spec spec = {
		.name = "hang",
		.usage = "hang [options]",
		.about = "Calibrates the torque cell with dead weights: preload, then series of rising and falling loads. Asks for each weight, waits "
			 "until the reading is still, averages, shows residuals as they come. Nothing is energised. With --from it "
			 "takes a table of readings: columns series, mounting, direction (up, down), torque (N.m) with u_torque (N.m, standard uncertainty) or mass (kg), indication.",
		.examples = "  bridle hang\n  bridle hang --hands            (virtual bench)\n"
			    "  bridle hang --from readings.csv --model quadratic --json\n",
		.options = options,
		.n_options = sizeof options / sizeof options[0],
	};
	struct cli cli;
	struct err err = { 0 };
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	struct mistakes m = { 0 };

	if (rc == RC_OK && !cli.help_shown)
		rc = read_options(&o, &err);
	if (rc == RC_OK && !cli.help_shown)
		rc = read_classes(&cli, &o, &m, &err);
	if (rc != RC_OK)
		return cli_fail(&cli, &err, NULL, &m);
	if (cli.help_shown)
		return 0;
	return o.from ? hang_table(&cli, &o) : hang_guided(&cli, &o);
}
