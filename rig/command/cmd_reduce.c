/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/cli.h"
#include "command/command.h"
#include "command/points.h"
#include "command/type_table.h"
#include "calib/number/units.h"
#include "reports/reduce/reduce_hand.h"
#include "reports/reduce/text.h"

#include <math.h>
#include <stdio.h>

struct wanted {
	struct hand_want hand;
	const char *out, *at_speed, *type;
	bool no_figures;
};

/* The straight speed-torque line at a speed that was not run. */
static enum rc at_speed(const struct report *r, const char *text, double *ret_rpm, struct unc *ret, struct err *err)
{
	struct quantity q;

	if (quantity_parse(text, "rpm", &q, err) != RC_OK) {
		err_prefix(err, "--at-speed: ");
		return RC_ARG;
	}
	*ret_rpm = q.value;
	*ret = fits_dc_torque_at(r->curve, &r->fits, q.value);
	if (!isfinite(ret->value))
		return err_set(err, RC_SINGULAR, 0,
			       "--at-speed: no straight line of speed against torque holds for these readings");
	return RC_OK;
}

static int print(const struct cli *cli, const struct wanted *w, const struct report *r, double rpm, struct unc at)
{
	if (cli->json) {
		json_t *doc = report_to_json(r);
		if (isfinite(at.value)) {
			json_t *o = json_object();
			json_object_set_new(o, "speed_rpm", cli_real(rpm));
			cli_set_unc(o, "torque_Nm", at);
			cli_set_unc(o, "shaft_power_W", unc_scale(r->curve->ctx, at, rpm * UNITS_PI / 30));
			json_object_set_new(doc, "at_speed", o);
		}
		return cli_print_json(doc);
	}
	report_print(r);
	if (isfinite(at.value)) {
		char text[100];
		text_unc(text, sizeof text, r->curve, at, "N·m");
		printf("\nOn the fitted line at %.6g rpm: %s\n", rpm, text);
	}
	if (w->out)
		printf("\nReport: %s/report.html\n", w->out);
	return 0;
}

static int run(const struct cli *cli, void *wanted)
{
	const struct wanted *w = wanted;
	struct mistakes m = { 0 };
	struct err err = { 0 };
	struct csv table = { 0 };
	struct report *r = NULL;
	struct unc at = { .value = NAN };
	double rpm = NAN;
	enum rc rc = w->type ? type_table(cli->args[0], w->type, &err) : RC_OK;

	if (rc == RC_OK)
		rc = csv_read(cli->args[0], &table, &m, &err);
	if (rc == RC_OK)
		rc = report_of_readings(&table, &w->hand, &r, &m, &err);
	csv_free(&table);
	if (rc == RC_OK && w->at_speed)
		rc = at_speed(r, w->at_speed, &rpm, &at, &err);
	if (rc == RC_OK && w->out)
		rc = report_write(r, w->out, !w->no_figures, &err);
	int status = rc == RC_OK ? print(cli, w, r, rpm, at) : cli_fail(cli, &err, NULL, &m);
	report_free(r);
	return status;
}

int cmd_reduce(int argc, char **argv)
{
	struct wanted w = { 0 };
	const struct cli_option options[] = {
		{ "drum-radius", "LENGTH", "radius of the drum, such as \"150 mm ± 0.5 mm\"", &w.hand.drum_radius,
		  NULL },
		{ "drum-diameter", "LENGTH", "its diameter instead", &w.hand.drum_diameter, NULL },
		{ "rope", "LENGTH", "thickness of rope or belt: it acts at (D + d)/2; default 0", &w.hand.rope, NULL },
		{ "lever", "LENGTH", "lever of the column force", &w.hand.lever, NULL },
		{ "gravity", "VALUE", "for balances in kg; default 9.80665 m/s2 with its spread over the earth",
		  &w.hand.gravity, NULL },
		{ "u-force", "U", "of forces: \"0.5 %\" common to all readings, \"50 g\" of each", &w.hand.u_force,
		  NULL },
		{ "u-torque", "U", "of a column torque, likewise", &w.hand.u_torque, NULL },
		{ "u-speed", "U", "of the speed, likewise", &w.hand.u_speed, NULL },
		{ "u-voltage", "U", "of the voltage, likewise", &w.hand.u_voltage, NULL },
		{ "u-current", "U", "of the current, likewise", &w.hand.u_current, NULL },
		{ "u-power", "U", "of the input power, likewise", &w.hand.u_power, NULL },
		{ "ac", NULL, "alternating current: power only from a column input power", NULL, &w.hand.ac },
		{ "at-speed", "SPEED", "also the torque of the fitted speed-torque line there", &w.at_speed, NULL },
		{ "type", "COLUMNS",
		  "ask for the readings, one after the other, and put them into the table first; COLUMNS are its "
		  "headings",
		  &w.type, NULL },
		{ "out", "DIR", "write page, tables and figures into this folder", &w.out, NULL },
		{ "no-figures", NULL, "no gnuplot: page and tables only", NULL, &w.no_figures },
	};
	const struct cli_spec spec = {
		.name = "reduce",
		.usage = "reduce READINGS.csv [options]",
		.about = "Turns brake-test readings taken by hand into the curves that a sweep gives. The table's "
			 "headings carry units: "
			 "\"speed (rpm)\", and torque by \"torque (N m)\", or \"force (N)\" with a lever, or two "
			 "spring balances on a drum, "
			 "\"tight (kg)\" and \"slack (kg)\" (\"spring 1\" and \"spring 2\" when the side is to be "
			 "found); then, where measured, "
			 "\"voltage (V)\", \"current (A)\" or \"input power (W)\", and \"direction\" (up, down).",
		.examples = "  bridle reduce readings.csv --drum-diameter \"300 mm\" --rope \"20 mm\"\n"
			    "  bridle reduce readings.csv --lever \"250 mm ± 1 mm\" --u-force \"0.5 %\"\n"
			    "  bridle reduce drum.csv --type \"speed (rpm), torque (N m)\"\n",
		CLI_TAKES(options),
		.min_args = 1,
		.max_args = 1,
	};
	return cli_run(&spec, argc, argv, run, &w);
}
