/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/command.h"
#include "command/offline.h"
#include "command/tame_live.h"
#include "command/tame_tell.h"
#include "terminal/cli.h"

#include <math.h>

#define GAIN_MARGIN_dB 6.0
#define PHASE_MARGIN_deg 45.0
#define DRAWS 400

struct wanted {
	const char *loop, *from, *per_ampere, *play, *gain, *phase, *draws;
	bool keys;
	struct tame_request rig;
};

static enum rc read_target(const struct wanted *w, struct tame_target *target, double *draws, struct err *err)
{
	const struct offline_option options[] = {
		{ "gain-margin", w->gain, "1", &target->gain_dB, true },
		{ "phase-margin", w->phase, "deg", &target->phase_deg, true },
	};
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);

	if (rc == RC_OK && !(target->phase_deg < 90))
		rc = err_set(err, RC_ARG, 0, "--phase-margin: found %g degrees, expected less than 90",
			     target->phase_deg);
	if (rc == RC_OK && w->draws)
		rc = live_number("draws", w->draws, 20, 100000, draws, err);
	return rc;
}

static enum rc read_all(const struct wanted *w, struct tame_told *t, double *draws, struct mistakes *m, struct err *err)
{
	double per_A = NAN;
	const struct offline_option per_ampere = { "torque-per-ampere", w->per_ampere, "N.m/A", &per_A, true };
	enum rc rc = read_target(w, &t->target, draws, err);

	if (rc == RC_OK)
		rc = offline_options(&per_ampere, 1, err);
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

static int at_the_rig(const struct cli *cli, struct wanted *w)
{
	struct err err = { 0 };
	struct tame_request *q = &w->rig;

	q->loop = w->loop;
	q->target = (struct tame_target){ GAIN_MARGIN_dB, PHASE_MARGIN_deg };
	q->draws = DRAWS;
	if (w->from || w->play || w->per_ampere)
		err_set(&err, RC_ARG, 0,
			"--actuator measures at the rig and takes play from its logbook; --from, --play and "
			"--torque-per-ampere are for tables. Give one of them");
	else if (read_target(w, &q->target, &q->draws, &err) == RC_OK)
		return tame_live(cli, q);
	return cli_fail(cli, &err, NULL, NULL);
}

static int run(const struct cli *cli, void *wanted)
{
	struct wanted *w = wanted;
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
	if (w->rig.actuator)
		return at_the_rig(cli, w);
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
		{ "actuator", "NAME", "at the rig: actuators/NAME.ini, its free shaft excited in torque mode",
		  &w.rig.actuator, NULL },
		{ "speed", "SPEED", "mean speed of the free shaft, rpm (default 30)", &w.rig.speed, NULL },
		{ "torque", "TORQUE", "the most that is commanded, N.m (default: half of the rated one)", &w.rig.torque,
		  NULL },
		{ "swing", "SPEED", "by what one step is to change the speed (default: a quarter of the guard's limit)",
		  &w.rig.swing, NULL },
		{ "time", "TIME", "of the record (default 60 s)", &w.rig.time, NULL },
		{ "rig-inertia", "J", "of brake, coupling and shaft, kg.m2 with its ±: taken off", &w.rig.rig_inertia,
		  NULL },
		{ "torque-gain", "K", "torque for each N.m commanded, with its ± (default: by the newest obey)",
		  &w.rig.torque_gain, NULL },
		{ "out", "FILE.csv", "write the record there, for --from", &w.rig.out, NULL },
		{ "figure", "DIR", "draw it there: tame.svg, with its table and script", &w.rig.figure, NULL },
		{ "answers", "yes",
		  "answer yes to every item of the checklist; on a virtual bench only: on a real rig a person types "
		  "them",
		  &w.rig.answers, NULL },
		LIVE_OPTIONS(w.rig.live),
	};
	const struct cli_spec spec = {
		.name = "tame",
		.usage = "tame --loop FILE.ini [options] | tame --actuator NAME [options]",
		.about =
			"Will a joint oscillate with its drive's gains? Reckons gain and phase margin of the loop over "
			"rotor, gear and arm, the limit cycle that the play allows, and gains that keep their margin. "
			"The file has lines such as \"stiffness = 7000 N.m/rad ± 5 %\". A record (--from) has \"time "
			"(s)\" in even "
			"steps, \"torque (N.m)\" or \"current (A)\", and \"speed (rpm)\" of "
			"the rotor over the ratio, excited by pseudo-random steps or a chirp while it turns one way. "
			"At the rig (--actuator) the free shaft is excited so: inertia and friction come from it, play "
			"and "
			"stiffness from the newest play, the torque's scale from the newest obey of the logbook. "
			"It writes nothing to a drive: "
			"it says what to set.",
		.examples = "  bridle tame --keys\n"
			    "  bridle tame --loop joint.ini\n"
			    "  bridle tame --from record.csv --loop joint.ini\n"
			    "  bridle tame --loop joint.ini --play loop.json --json\n"
			    "  bridle tame --actuator paddle-winder --loop joint.ini\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
