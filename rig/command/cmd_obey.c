/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/obey/obey.h"
#include "command/command.h"
#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

static json_t *number_json(struct obey_number x)
{
	return offline_json(x.value, x.u, x.dof);
}

struct state {
	const char *from;
	bool fast;
	struct obey_slow slow;
	struct obey_fast quick; /* of the response */
};

static json_t *in_json(const void *state)
{
	const struct obey_slow *s = &((const struct state *)state)->slow;
	const struct obey_fast *f = &((const struct state *)state)->quick;

	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "gain", number_json(s->gain), "offset_Nm",
			 number_json(s->offset_Nm), "dead_band_Nm", number_json(s->dead_band_Nm), "hysteresis_Nm",
			 number_json(s->hysteresis_Nm), "linearity_Nm", cli_real(s->linearity_Nm), "scatter_Nm",
			 cli_real(s->scatter_Nm), "bandwidth_Hz", number_json(f->bandwidth_Hz), "lowest_coherence",
			 cli_real(f->lowest_coherence), "highest_Hz", cli_real(f->highest_Hz));
}

static void show_slow(const struct obey_slow *s)
{
	offline_line("gain", s->gain.value, s->gain.u, s->gain.dof, "");
	offline_line("offset", s->offset_Nm.value, s->offset_Nm.u, s->offset_Nm.dof, "N·m");
	offline_line("dead band", s->dead_band_Nm.value, s->dead_band_Nm.u, s->dead_band_Nm.dof, "N·m");
	offline_line("hysteresis", s->hysteresis_Nm.value, s->hysteresis_Nm.u, s->hysteresis_Nm.dof, "N·m");
	offline_line("largest deviation", s->linearity_Nm, NAN, NAN, "N·m");
	offline_line("scatter of a reading", s->scatter_Nm, NAN, NAN, "N·m");
	if (isnan(s->dead_band_Nm.value))
		puts("  A dead band shows only with commands of both signs.");
	if (isnan(s->hysteresis_Nm.value))
		puts("  A hysteresis shows only with commands up and down.");
}

static void show_fast(const struct obey_fast *f)
{
	offline_line("gain at low frequency", f->gain, NAN, NAN, "");
	if (isfinite(f->bandwidth_Hz.value))
		offline_line("bandwidth", f->bandwidth_Hz.value, f->bandwidth_Hz.u, INFINITY, "Hz");
	else
		printf("  The response does not fall to 71 %% up to %.4g Hz, where command and torque cease to go "
		       "together.\n",
		       f->highest_Hz);
	printf("  Lowest coherence on the way: %.3f; %zu windows.\n", f->lowest_coherence, f->windows);
}

static void in_text(const void *state)
{
	const struct state *s = state;

	if (s->fast)
		show_fast(&s->quick);
	else
		show_slow(&s->slow);
}

static enum rc find(struct offline *o, void *state, struct err *err)
{
	struct state *s = state;
	double *commanded = offline_column(o, "commanded"), *measured = offline_column(o, "measured");
	enum rc rc = s->fast ? obey_fast(offline_column(o, "time"), commanded, measured, o->n, &s->quick, err)
			     : obey_slow(commanded, measured, o->n, &s->slow, err);

	if (rc)
		err_prefix(err, "%s: ", o->table.name);
	return rc;
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

	return offline_run(cli, s->from, &work, s);
}

int cmd_obey(int argc, char **argv)
{
	struct obey_number none = { NAN, NAN, NAN };
	struct state s = { NULL, false, { none, none, none, none, NAN, NAN }, { none, NAN, NAN, NAN, 0 } };
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "commanded and measured torque, see above", &s.from, NULL },
		{ "response", NULL, "a fast record: bandwidth instead of gain and dead band", NULL, &s.fast },
	};
	const struct cli_spec spec = {
		.name = "obey",
		.usage = "obey --from FILE.csv [--response]",
		.about = "Does the actuator give the torque that was commanded? Columns \"commanded (N.m)\" and "
			 "\"measured (N.m)\" in the "
			 "order of time, slowly up and down and of both signs: gain, offset, dead band, hysteresis. "
			 "With --response a "
			 "record of a chirp or of pseudo-random steps with \"time (s)\" in even steps: bandwidth with "
			 "coherence.",
		.examples = "  bridle obey --from slow.csv\n"
			    "  bridle obey --from chirp.csv --response --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &s);
}
