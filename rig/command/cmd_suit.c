/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/command.h"
#include "command/suit.h"
#include "terminal/cli.h"

#include <math.h>

static int one(const struct cli *cli, const struct suit_wanted *w, struct mistakes *m, struct err *err)
{
	struct suit_case c = { .name = "" };
	enum rc rc = suit_find(w, &c, m, err);

	if (!rc && w->out)
		rc = suit_publish(w->out, &c, 1, err);
	int status = rc ? cli_fail(cli, err, NULL, m) : 0;
	if (!rc && cli->json)
		status = cli_print_json(suit_json_page(suit_json(&c.found), w->out));
	else if (!rc)
		suit_print(&c.found);
	if (!rc && !cli->json)
		suit_print_page(w->out);
	if (!status && suit_refuted(&c.found))
		status = 1;
	suit_case_free(&c);
	return status;
}

static int run(const struct cli *cli, void *wanted)
{
	struct suit_wanted *w = wanted;
	struct mistakes m = { 0 };
	struct err err = { 0 };

	if (w->actuators)
		return suit_many(cli, w, &m, &err);
	return suit_options(w, &err) ? cli_fail(cli, &err, NULL, &m) : one(cli, w, &m, &err);
}

int cmd_suit(int argc, char **argv)
{
	struct suit_wanted w = { .ratio_1 = 1,
				 .limit_degC = NAN,
				 .ambient_degC = NAN,
				 .voltage_V = NAN,
				 .supply_current_A = NAN,
				 .supply_power_W = NAN,
				 .efficiency_1 = NAN };
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "the duty: time, torque, and speed or angle, at the output", &w.from, NULL },
		{ "arm", "FILE.ini", "the duty from an arm and its motion instead", &w.arm, NULL },
		{ "one-way", NULL, "a duty that does not come back, such as a shaft that always turns on", NULL,
		  &w.one_way },
		{ "curve", "FILE.csv", "largest torque by speed; points.csv of a report will do", &w.curve, NULL },
		{ "actuators", "FILE.ini", "several side by side, a section for each, see docs/how-to-suit.md",
		  &w.actuators, NULL },
		{ "thermal", "FILE.json", "what bridle hold --json wrote", &w.thermal, NULL },
		{ "rotor-inertia", "J", "of the rotor, such as \"2e-5 kg.m2\"; default 0", &w.inertia, NULL },
		{ "ratio", "I", "rotor turns for one of the output, for the inertia; default 1", &w.ratio, NULL },
		{ "limit", "TEMP", "of the winding; default: the limit in the thermal file", &w.limit, NULL },
		{ "ambient", "TEMP", "default: the ambient in the thermal file", &w.ambient, NULL },
		{ "voltage", "V", "of the supply, for its current", &w.voltage, NULL },
		{ "supply-current", "A", "most that the supply gives", &w.supply_A, NULL },
		{ "supply-power", "W", "most that the supply gives", &w.supply_W, NULL },
		{ "takes-back", NULL, "the supply takes power back", NULL, &w.any_brake },
		{ "efficiency", "E", "where no loss in watts is known, such as \"70 %\"", &w.efficiency, NULL },
		{ "play", "ANGLE", "of the gear, in arcmin", &w.play, NULL },
		{ "stiffness", "K", "of the gear, in N.m/arcmin", &w.stiffness, NULL },
		{ "reach", "LENGTH", "from the axis to the tip, in m", &w.reach, NULL },
		{ "tip", "LENGTH", "most that the tip may be off, in mm", &w.tip, NULL },
		{ "out", "DIR", "write suit.html there, with the cycle inside the curve", &w.out, NULL },
	};
	const struct cli_spec spec = {
		.name = "suit",
		.usage = "suit --from DUTY.csv --curve CURVE.csv [options]",
		.about = "Does an actuator carry a joint? Compares a duty with the actuator's curve, its heat over the "
			 "repeated "
			 "cycle, the supply and the tip's error. Each requirement has a verdict with its probability; "
			 "status 1 when "
			 "one is refuted. With --actuators several are put side by side.",
		.examples = "  bridle suit --from duty.csv --curve curve.csv --thermal model.json\n"
			    "  bridle suit --arm arm.ini --curve curve.csv --voltage \"48 V\" --out figure\n"
			    "  bridle suit --arm arm.ini --actuators candidates.ini --out figure\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
