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
	const char *loop, *play, *gain, *phase, *draws;
	bool keys;
};

static enum rc read_all(const struct wanted *w, struct tame_told *t, double *draws, struct err *err)
{
	const struct offline_option options[] = {
		{ "gain-margin", w->gain, "1", &t->target.gain_dB, true },
		{ "phase-margin", w->phase, "deg", &t->target.phase_deg, true },
	};
	enum rc rc = offline_options(options, 2, err);

	if (rc == RC_OK && !(t->target.phase_deg < 90))
		rc = err_set(err, RC_ARG, 0, "--phase-margin: found %g degrees, expected less than 90",
			     t->target.phase_deg);
	if (rc == RC_OK && w->draws)
		rc = live_number("draws", w->draws, 20, 100000, draws, err);
	if (rc == RC_OK && !w->loop)
		rc = err_set(err, RC_ARG, 0, "--loop is missing; give the joint and its gains, --loop FILE.ini");
	return rc == RC_OK ? tame_read(w->loop, w->play, &t->typed, err) : rc;
}

static int run(const struct cli *cli, void *wanted)
{
	const struct wanted *w = wanted;
	struct tame_told t = { .target = { GAIN_MARGIN_dB, PHASE_MARGIN_deg } };
	struct tame_typed *y = &t.typed;
	double draws = DRAWS;
	struct err err = { 0 };

	if (w->keys && cli->json)
		return cli_print_json(tame_keys_json());
	if (w->keys) {
		tame_keys_print();
		return 0;
	}
	if (read_all(w, &t, &draws, &err) != RC_OK)
		return cli_fail(cli, &err, NULL, NULL);
	tame_find(&y->loop, y->input, y->n, (size_t)draws, &t.found);
	tame_advise(&y->loop, y->input, y->n, (size_t)draws, t.target, &t.advice);
	t.start = tame_start(&y->loop);
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
		{ "keys", NULL, "list the keys of that file with their units, and end", NULL, &w.keys },
		{ "play", "FILE.json", "what bridle play --json wrote: play, stiffness and friction where not typed",
		  &w.play, NULL },
		{ "gain-margin", "DB", "that advised gains have to have (default 6)", &w.gain, NULL },
		{ "phase-margin", "ANGLE", "that advised gains have to have (default 45 degrees)", &w.phase, NULL },
		{ "draws", "N", "of what is uncertain, 20 to 100000 (default 400)", &w.draws, NULL },
	};
	const struct cli_spec spec = {
		.name = "tame",
		.usage = "tame --loop FILE.ini [--play FILE.json] [options]",
		.about =
			"Will a joint oscillate with its drive's gains? Reckons gain and phase margin of the loop over "
			"rotor, gear and arm, the limit cycle that the play allows, and gains that keep their margin. "
			"The file has lines such as \"stiffness = 7000 N.m/rad ± 5 %\". It writes nothing to a drive: "
			"it says what to set.",
		.examples = "  bridle tame --keys\n"
			    "  bridle tame --loop joint.ini\n"
			    "  bridle tame --loop joint.ini --play loop.json --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
