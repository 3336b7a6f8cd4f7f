/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calc/calc_option.h"
#include "calib/obey/obey.h"
#include "command/carry_figure.h"
#include "command/command.h"
#include "command/obey_live.h"
#include "command/obey_response_live.h"
#include "command/obey_tell.h"
#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

struct state {
	const char *from, *constant;
	bool fast, step;
	struct quantity constant_of; /* N.m for each ampere, as the drive has it; value 0: not told */
	struct obey_speeds speeds;   /* n 0: none was judged */
	struct obey_slow slow;       /* of the slowest */
	struct obey_fast quick;      /* of the response */
	struct obey_step stepped;
	struct obey_request rig;
	struct obey_response_request fast_rig; /* what rig does not have */
};

static json_t *in_json(const void *state)
{
	const struct state *s = state;
	json_t *doc = obey_json(&s->slow, &s->quick);

	obey_put_speeds(doc, &s->speeds);
	obey_put_step(doc, &s->stepped);
	obey_put_constant(doc, &s->slow, s->constant_of.value, s->constant_of.u);
	return doc;
}

static void in_text(const void *state)
{
	const struct state *s = state;

	if (s->fast)
		obey_print_fast(&s->quick);
	if (s->step)
		obey_print_step(&s->stepped);
	if (s->fast || s->step)
		return;
	obey_print_slow(&s->slow);
	obey_print_constant(&s->slow, s->constant_of.value, s->constant_of.u);
	obey_print_speeds(&s->speeds);
}

static enum rc find(struct offline *o, void *state, struct err *err)
{
	struct procedure figure = { 0 };
	struct state *s = state;
	double *commanded = offline_column(o, "commanded"), *measured = offline_column(o, "measured"),
	       *time = offline_column(o, "time");
	const struct obey_rows rows = { o->n, commanded, measured, offline_column(o, "speed"),
					offline_column(o, "temperature") };
	enum rc rc = s->fast ? obey_fast(time, commanded, measured, o->n, &s->quick, err) : RC_OK;

	if (!rc && s->step)
		rc = obey_step(time, commanded, measured, o->n, &s->stepped, err);
	if (!rc && !s->fast && !s->step) {
		rc = obey_speeds(&rows, &s->speeds, err);
		s->slow = rc ? s->slow : s->speeds.list[s->speeds.slowest].slow;
	}
	if (rc)
		err_prefix(err, "%s: ", o->table.name);
	else if (s->rig.figure && !s->fast && !s->step)
		rc = carry_figure_draw(carry_figure_obey(commanded, measured, o->n, &s->slow, &figure, err),
				       s->rig.figure, &figure, err);
	return rc;
}

static int at_the_rig(const struct cli *cli, struct state *s)
{
	struct obey_response_request *q = &s->fast_rig;
	struct obey_request *r = &s->rig;
	struct err err = { 0 };
	bool mixed = s->fast ? r->steps || r->cycles || r->speeds || s->constant : q->swing || q->time || q->out;

	if (mixed) {
		err_set(&err, RC_ARG, 0,
			s->fast ? "--steps, --cycles, --speeds and --constant are for slow readings; leave them out, "
				  "or "
				  "leave out --response"
				: "--swing, --time and --out are for a fast record; add --response, or leave them out");
		return cli_fail(cli, &err, NULL, NULL);
	}
	r->constant_Nm_per_A = s->constant_of.value;
	r->u_constant = s->constant_of.u;
	q->actuator = r->actuator;
	q->torque = r->torque;
	q->answers = r->answers;
	q->figure = r->figure;
	q->live = r->live;
	return s->fast ? obey_response_live(cli, q) : obey_live(cli, r);
}

static int run(const struct cli *cli, void *state)
{
	struct state *s = state;
	const struct offline_column columns[] = {
		{ "commanded", "N.m", true, false, NULL },        { "measured", "N.m", true, false, NULL },
		{ "time", "s", s->fast || s->step, false, NULL }, { "speed", "rpm", false, false, NULL },
		{ "temperature", "degC", false, false, NULL },
	};
	const struct offline_work work = { columns, sizeof columns / sizeof columns[0], find, in_json, in_text };

	struct err err = { 0 };

	if (s->constant && calc_option("constant", s->constant, "N.m/A", true, &s->constant_of, &err))
		return cli_fail(cli, &err, NULL, NULL);
	if (s->constant && !(s->constant_of.value > 0)) {
		err_set(&err, RC_ARG, 0, "--constant: found %g, expected a positive number", s->constant_of.value);
		return cli_fail(cli, &err, NULL, NULL);
	}
	if (!s->rig.actuator)
		return offline_run(cli, s->from, &work, s);
	if (!s->from && !s->step)
		return at_the_rig(cli, s);
	err_set(&err, RC_ARG, 0, "--actuator measures at the rig, --from and --step read a table: give one of them");
	return cli_fail(cli, &err, NULL, NULL);
}

int cmd_obey(int argc, char **argv)
{
	struct state s = { .slow = obey_slow_none(),
			   .quick = obey_fast_none(),
			   .speeds = { .repeatability_Nm = { NAN, NAN, NAN } } };
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "commanded and measured torque, see above", &s.from, NULL },
		{ "response", NULL, "by small fast steps: bandwidth instead of gain and dead band", NULL, &s.fast },
		{ "step", NULL,
		  "a fast record with steps of the command: delay, rise and overshoot; also with --response", NULL,
		  &s.step },
		{ "constant", "K", "of the drive, such as \"1.6 N.m/A\": the one to write is told, with its interval",
		  &s.constant, NULL },
		{ "actuator", "NAME", "at the rig: actuators/NAME.ini, in torque mode against the locked brake",
		  &s.rig.actuator, NULL },
		{ "torque", "TORQUE", "the largest that is commanded, N.m (default: rated, or what rig and cell carry)",
		  &s.rig.torque, NULL },
		{ "steps", "N", "from zero to the largest torque (default 8)", &s.rig.steps, NULL },
		{ "speeds", "N,N,...",
		  "also at these speeds, rpm, both ways, against the brake; it turns (default: at standstill alone)",
		  &s.rig.speeds, NULL },
		{ "cycles", "N", "up, down, other way and back so many times (default 1)", &s.rig.cycles, NULL },
		{ "swing", "TORQUE", "of the small steps with --response, N.m (default: an eighth of the rated)",
		  &s.fast_rig.swing, NULL },
		{ "time", "TIME", "of the record with --response (default 60 s)", &s.fast_rig.time, NULL },
		{ "out", "FILE.csv", "with --response: write the record there, for --from", &s.fast_rig.out, NULL },
		{ "figure", "DIR",
		  "draw it there: obey.svg, with --speeds friction and ratio too; each with its table and script",
		  &s.rig.figure, NULL },
		{ "answers", "yes",
		  "answer yes to every item of the checklist; on a virtual bench only: on a real rig a person types "
		  "them",
		  &s.rig.answers, NULL },
		LIVE_OPTIONS(s.rig.live),
	};
	const struct cli_spec spec = {
		.name = "obey",
		.usage = "obey --actuator NAME [options] | obey --from FILE.csv [options]",
		.about = "Does the actuator give the torque that was commanded? At the rig (--actuator) the brake "
			 "locks the "
			 "shaft and the torque is commanded in steps, up, down and both ways: the gear is wound up, "
			 "stand clear. With --speeds it then turns against the brake, both ways. "
			 "From a table (--from) with columns \"commanded (N.m)\" and "
			 "\"measured (N.m)\" in the "
			 "order of time, slowly up and down and of both signs: gain, offset, dead band, hysteresis. "
			 "With --response, at the rig, small pseudo-random steps about a standing torque (--torque); "
			 "as a "
			 "table a record of a chirp or of such steps with \"time (s)\" in even steps: bandwidth with "
			 "coherence. \"speed (rpm)\" in the table judges each speed by itself, \"temperature (degC)\" "
			 "tells the drift.",
		.examples = "  bridle obey --actuator paddle-winder --torque \"20 N.m\"\n"
			    "  bridle obey --actuator paddle-winder --speeds 10,30\n"
			    "  bridle obey --actuator paddle-winder --response\n"
			    "  bridle obey --from slow.csv\n"
			    "  bridle obey --from chirp.csv --response --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &s);
}
