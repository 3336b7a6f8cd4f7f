/* SPDX-License-Identifier: GPL-3.0-or-later */
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
	const char *from;
	bool fast;
	struct obey_slow slow;
	struct obey_fast quick; /* of the response */
	struct obey_request rig;
	struct obey_response_request fast_rig; /* what rig does not have */
};

static json_t *in_json(const void *state)
{
	const struct state *s = state;

	return obey_json(&s->slow, &s->quick);
}

static void in_text(const void *state)
{
	const struct state *s = state;

	if (s->fast)
		obey_print_fast(&s->quick);
	else
		obey_print_slow(&s->slow);
}

static enum rc find(struct offline *o, void *state, struct err *err)
{
	struct procedure figure = { 0 };
	struct state *s = state;
	double *commanded = offline_column(o, "commanded"), *measured = offline_column(o, "measured");
	enum rc rc = s->fast ? obey_fast(offline_column(o, "time"), commanded, measured, o->n, &s->quick, err)
			     : obey_slow(commanded, measured, o->n, &s->slow, err);

	if (rc)
		err_prefix(err, "%s: ", o->table.name);
	else if (s->rig.figure && !s->fast)
		rc = carry_figure_draw(carry_figure_obey(commanded, measured, o->n, &s->slow, &figure, err),
				       s->rig.figure, &figure, err);
	return rc;
}

static int at_the_rig(const struct cli *cli, struct state *s)
{
	struct obey_response_request *q = &s->fast_rig;
	const struct obey_request *r = &s->rig;
	struct err err = { 0 };
	bool mixed = s->fast ? r->steps || r->cycles : q->swing || q->time || q->out;

	if (mixed) {
		err_set(&err, RC_ARG, 0,
			s->fast ? "--steps and --cycles are for slow readings; leave them out, or leave out --response"
				: "--swing, --time and --out are for a fast record; add --response, or leave them out");
		return cli_fail(cli, &err, NULL, NULL);
	}
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
		{ "commanded", "N.m", true, NULL },
		{ "measured", "N.m", true, NULL },
		{ "time", "s", s->fast, NULL },
	};
	const struct offline_work work = { columns, sizeof columns / sizeof columns[0], find, in_json, in_text };

	if (!s->rig.actuator)
		return offline_run(cli, s->from, &work, s);
	if (!s->from)
		return at_the_rig(cli, s);
	struct err err = { 0 };
	err_set(&err, RC_ARG, 0, "--actuator measures at the rig, --from reads a table: give one of them");
	return cli_fail(cli, &err, NULL, NULL);
}

int cmd_obey(int argc, char **argv)
{
	struct state s = { .slow = obey_slow_none(), .quick = obey_fast_none() };
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "commanded and measured torque, see above", &s.from, NULL },
		{ "response", NULL, "by small fast steps: bandwidth instead of gain and dead band", NULL, &s.fast },
		{ "actuator", "NAME", "at the rig: actuators/NAME.ini, in torque mode against the locked brake",
		  &s.rig.actuator, NULL },
		{ "torque", "TORQUE", "the largest that is commanded, N.m (default: rated, or what rig and cell carry)",
		  &s.rig.torque, NULL },
		{ "steps", "N", "from zero to the largest torque (default 8)", &s.rig.steps, NULL },
		{ "cycles", "N", "up, down, other way and back so many times (default 1)", &s.rig.cycles, NULL },
		{ "swing", "TORQUE", "of the small steps with --response, N.m (default: an eighth of the rated)",
		  &s.fast_rig.swing, NULL },
		{ "time", "TIME", "of the record with --response (default 60 s)", &s.fast_rig.time, NULL },
		{ "out", "FILE.csv", "with --response: write the record there, for --from", &s.fast_rig.out, NULL },
		{ "figure", "DIR", "draw it there: obey.svg, with its table and script", &s.rig.figure, NULL },
		{ "answers", "yes",
		  "answer yes to every item of the checklist; on a virtual bench only: on a real rig a person types "
		  "them",
		  &s.rig.answers, NULL },
		LIVE_OPTIONS(s.rig.live),
	};
	const struct cli_spec spec = {
		.name = "obey",
		.usage = "obey --actuator NAME [options] | obey --from FILE.csv [--response]",
		.about = "Does the actuator give the torque that was commanded? At the rig (--actuator) the brake "
			 "locks the "
			 "shaft and the torque is commanded in steps, up, down and both ways: the gear is wound up, "
			 "stand clear. "
			 "From a table (--from) with columns \"commanded (N.m)\" and "
			 "\"measured (N.m)\" in the "
			 "order of time, slowly up and down and of both signs: gain, offset, dead band, hysteresis. "
			 "With --response, at the rig, small pseudo-random steps about a standing torque (--torque); "
			 "as a "
			 "table a record of a chirp or of such steps with \"time (s)\" in even steps: bandwidth with "
			 "coherence.",
		.examples = "  bridle obey --actuator paddle-winder --torque \"20 N.m\"\n"
			    "  bridle obey --actuator paddle-winder --response\n"
			    "  bridle obey --from slow.csv\n"
			    "  bridle obey --from chirp.csv --response --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &s);
}
