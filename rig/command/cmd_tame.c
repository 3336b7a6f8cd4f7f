/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/command.h"
#include "command/offline.h"
#include "command/tame_tell.h"
#include "live/live.h"
#include "terminal/cli.h"

#include <math.h>

#define GAIN_MARGIN_dB 6.0
#define PHASE_MARGIN_deg 45.0
#define DRAWS 400

struct wanted {
	const char *loop, *from, *per_ampere, *play, *gain, *phase, *draws;
	bool keys;
};

static enum rc read_all(const struct wanted *w, struct tame_told *t, double *draws, struct mistakes *m, struct err *err)
{
	double per_A = NAN;
	const struct offline_option options[] = {
		{ "gain-margin", w->gain, "1", &t->target.gain_dB, true },
		{ "torque-per-ampere", w->per_ampere, "N.m/A", &per_A, true },
		{ "phase-margin", w->phase, "deg", &t->target.phase_deg, true },
	};
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);

	if (rc == RC_OK && !(t->target.phase_deg < 90))
		rc = err_set(err, RC_ARG, 0, "--phase-margin: found %g degrees, expected less than 90",
			     t->target.phase_deg);
	if (rc == RC_OK && w->draws)
		rc = live_number("draws", w->draws, 20, 100000, draws, err);
	if (rc == RC_OK && !w->loop && !w->from)
		rc = err_set(err, RC_ARG, 0,
			     "--loop is missing; give the joint and its gains (--loop FILE.ini), a record "
			     "(--from FILE.csv), or both");
	t->recorded = w->from;
	t->reckoned = w->loop;
	if (rc == RC_OK && w->from)
		rc = tame_record_read(w->from, per_A, &t->id, m, err);
	if (rc == RC_OK && w->loop)
		rc = tame_read(w->loop, w->from ? &t->id : NULL, w->play, &t->typed, err);
	return rc;
}

static int run(const struct cli *cli, void *wanted)
{
	const struct wanted *w = wanted;
	struct tame_told t = { .target = { GAIN_MARGIN_dB, PHASE_MARGIN_deg } };
	struct tame_typed *y = &t.typed;
	double draws = DRAWS;
	struct mistakes mistakes = { 0 };
	struct err err = { 0 };

	if (w->keys && cli->json)
		return cli_print_json(tame_keys_json());
	if (w->keys) {
		tame_keys_print();
		return 0;
	}
	if (read_all(w, &t, &draws, &mistakes, &err) != RC_OK)
		return cli_fail(cli, &err, NULL, &mistakes);
	if (t.reckoned) {
		tame_find(&y->loop, &y->inputs, (size_t)draws, &t.found);
		t.withheld = y->by_record && !tame_rests(&t.id);
		if (!t.withheld)
			tame_advise(&y->loop, &y->inputs, (size_t)draws, t.target, &t.advice);
		t.start = tame_start(&y->loop);
	}
	if (cli->json)
		return cli_print_json(tame_json(&t));
	tame_print(&t);
	return 0;
}

int cmd_tame(int argc, char **argv)
{
	struct wanted w = { .loop = NULL };
	const struct cli_option options[] = {
		{ "loop", "FILE.ini", "joint and drive, see --keys", &w.loop, NULL },
		{ "from", "FILE.csv", "a record: inertias, stiffness and damping from it, see above", &w.from, NULL },
		{ "torque-per-ampere", "K", "at the output, where the record has a current", &w.per_ampere, NULL },
		{ "keys", NULL, "list the keys of that file with their units, and end", NULL, &w.keys },
		{ "play", "FILE.json", "what bridle play --json wrote: play, stiffness and friction where not typed",
		  &w.play, NULL },
		{ "gain-margin", "DB", "that advised gains have to have (default 6)", &w.gain, NULL },
		{ "phase-margin", "ANGLE", "that advised gains have to have (default 45 degrees)", &w.phase, NULL },
		{ "draws", "N", "of what is uncertain, 20 to 100000 (default 400)", &w.draws, NULL },
	};
	const struct cli_spec spec = {
		.name = "tame",
		.usage = "tame --loop FILE.ini [--from FILE.csv] [options]",
		.about =
			"Will a joint oscillate with its drive's gains? Reckons gain and phase margin of the loop over "
			"rotor, gear and arm, the limit cycle that the play allows, and gains that keep their margin. "
			"The file has lines such as \"stiffness = 7000 N.m/rad ± 5 %\". A record (--from) has \"time "
			"(s)\" in even "
			"steps, \"torque (N.m)\" or \"current (A)\", and \"speed (rpm)\" of "
			"the rotor over the ratio, excited by pseudo-random steps or a chirp while it turns one way. "
			"It writes nothing to a drive: "
			"it says what to set.",
		.examples = "  bridle tame --keys\n"
			    "  bridle tame --loop joint.ini\n"
			    "  bridle tame --from record.csv --loop joint.ini\n"
			    "  bridle tame --loop joint.ini --play loop.json --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
